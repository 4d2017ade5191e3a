"""A proposal at the terminal, and what may be typed about it."""

import asyncio
import io
from typing import Any

import pytest

from inksteward_simulators import operator_judges
from inksteward_simulators.operator_deck import Card, Choice
from inksteward_simulators.operator_judges import DeckJudge, TerminalJudge
from inksteward_simulators.operator_table import Unclear, Word, heard, table, understood


def whole_proposal(**changes: Any) -> dict[str, Any]:
    """A proposal as the contract shows one: a sweep, one limited move, a note."""
    move = {
        "zone": 7,
        "from_pct": 42.0,
        "to_pct": 45.1,
        "to_pct_if_sweep_left": 46.4,
        "gap_um_after": 131.0,
        "measured": 1.38,
        "aim": 1.45,
        "predicted_next": 1.41,
        "predicted_settled": 1.44,
        "seen_from_sheet": 1430,
        "settled_by_sheet": 1780,
        "limited_by": [{"code": "step", "withheld_pct": 1.2}],
        "why": "light by 0.07",
    }
    return {
        "proposal_id": "p-1",
        "press": "press-2",
        "unit": "u2",
        "ink": "C",
        "origin": "scan",
        "digest": "sha256:0",
        "sheet": 1210,
        "expires_in_s": 120,
        "sweep": {"from_pct": 40.0, "to_pct": 41.5, "why": "all zones light"},
        "moves": [move],
        "left": [],
        "notes": [
            {
                "code": "zone_does_not_answer",
                "zones": [3],
                "text": "Zone 3 does not answer.",
                "remedy": "Look.",
            }
        ],
    } | changes


def test_table_shows_what_is_decided_on() -> None:
    """The table gives unit, ink, sheet, every move with its numbers and reason, the sweep, limits and notes."""
    assert table(3, whole_proposal()).splitlines() == [
        "[3] unit u2, ink C: scan at sheet 1210, good for 120 s",
        "    sweep 40.0 -> 41.5 %  all zones light",
        "         zone   from %     to %   change   gap um measured      aim     next  settled  why",
        "            7     42.0     45.1     +3.1      131     1.38     1.45     1.41     1.44"
        "  light by 0.07 (held back by step)",
        "    note: Zone 3 does not answer.",
        "          what to do: Look.",
    ]


def test_a_limit_is_told_once() -> None:
    """Where the reason names the limits already, they are not listed again as codes."""
    why = "more ink; held back by the largest step of one proposal (withheld 1.2 %)"
    move = whole_proposal()["moves"][0] | {"why": why}
    assert table(1, whole_proposal(moves=[move])).count("held back") == 1


@pytest.mark.parametrize(
    ("what", "facts", "said"),
    [
        ("outcome", {"unit": "u2", "result": "moved", "code": None}, "unit u2: moved"),
        (
            "outcome",
            {"unit": "u2", "result": "lapsed", "code": "moved_by_hand"},
            "unit u2: lapsed (moved by hand)",
        ),
        ("seen", {"unit": "u2"}, None),
    ],
)
def test_what_the_terminal_says_of_events(what: str, facts: dict[str, Any], said: str | None) -> None:
    """An outcome is one line in plain words; what the table shows already is not said again."""
    assert heard(what, facts) == said


def test_silence_of_the_service_is_told() -> None:
    """Whoever decided and is not answered is told so, not left to guess."""
    assert "did not answer" in (heard("no_answer", {"id": "d-1"}) or "")


def test_table_without_a_reading() -> None:
    """A zone that was not measured shows a dash, and a proposal of the sweep alone has no rows."""
    move = whole_proposal()["moves"][0] | {"measured": None, "limited_by": []}
    assert "       -" in table(1, whole_proposal(moves=[move]))
    assert "from %" not in table(1, whole_proposal(moves=[], notes=[]))


@pytest.mark.parametrize(
    ("line", "word"),
    [
        ("y", Word(None, Choice(Card.APPROVE))),
        (" y 3 ", Word(3, Choice(Card.APPROVE))),
        ("n 3 water was changed", Word(3, Choice(Card.REJECT, reason="water was changed"))),
        ("n", Word(None, Choice(Card.REJECT))),
        ("e 3 7=44.5", Word(3, Choice(Card.EDIT, change=((7, 44.5),)))),
        ("e 7=0 8=100", Word(None, Choice(Card.EDIT, change=((7, 0.0), (8, 100.0))))),
        ("e 3 9=out sweep=out", Word(3, Choice(Card.EDIT, leave=(9,), leave_sweep=True))),
    ],
)
def test_lines_that_are_understood(line: str, word: Word) -> None:
    """y approves, n rejects, e edits; a number says which proposal is meant."""
    assert understood(line) == word


