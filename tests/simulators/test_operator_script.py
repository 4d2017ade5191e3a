"""Requests typed at the terminal, and scripts of what a person would type."""

import asyncio
import io
from typing import Any

import pytest

from inksteward_simulators.operator_asks import Line, Turn, asked, heard_of_request, numbered, script_of
from inksteward_simulators.operator_deck import Card
from inksteward_simulators.operator_script import ScriptJudge
from inksteward_simulators.operator_table import Unclear
from tests.simulators.operator_room import Room
from tests.simulators.test_operator_table import whole_proposal


@pytest.mark.parametrize(
    ("line", "request_"),
    [
        ("hold", {"kind": "hold"}),
        (" release ", {"kind": "release"}),
        ("ack move_failed u2", {"kind": "acknowledge", "code": "move_failed", "unit": "u2"}),
        ("ack link_lost", {"kind": "acknowledge", "code": "link_lost"}),
        ("y 1", None),
        ("", None),
    ],
)
def test_a_request_is_told_from_a_word_on_a_proposal(line: str, request_: dict[str, Any] | None) -> None:
    """hold, release and ack are requests; everything else is not."""
    assert asked(line) == request_


@pytest.mark.parametrize("line", ["hold u1", "release now", "ack", "ack move_failed u1 u2"])
def test_a_request_with_a_word_too_many_is_unclear(line: str) -> None:
    """What cannot be meant is not sent."""
    with pytest.raises(Unclear, match="expected"):
        asked(line)


def test_the_answer_to_a_request_is_shown() -> None:
    """Done, or refused with the field, its value and what was expected."""
    assert heard_of_request({"kind": "hold", "accepted": True, "errors": []}) == "hold: done"
    fault = {"field": "code", "value": "x", "expected": "the code of a latched alarm"}
    refused = {"kind": "acknowledge", "accepted": False, "errors": [fault]}
    assert heard_of_request(refused) == "acknowledge refused: code = x: expected the code of a latched alarm"


def test_a_script_is_understood_line_by_line() -> None:
    """Each kind of line has its turn; remarks and empty lines have none."""
    text = "# first\ny\n\nn too wet\ne 7=out\npass\nuntil 240\nhold\nrest n late\nrest pass\nend"
    assert script_of(text) == (
        Line(Turn.PROPOSAL, "y"),
        Line(Turn.PROPOSAL, "n too wet"),
        Line(Turn.PROPOSAL, "e 7=out"),
        Line(Turn.LEAVE, "pass"),
        Line(Turn.UNTIL, sheet=240),
        Line(Turn.NOW, "hold"),
        Line(Turn.REST, "n late"),
        Line(Turn.REST, "pass"),
        Line(Turn.NOW, "end"),
    )
    assert [numbered(words, 4) for words in ("y", "n too wet", "e 7=out")] == [
        "y 4",
        "n 4 too wet",
        "e 4 7=out",
    ]


@pytest.mark.parametrize(
    "line", ["maybe", "y 3", "until", "until soon", "until 9999999999", "rest", "hold 1", "e"]
)
def test_a_line_that_is_not_understood_is_named(line: str) -> None:
    """The number of the line comes first."""
    with pytest.raises(Unclear, match=r"^line 2: .*expected"):
        script_of(f"y\n{line}")


async def test_a_script_answers_proposals_in_their_order() -> None:
    """Words go to the proposals one after the other, pass to none, a sheet is waited for, rest goes to all others."""
    judge, typed = ScriptJudge(io.StringIO()), []

    def take(line: str) -> bool:
        typed.append(line)
        judge.typed(line)
        return line != "end"

    playing = asyncio.create_task(judge.play(script_of("n too wet\npass\nuntil 240\nhold\nrest y"), take))
    shown = [asyncio.create_task(judge.choice(whole_proposal(proposal_id=f"p-{i}"))) for i in range(4)]
    assert (await shown[0]).reason == "too wet"
    for _ in range(5):
        await asyncio.sleep(0)
    assert typed == ["n 1 too wet"]
    judge.read(239)
    judge.read(240)
    assert [(await task).card for task in shown[2:]] == [Card.APPROVE, Card.APPROVE]
    assert typed == ["n 1 too wet", "hold", "y 3", "y 4"]
    assert not shown[1].done()
    for task in (playing, shown[1]):
        task.cancel()
    await asyncio.gather(playing, shown[1], return_exceptions=True)


async def test_a_script_ends_with_its_end() -> None:
    """After end nothing is taken any more."""
    typed: list[str] = []

    def take(line: str) -> bool:
        typed.append(line)
        return False

    await ScriptJudge(io.StringIO()).play(script_of("end\nhold"), take)
    assert typed == ["end"]


@pytest.mark.parametrize("accepted", [True, False])
async def test_a_request_goes_out_and_its_answer_is_said(accepted: bool) -> None:
    """The seat sends hold in the operator's name, and says what became of it."""
    room = Room()
    room.answers = [{"accepted": accepted, "errors": []}]
    room.seat.ask("hold")
    async with asyncio.timeout(5.0):
        while not any(what == "asked" for what, _ in room.said):
            await asyncio.sleep(0)
    (topic, request), *_ = room.sent
    assert (topic, request["kind"], request["operator"]) == ("request", "hold", "op-anna")
    assert room.said[-1] == ("asked", {"kind": "hold", "accepted": accepted, "errors": []})
    await room.seat.close()
