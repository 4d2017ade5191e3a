"""People in a scenario: what can be said of them, what they do by seed, and the operator's process that acts them."""

import asyncio
import contextlib
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from inksteward_simulators.link import BenchLink, LinkServer
from inksteward_simulators.operator_deck import Card
from inksteward_simulators.operator_fate import Fate, People, Way, turned
from inksteward_simulators.operator_form import HandMove, Operator
from inksteward_simulators.operator_judges import DeckJudge
from inksteward_simulators.operator_people import PeopleJudge, hands_of, judge_of, turn_keys
from inksteward_simulators.press.desk import PressDesk
from inksteward_simulators.press.press import Press
from inksteward_simulators.scenario import ScenarioError, load_scenario, scenario_from_toml
from tests.simulators.operator_room import Room, sealed
from tests.simulators.processes import simulator
from tests.simulators.test_operator_process import service

MAKEREADY = load_scenario("makeready")


def people_with(seed: int = 3, usual_sheets: float = 20.0, **words: Any) -> People:
    """The people of a makeready with this operator."""
    return People(MAKEREADY, Operator.model_validate(words), seed, usual_sheets)


def told(text: str) -> str:
    """What is said of a scenario with this [operator]."""
    with pytest.raises(ScenarioError) as raised:
        scenario_from_toml(f'base = "makeready"\n[operator]\n{text}\n')
    return str(raised.value)


HAND = '[[operator.hand]]\nunit = "u2"\nzone = 7\nby_pct = 3.0\nat_sheet = 100\n'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("reject_share = 1.1", "operator.reject_share = 1.1: Input should be less than or equal to 1"),
        ("decision_s = 0.0", "operator.decision_s = 0.0: Input should be greater than 0"),
        ("decision_s = 5\ndecision_sheets = 9", "decision_sheets = 9: expected none beside decision_s = 5"),
        ("reject_share = 0.6\npart_share = 0.5", "reject_share + part_share + late_share = 1.1: expected at most 1"),
        ("late_sheets = [90, 70]", "late_sheets = [90, 70]: expected two numbers above 0, the lower one first"),
        ("late_sheets = [0, 70]", "late_sheets = [0, 70]: expected two numbers above 0"),
        ("mood = 1", "operator.mood = 1: Extra inputs are not permitted"),
        (HAND.replace("u2", "u9"), "operator.hand.0.unit = 'u9': expected one of u1, u2, u3, u4"),
        (HAND.replace("7", "33"), "operator.hand.0.zone = 33: expected 1 to 32"),
        (HAND.replace("3.0", "0.0"), "by_pct = 0.0: expected points of travel other than 0"),
        (HAND + "until_sheet = 200", "until_sheet = 200: expected every_sheets with it"),
        (HAND + "every_sheets = 50\nuntil_sheet = 100", "until_sheet = 100: expected more than at_sheet = 100"),
        (HAND + "every_sheets = 9", "operator.hand.0.every_sheets = 9: Input should be greater than or equal to 10"),
    ],
)  # fmt: skip
def test_what_cannot_be_said_of_people(text: str, words: str) -> None:
    """A value that no operator can have is refused with its field, itself and what was expected."""
    assert words in told(text)


@pytest.mark.parametrize(
    ("words", "sheets"),
    [({}, {100}), ({"every_sheets": 50}, {100, 150, 200}), ({"every_sheets": 50, "until_sheet": 200}, {100, 150})],
)  # fmt: skip
def test_when_a_hand_moves(words: dict[str, int], sheets: set[int]) -> None:
    """Once at its sheet, or every so many from there on, before the sheet at which it stops; never twice."""
    move = HandMove.model_validate({"unit": "u2", "zone": 7, "by_pct": 3.0, "at_sheet": 100} | words)
    assert {sheet for sheet in range(230) if move.times(sheet - 1, sheet)} == sheets
    assert move.times(-1, 229) == len(sheets)


