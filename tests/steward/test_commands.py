"""Between approval and confirmation: holds, time and hands in between, and commands whose fate nobody knows."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from inksteward.bench.configuration import KEYS_AT_ONCE
from inksteward.events import CommandEnded, CommandReleased, Ended, Ticked
from inksteward.steward.codec import encode
from inksteward.steward.feed import unresolved
from inksteward_simulators.key_cabinet import parser
from tests.guard_kit import UNIT
from tests.steward.desk import TOO_DARK, Desk
from tests.steward.samples import copied, fields, proposed_desk


def approved() -> tuple[Desk, dict[str, Any]]:
    """A desk with an approved move that the guard has not released yet, and its command."""
    desk, proposal = proposed_desk()
    desk.decide(proposal)
    return desk, desk.moves[-1]


def released(desk: Desk) -> bool:
    """Release the last command; whether it is on its way."""
    desk.send(CommandReleased(desk.moves[-1]["command_id"], desk.moves[-1]["unit"]))
    pending = desk.state.units[desk.moves[-1]["unit"]].pending
    return pending is not None and pending.released


def ends(desk: Desk) -> list[tuple[str, str | None]]:
    """How proposals ended."""
    return [(row["result"], row["code"]) for row in desk.outcomes()]


def test_a_hold_stops_what_is_not_released() -> None:
    """What was approved and has not gone out when an operator asks for a hold is refused and never goes out."""
    desk, _ = approved()
    desk.request("hold")
    assert ends(desk) == [("refused", "not_released")]
    assert "held by op-anna" in desk.outcomes()[-1]["refusals"][0]["text"]
    assert not released(desk)
    desk.request("release")
    assert not released(desk)
    assert len(ends(desk)) == 1


def test_another_instance_stops_what_is_not_released() -> None:
    """A hold for any other reason between approval and release refuses the release."""
    desk, _ = approved()
    desk.receive("status", {"state": "online", "instance": "two"})
    assert not released(desk)
    assert ends(desk) == [("refused", "not_released")]


@pytest.mark.parametrize(("late_ms", "goes"), [(-1, True), (0, False), (1, False)])
def test_a_release_that_comes_too_late(late_ms: int, goes: bool) -> None:
    """A command that is not released within its time does not go out any more."""
    desk, _ = approved()
    pending = desk.state.units["u1"].pending
    assert pending is not None
    desk.now_ms = pending.deadline_mono_ms + late_ms
    desk.count(desk.sheet)
    state = desk.state.units["u1"]
    assert state.position is not None
    fresh = replace(state, position=replace(state.position, mono_ms=desk.now_ms))
    desk.state = replace(desk.state, units={**desk.state.units, "u1": fresh})
    assert released(desk) is goes
    assert ends(desk) == ([] if goes else [("refused", "not_released")])


@pytest.mark.parametrize(("by_pct", "goes"), [(0.5, True), (0.501, False), (-0.501, False)])
def test_a_key_turned_between_approval_and_release(by_pct: float, goes: bool) -> None:
    """A commanded key that left its place by more than the command's tolerance (0.5 %) refuses the release."""
    desk, command = approved()
    zone = command["targets"][0]["zone"]
    desk.opening["u1"][zone - 1] += by_pct
    desk.positions("u1")
    assert released(desk) is goes
    assert ends(desk) == ([] if goes else [("refused", "position_changed")])


def test_a_key_that_lost_itself_between_approval_and_release() -> None:
    """The interlock is asked once more with what is known at the release."""
    desk, _ = approved()
    desk.positions("u1", referenced=[False] * 4)
    assert not released(desk)
    ((result, code),) = ends(desk)
    assert result == "refused"
    assert code not in {None, "not_released", "position_changed"}


def lost(desk: Desk) -> None:
    """The last command was released and nobody knows what became of it."""
    assert released(desk)
    desk.send(CommandEnded(desk.moves[-1]["command_id"], "u1", Ended.FATE_UNKNOWN, "cable"))


def test_an_unknown_fate_counts_until_the_command_is_spent() -> None:
    """A command of unknown fate cannot be acknowledged before nothing can carry it out any more and the keys were read
    back after that; until then its targets count for the interlock."""
    desk, command = approved()
    lost(desk)
    spent = desk.state.units["u1"].unresolved[0].spent_mono_ms
    assert desk.state.config is not None
    drive_s = desk.state.config.press.units[0].drive_s(len(command["targets"]))
    assert spent == desk.now_ms + command["valid_s"] * 1000 + round(drive_s * 1000)
    assert len(unresolved(desk.state.units["u1"])) == 1
    for at_ms, read_back, accepted in (
        (spent, True, False),
        (spent + 1, False, False),
        (spent + 1, True, True),
    ):
        ahead = copied(desk)
        ahead.now_ms = at_ms
        ahead.count(ahead.sheet)
        if read_back:
            ahead.positions()
        answer = ahead.request("acknowledge", code="fate_unknown", unit="u1")
        assert answer["accepted"] is accepted, (at_ms, read_back)
        assert accepted or "try again in 1 s" in answer["errors"][0]["expected"]
        assert (ahead.state.units["u1"].suspended is None) is accepted
        assert len(unresolved(ahead.state.units["u1"])) == (not accepted)


def test_how_long_an_unknown_fate_still_counts_is_told() -> None:
    """Whoever acknowledges too early is told the seconds that are left."""
    desk, _ = approved()
    lost(desk)
    spent = desk.state.units["u1"].unresolved[0].spent_mono_ms
    desk.now_ms = spent - 2_500
    assert "try again in 3 s" in desk.request("acknowledge", code="fate_unknown")["errors"][0]["expected"]
    desk.now_ms = spent - 2_000
    assert "try again in 3 s" in desk.request("acknowledge", code="fate_unknown")["errors"][0]["expected"]