@pytest.mark.parametrize(
    "line",
    ["", "yes", "y now", "y 3 7=44", "e", "e 3", "e 7=x", "e 7=100.1", "e 7=-1", "e 7=nan", "e x=4", "e 7"],
)
def test_lines_that_are_not(line: str) -> None:
    """Anything else is no decision; what was expected is said."""
    with pytest.raises(Unclear, match="expected"):
        understood(line)


class Terminal:
    """A judge with what it printed."""

    def __init__(self) -> None:
        self.out = io.StringIO()
        self.judge = TerminalJudge(self.out)

    def show(self, **changes: Any) -> asyncio.Task[Choice]:
        return asyncio.create_task(self.judge.choice(whole_proposal(**changes)))


async def test_typed_word_counts_for_its_number() -> None:
    """With two proposals standing, each answer goes to the one whose number was typed."""
    terminal = Terminal()
    one, other = terminal.show(), terminal.show(unit="u3")
    await asyncio.sleep(0)
    terminal.judge.typed("y")
    assert "no number: expected one of those that stand: 1, 2" in terminal.out.getvalue()
    terminal.judge.typed("n 2 no")
    terminal.judge.typed("y 1")
    assert (await one).card is Card.APPROVE
    assert (await other).card is Card.REJECT


async def test_line_without_a_number(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a number a line counts for the only proposal, but not for one that came as it was being typed."""
    terminal = Terminal()
    only = terminal.show()
    await asyncio.sleep(0)
    terminal.judge.typed("y")
    assert "came only just now" in terminal.out.getvalue()
    assert not only.done()
    monkeypatch.setattr(operator_judges, "SETTLE_S", 0.0)
    terminal.judge.typed("y")
    assert (await only).card is Card.APPROVE


def test_line_while_nothing_stands() -> None:
    """A line without a number, typed while no proposal stands, is told so."""
    terminal = Terminal()
    terminal.judge.typed("y")
    assert "no proposal stands now" in terminal.out.getvalue()


@pytest.mark.parametrize("line", ["e 1 99=40", "e 1 8=out", "e 1 7=44 8=40"])
async def test_edit_of_a_zone_that_is_not_moved(line: str) -> None:
    """An edit of a zone that the proposal leaves alone is not sent; the zones that it moves are named."""
    terminal = Terminal()
    shown = terminal.show()
    await asyncio.sleep(0)
    terminal.judge.typed(line)
    assert "expected one that this proposal moves: 7" in terminal.out.getvalue()
    assert not shown.done()
    terminal.judge.typed("e 1 7=44")
    assert (await shown).change == ((7, 44.0),)


async def test_proposal_that_is_gone() -> None:
    """A proposal that ended is said to be gone, and its number is refused from then on."""
    terminal = Terminal()
    shown = terminal.show()
    await asyncio.sleep(0)
    shown.cancel()
    await asyncio.gather(shown, return_exceptions=True)
    assert "[1] is gone" in terminal.out.getvalue()
    terminal.judge.typed("y 1")
    assert "1: expected a proposal that stands: none" in terminal.out.getvalue()


async def test_refused_word_is_asked_again() -> None:
    """After a refusal the reason is shown and the proposal is shown anew, under a new number."""
    terminal = Terminal()
    again = asyncio.create_task(
        terminal.judge.again(
            whole_proposal(), [{"field": "change.0", "value": "0.0", "expected": "12.5 or more"}]
        )
    )
    await asyncio.sleep(0)
    assert "refused: change.0 = 0.0: expected 12.5 or more" in terminal.out.getvalue()
    terminal.judge.typed("y 1")
    choice = await again
    assert choice is not None
    assert choice.card is Card.APPROVE


def test_help() -> None:
    """A question mark or an empty line explains what can be typed."""
    terminal = Terminal()
    terminal.judge.typed("?")
    terminal.judge.typed("")
    assert terminal.out.getvalue().count("approve as shown") == 2


async def test_deck_judge_thinks_first() -> None:
    """The scripted operator draws a card only after thinking, and approves plainly what was refused."""
    judge = DeckJudge(1, (3600.0, 3600.0))
    with pytest.raises(TimeoutError):
        await asyncio.wait_for(judge.choice(whole_proposal()), 0.01)
    quick = DeckJudge(1, (0.0, 0.0))
    assert await quick.again(whole_proposal(), []) == Choice(Card.APPROVE)
    assert await quick.choice(whole_proposal()) == Choice(Card.APPROVE)