def test_hands_add_up_and_stop_at_the_ends() -> None:
    """Two moves of one key within one look are made as one; no key goes beyond its travel."""
    moves = [{"unit": "u2", "zone": 7, "by_pct": by, "at_sheet": 10} for by in (3.0, -1.0)]
    assert people_with(hand=moves).hands(9, 10) == {"u2": {7: 2.0}}
    assert people_with(hand=moves).hands(10, 500) == {}
    assert [turned(98.0, 3.0), turned(2.0, -3.0), turned(40.0, -3.0)] == [100.0, 0.0, 37.0]


def test_shares_are_met() -> None:
    """Over many proposals each kind of decision has its share, and half of the decisions take less than the median."""
    people = people_with(
        decision_s=20.0, reject_share=0.4, part_share=0.2, late_share=0.1, late_sheets=(300, 400)
    )
    fates = [people.fate("u2", sheet) for sheet in range(4000)]
    ways = Counter(fate.way for fate in fates)
    shares = {way: ways[way] / len(fates) for way in Way}
    wanted = {Way.REJECT: 0.4, Way.PART: 0.2, Way.LATE: 0.1, Way.APPROVE: 0.3}
    assert shares == pytest.approx(wanted, abs=0.03)
    usual = [fate.sheets for fate in fates if fate.way is not Way.LATE]
    assert sum(sheets < 50 for sheets in usual) / len(usual) == pytest.approx(0.5, abs=0.03)
    late = [fate.sheets for fate in fates if fate.way is Way.LATE]
    assert min(late) >= 300
    assert max(late) <= 400


def test_the_draw_belongs_to_seed_unit_and_sheet() -> None:
    """The same person is met whoever asks and in whatever order; other shares leave the time of a decision alone."""
    one, again = people_with(reject_share=0.5), people_with(reject_share=0.5)
    asked = [("u1", 64), ("u2", 64), ("u1", 124)]
    found = {key: one.fate(*key) for key in asked}
    assert {key: again.fate(*key) for key in reversed(asked)} == found
    assert len({fate.moods for fate in found.values()}) == 3
    assert people_with(4, reject_share=0.5).fate("u1", 64) != found["u1", 64]
    timed = [people_with(decision_sheets=30.0, reject_share=share).fate("u1", 64) for share in (0.0, 1.0)]
    assert timed[0].sheets == timed[1].sheets
    assert [fate.way for fate in timed] == [Way.APPROVE, Way.REJECT]
    with pytest.raises(ValueError, match="unit = 'u9': expected one of u1"):
        one.fate("u9", 64)


def test_time_where_the_scenario_does_not_say() -> None:
    """Without a time of its own a decision takes as long as whoever runs the scenario says, each time."""
    assert {people_with(usual_sheets=33.0).fate("u1", sheet).sheets for sheet in range(50)} == {33}


@pytest.mark.parametrize(
    ("moods", "zones", "left"),
    [
        ((0.1, 0.6, 0.2, 0.9), (1, 2, 3, 4), (1, 3)),
        ((0.7, 0.6, 0.9, 0.9), (1, 2, 3, 4), (2,)),
        ((0.1, 0.2, 0.3, 0.4), (1, 2, 3, 4), (1, 2, 3)),
        ((0.1, 0.2, 0.3, 0.4), (2, 4), (2,)),
        ((0.1, 0.2, 0.3, 0.4), (2,), ()),
    ],
)
def test_which_moves_are_left_out(
    moods: tuple[float, ...], zones: tuple[int, ...], left: tuple[int, ...]
) -> None:
    """Moves of zones whose number lies below the share are left out: at least one of two, never all, none of one."""
    assert Fate(Way.PART, 20, moods, 0.5).left_out(zones) == left
    assert Fate(Way.APPROVE, 20, moods, 0.5).left_out(zones) == ()


async def test_the_process_decides_by_the_scenario() -> None:
    """A rejecting, a partial and a plain person send what the scenario says of them."""
    for people, verdict, left in (
        (people_with(reject_share=1.0), "reject", False),
        (people_with(part_share=1.0), "approve", True),
        (people_with(), "approve", False),
    ):
        room = Room()
        room.seat.judge = PeopleJudge(people, 0.0)
        await room.hear("proposal/u2", two_moves())
        await room.settle()
        [(_, decision)] = room.sent
        assert (decision["verdict"], bool(decision["leave"])) == (verdict, left)