@pytest.mark.parametrize("now_ms", [None, 1_000])
def test_an_unknown_fate_after_a_restart(now_ms: int | None) -> None:
    """A restart with a command on its way leaves its fate unknown; on a clock that began anew it is spent as soon as if
    it had been released just then, not days later."""
    desk, command = approved()
    assert released(desk)
    snapshot = encode(desk.state)
    desk.now_ms = desk.now_ms + 1_000 if now_ms is None else now_ms
    began = desk.now_ms
    desk.start(instance="two", snapshot=snapshot)
    assert ends(desk) == [("failed", "fate_unknown")]
    assert desk.state.config is not None
    drive_s = desk.state.config.press.units[0].drive_s(len(command["targets"]))
    full = command["valid_s"] * 1000 + round(drive_s * 1000)
    spent = desk.state.units["u1"].unresolved[0].spent_mono_ms
    assert spent - began == (full if now_ms else full - 1_000)
    for _ in range(20):
        desk.now_ms += 1000
        desk.count(desk.sheet)
        desk.positions()
    assert desk.request("acknowledge", code="fate_unknown", unit="u1")["accepted"]
    desk.propose()


def test_a_unit_goes_on_when_its_last_alarm_is_acknowledged() -> None:
    """A unit with two alarms of failed moves is suspended until both are acknowledged."""
    desk, _ = approved()
    lost(desk)
    desk.wait(20, alive=True)
    desk.state = replace(
        desk.state,
        alarms=(
            *desk.state.alarms,
            replace(desk.state.alarms[-1], code=type(desk.state.alarms[-1].code).MOVE_FAILED),
        ),
    )
    assert desk.request("acknowledge", code="fate_unknown", unit="u1")["accepted"]
    assert desk.state.units["u1"].suspended is not None
    assert desk.request("acknowledge", code="move_failed", unit="u1")["accepted"]
    assert desk.state.units["u1"].suspended is None


def test_an_alarm_of_a_unit_that_is_gone_can_be_acknowledged() -> None:
    """An alarm of a unit that is no longer configured ends by acknowledgement like any other."""
    desk, _ = approved()
    lost(desk)
    desk.scenario = desk.scenario.model_copy(update={"units": desk.scenario.units[1:]})
    desk.start(instance="two", snapshot=encode(desk.state))
    assert "fate_unknown" in desk.alarm_codes()
    assert desk.request("acknowledge", code="fate_unknown", unit="u1")["accepted"]
    assert "fate_unknown" not in desk.alarm_codes()


def test_a_key_changed_to_stay_where_it_is_turns_nothing() -> None:
    """A row that an operator sets to where its key stands is commanded and confirmed, and counts as no turn."""
    desk, proposal = proposed_desk()
    first = proposal["moves"][0]
    assert desk.decide(proposal, change=[{"zone": first["zone"], "to_pct": first["from_pct"]}])["accepted"]
    desk.carry_out()
    assert ends(desk) == [("moved", None)]
    turns = desk.state.units["u1"].turns
    assert turns[first["zone"] - 1] == ()
    assert all(turns[row["zone"] - 1] for row in proposal["moves"][1:])


def test_an_operators_hold_outlives_a_restart() -> None:
    """A press that an operator put on hold stays on hold when the service starts again; another instance's hold does
    not, since that instance is seen anew."""
    for topic, data, held in (
        ("request", {"request_id": "r-h", "kind": "hold", "operator": "op-anna"}, True),
        ("status", {"state": "online", "instance": "three"}, False),
    ):
        desk, _ = proposed_desk()
        desk.receive(topic, data)
        desk.start(instance="two", snapshot=encode(desk.state))
        assert bool(desk.state.holding) is held
        assert desk.told("status")[-1]["state"] == ("holding" if held else "online")


def test_an_opening_may_stand_while_the_press_does() -> None:
    """What was asked for before printing is not lapsed by the press standing, a scan's proposal is."""
    desk, _ = proposed_desk()
    desk.count(desk.sheet, printing=False)
    assert desk.request("opening", unit="u2")["accepted"] or fields(desk.answer())
    stands = {name for name, unit in desk.state.units.items() if unit.standing}
    for _ in range(62):
        desk.now_ms += 1000
        desk.count(desk.sheet, printing=False)
        desk.positions()
        desk.send(Ticked({}))
    assert {row["unit"] for row in desk.outcomes()} == {"u1"}
    assert {name for name, unit in desk.state.units.items() if unit.standing} == stands - {"u1"}
    desk.scan(TOO_DARK)


@pytest.mark.parametrize(
    ("zones", "at_once", "keys", "turns"),
    [
        (32, 32, 32, 1),
        (32, 48, 32, 1),
        (32, 8, 32, 4),
        (32, 8, 2, 2),
        (32, 8, 0, 1),
        (33, 8, 33, 5),
        (32, 1, 7, 7),
    ],
)
def test_time_of_a_cabinet_that_drives_its_keys_in_groups(
    zones: int, at_once: int, keys: int, turns: int
) -> None:
    """One travel for each group that may have to run after another: 32 keys, 8 at a time, are four travels."""
    unit = replace(UNIT, zones=zones, keys_at_once=at_once)
    assert unit.drive_s(keys) == turns * unit.full_travel_s


def test_the_bench_believes_what_its_cabinet_does() -> None:
    """The configuration of the bench has the groups of the simulated cabinet."""
    assert parser().parse_args(["--link", "1"]).group == KEYS_AT_ONCE