async def test_a_late_decision_is_sent_all_the_same() -> None:
    """A person who is late decides on a proposal that has ended; one who is not lets it go."""
    for share, words in ((1.0, ["approve"]), (0.0, [])):
        room = Room()
        judge = PeopleJudge(people_with(late_share=share, late_sheets=(40, 41)), 0.001)
        room.seat.judge, room.seat.insists = judge, judge.insists
        gone = {"accepted": False, "errors": [], "stands": None}
        room.answers = [gone, gone]
        await room.hear("proposal/u2", two_moves())
        await room.settle()
        await room.hear("proposal/u2", None)
        await asyncio.sleep(0.1)
        assert [decision["verdict"] for _, decision in room.sent] == words
        await room.seat.close()


async def test_hands_at_the_press_over_the_link() -> None:
    """The process turns the key at its sheet from where it reads, once, and says so; the press has it."""
    people = people_with(hand=[{"unit": "u2", "zone": 7, "by_pct": 3.0, "at_sheet": 10}])
    press = Press(MAKEREADY, seed=1)
    server, said = LinkServer(PressDesk(press, 0.0).handlers), asyncio.Event()
    port = await server.start()
    before = float(press.unit("u2").keys.opening_pct()[6])
    async with await BenchLink.connect(port) as link:
        work = asyncio.create_task(turn_keys(people, "127.0.0.1", port, lambda *_, **__: said.set()))
        await link.advance(sheets=9)
        await asyncio.sleep(0.3)
        assert not said.is_set()
        await link.advance(sheets=5)
        async with asyncio.timeout(5.0):
            await said.wait()
        await link.advance(sheets=20)
        assert (await link.positions("u2")).opening_pct[6] == pytest.approx(before + 3.0, abs=0.051)
        work.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await work
    await server.close()


@pytest.mark.broker
async def test_the_process_on_a_broker(mosquitto: str, tmp_path: Path) -> None:
    """Started with a scenario the operator decides as its people do; hands without a way to the press end it with 2."""
    scenario = tmp_path / "rejecting.toml"
    scenario.write_text('base = "makeready"\n[operator]\ndecision_s = 0.1\nreject_share = 1.0\n')
    async with service(mosquitto) as there:
        words = ("--broker", mosquitto, "--press", there.press, "--operator", "op-anna", "--no-ok-sheet")
        async with simulator("operator", *words, "--scenario", scenario) as process:
            await process.ready()
            await there.publish("proposal/u2", two_moves())
            topic, decision = await there.next()
            assert (topic, decision["verdict"], decision["reason"]) == ("decision", "reject", "not now")
        async with simulator("operator", *words, "--scenario", "hand-moves") as process:
            assert await process.ended() == 2
            assert "--link = None: expected the bench link" in await process.errors()


def test_who_decides_in_a_scenario() -> None:
    """A scenario without people, or none, has the deck; hands need a way to the press and are asked for it."""
    assert isinstance(judge_of(None, 1, (1.0, 2.0)), DeckJudge)
    assert isinstance(judge_of("makeready", 1, (1.0, 2.0)), DeckJudge)
    judge = judge_of("hand-moves", 1, (1.0, 2.0))
    assert isinstance(judge, PeopleJudge)
    with pytest.raises(ValueError, match="--link = None: expected the bench link, press-hand-moves"):
        hands_of(judge, None, print)
    assert hands_of(judge_of("slow-operator", 1, (1.0, 2.0)), None, print) == []
    assert judge_of("slow-operator", 1, (1.0, 2.0)) is not judge


def two_moves() -> dict[str, Any]:
    """A proposal that moves two keys."""
    row = sealed()["moves"][0]
    return sealed(moves=[row, row | {"zone": row["zone"] + 1}])


def test_cards_of_people() -> None:
    """What a person does is named as the deck names it, so that a log reads alike."""
    judge = PeopleJudge(people_with(part_share=1.0), 0.0)
    assert asyncio.run(judge.choice(two_moves())).card is Card.LEAVE
