"""Started again: what lapses, what is unknown, what is kept, on the same clock and on one that began anew."""

from __future__ import annotations

from typing import Any

import pytest

from inksteward.approval import Life
from inksteward.events import (
    CommandEnded,
    CommandReleased,
    Ended,
    LinkChanged,
    OperatorsChanged,
    Publish,
    WakeAt,
)
from inksteward.steward.codec import encode
from inksteward.steward.ending import Impossible, end, lapse, must
from inksteward.steward.turn import Turn
from tests.steward.desk import OPERATOR, TOO_DARK, Desk, two_units
from tests.steward.samples import decision_on, fields, job_of, proposed_desk, ready_desk, refused

RIGHT: dict[str, float | list[float]] = {"K": 1.6, "C": 1.4}


def again(desk: Desk, *, now_ms: int | None = None, **changes: Any) -> Desk:
    """The service starts again over the desk's state; ``now_ms``: a clock that began anew."""
    snapshot = encode(desk.state)
    desk.now_ms = desk.now_ms + 30_000 if now_ms is None else now_ms
    return desk.start(instance="two", snapshot=snapshot, **changes)


@pytest.mark.parametrize("now_ms", [None, 1_000])
def test_what_was_approved_and_not_released_never_goes_out(now_ms: int | None) -> None:
    """An approved move whose command was not released lapses at a restart; late news of it changes nothing."""
    desk, proposal = proposed_desk()
    desk.decide(proposal)
    command = desk.moves[-1]["command_id"]
    again(desk, now_ms=now_ms)
    (outcome,) = desk.outcomes()
    assert (outcome["result"], outcome["code"], outcome["operator"]) == ("lapsed", "restart", "op-anna")
    assert desk.told("proposal/u1")[-1] is None
    desk.send(CommandReleased(command, "u1"))
    desk.send(CommandEnded(command, "u1", Ended.DONE))
    assert len(desk.outcomes()) == 1
    assert desk.state.units["u1"].pending is None


@pytest.mark.parametrize("now_ms", [None, 1_000])
def test_positions_and_counter_are_unknown_until_they_come_live(now_ms: int | None) -> None:
    """After a restart nothing is proposed by what was known before: counter and positions must come anew, even when the
    clock began anew and makes them look young."""
    desk = again(ready_desk(), now_ms=now_ms)
    desk.scan(TOO_DARK)
    assert desk.told("reading")[-1]["units"]["u1"]["no_proposal"] == "no_counter"
    desk.count(desk.sheet)
    desk.scan(TOO_DARK)
    assert desk.told("reading")[-1]["units"]["u1"]["no_proposal"] == "no_positions"
    desk.positions()
    desk.propose()


@pytest.mark.parametrize(("waited_ms", "silent"), [(10_000, False), (10_001, True)])
def test_the_counters_silence_is_reckoned_from_the_restart(waited_ms: int, silent: bool) -> None:
    """A counter that does not come within 10 s of a restart is an alarm, not before."""
    desk = again(ready_desk(), now_ms=1_000)
    desk.wait(waited_ms / 1000.0, tick_s=waited_ms / 1000.0)
    assert ("counter_silent" in desk.alarm_codes()) is silent


def test_the_run_goes_on_after_a_restart() -> None:
    """Run, aims of the OK sheet, film models, stored settings and ids that were answered survive."""
    desk = ready_desk()
    desk.request("ok_sheet", scan_id=desk.scan(RIGHT, "s-ok"))
    desk.receive(
        "decision", {**decision_on({"proposal_id": "p-0", "digest": "sha256:" + "0" * 64}), "operator": "x"}
    )
    before = desk.state
    again(desk)
    after = desk.state
    assert before.run is not None
    assert after.run is not None
    assert (after.run.phase, after.run.ok_scan_id) == (before.run.phase, "s-ok")
    assert after.settings == before.settings
    assert after.answers == before.answers
    for name, unit in after.units.items():
        assert unit.aim == before.units[name].aim
        assert encode(unit.estimate) == encode(before.units[name].estimate)
    sent = len(desk.told("reading"))
    desk.scan(RIGHT, "s-ok")
    assert len(desk.told("reading")) == sent
    assert desk.told("status")[-1]["phase"] == "run"


def test_a_stop_during_which_the_service_ended_counts_as_a_long_one() -> None:
    """Nobody watched: after a restart in the middle of a stop the first 60 sheets are not acted on."""
    desk = ready_desk()
    desk.count(desk.sheet, printing=False)
    again(desk, now_ms=1_000)
    desk.count(desk.sheet)
    assert desk.state.run is not None
    assert desk.state.run.quiet_until == desk.sheet + 60


def test_a_unit_that_the_configuration_lost_ends_what_it_had() -> None:
    """A unit that is no longer configured has its proposal's outcome all the same."""
    desk, proposal = proposed_desk()
    desk.scenario = desk.scenario.model_copy(update={"units": desk.scenario.units[1:]})
    again(desk)
    assert [(row["proposal_id"], row["code"]) for row in desk.outcomes()] == [
        (proposal["proposal_id"], "restart")
    ]
    assert set(desk.state.units) == {"u2"}
    assert [row["unit"] for row in desk.told("press")[-1]["units"]] == ["u2"]


def test_a_unit_with_another_number_of_zones_begins_anew() -> None:
    """What was learned of other zones is not taken for these; a suspended unit stays suspended."""
    desk, proposal = proposed_desk()
    desk.decide(proposal)
    desk.send(CommandReleased(desk.moves[-1]["command_id"], "u1"))
    desk.scenario = two_units(5)
    desk.opening = {unit.unit: [30.0] * 5 for unit in desk.scenario.units}
    again(desk)
    state = desk.state.units["u1"]
    assert (state.estimate, state.position, state.aim) == (None, None, None)
    assert state.suspended is not None
    desk.count(desk.sheet)
    desk.positions()
    desk.scan(RIGHT)
    assert desk.told("reading")[-1]["units"] == {}
    desk.receive("job", job_of(desk))
    desk.scan(RIGHT)
    assert desk.told("reading")[-1]["units"]["u1"]["no_proposal"] == "suspended"


def test_a_unit_that_the_configuration_gained_begins_empty() -> None:
    """A unit that is newly configured has nothing yet."""
    desk = Desk(two_units().model_copy(update={"units": two_units().units[:1]})).ready()
    desk.scenario = two_units()
    desk.__post_init__()
    again(desk)
    assert desk.state.units["u2"].aim is None


def test_the_first_start_knows_nothing() -> None:
    """Without a snapshot the service starts empty, tells press, alarms and status, and asks to be woken."""
    desk = Desk().start()
    assert desk.state.run is None
    topics = [topic for topic, _ in desk.sent]
    assert topics[:3] == ["press", "alarm", "status"]
    status = desk.told("status")[0]
    assert (status["run_id"], status["phase"], status["journal"]["seq"]) == (None, None, 0)


def test_what_is_retained() -> None:
    """Press, status, alarms, readings and proposals are retained; answers and outcomes are not."""
    desk, proposal = proposed_desk()
    desk.decide(proposal, verdict="reject")
    kept = {effect.topic: effect.retain for effect in desk.effects if isinstance(effect, Publish)}
    assert kept == {
        **dict.fromkeys(("press", "status", "alarm", "reading", "proposal/u1"), True),
        **dict.fromkeys(("answer", "outcome"), False),
    }


def test_every_start_asks_to_be_woken() -> None:
    """From the start on the core asks for a tick a second later."""
    desk = again(ready_desk())
    started = desk.now_ms
    wakes = [effect.mono_ns for effect in desk.effects if isinstance(effect, WakeAt)]
    assert wakes[-1] == (started + 1_000) * 1_000_000


def test_a_new_file_of_the_same_life_changes_nothing() -> None:
    """When a new journal file begins, holds, links, counter, positions and the time of the start go on as they were."""
    desk = ready_desk()
    desk.receive("status", {"state": "online", "instance": "two"})
    desk.send(LinkChanged("keys", False, "cable"))
    before = desk.state
    desk.now_ms += 1_000
    desk.start(instance="one", snapshot=encode(desk.state))
    after = desk.state
    assert (after.holding, after.links, after.since) == (
        before.holding,
        {**before.links, "broker": True},
        before.since,
    )
    assert after.run == before.run
    assert {name: unit.position for name, unit in after.units.items()} == {
        name: unit.position for name, unit in before.units.items()
    }
    fresh = Desk().start(instance="one", snapshot=None)
    assert fresh.state.holding is None


def test_positions_alone_tell_of_other_zones() -> None:
    """A unit that no job has named yet is begun anew as well when its number of zones changed."""
    desk = Desk().start()
    desk.positions()
    assert desk.state.units["u1"].position is not None
    desk.scenario = two_units(5)
    again(desk)
    assert desk.state.units["u1"].position is None


def test_unsigned_is_told_in_the_status() -> None:
    """``bench`` is true only where decisions may come unsigned."""
    assert Desk().start().told("status")[-1]["bench"] is True
    off = Desk(sections={"approval": {"unsigned": "never"}}).start()
    assert off.told("status")[-1]["bench"] is False


def test_operators_come_with_every_start_and_every_change() -> None:
    """Who may decide is what the last start or change of the operators file said."""
    desk, proposal = proposed_desk()
    desk.send(OperatorsChanged(({**OPERATOR, "revoked": True},)))
    assert fields(refused(desk, "decision", decision_on(proposal))) == ["operator"]
    desk.send(OperatorsChanged((OPERATOR,)))
    assert desk.decide(proposal)["accepted"]


def turn_of(desk: Desk) -> Turn:
    """A step at work on the desk's state."""
    from inksteward.events import Stamp

    return Turn(desk.state, Stamp(desk.seq + 1, desk.now_ms, desk.now_ms * 1_000_000, "00"))


def test_what_the_table_of_states_forbids_is_a_fault_of_ours() -> None:
    """Ending what does not stand, or in a way that its state does not allow, raises instead of telling a tale."""
    desk, _ = proposed_desk()
    with pytest.raises(Impossible, match="u2: no proposal to end"):
        end(turn_of(desk), "u2", Life.REJECT)
    with pytest.raises(Impossible, match="confirmed is not possible: the proposal is standing"):
        end(turn_of(desk), "u1", Life.CONFIRMED)
    with pytest.raises(Impossible, match="approve does not end a proposal"):
        end(turn_of(desk), "u1", Life.APPROVE)
    standing = desk.state.units["u1"].standing
    assert standing is not None
    with pytest.raises(Impossible, match="released is not possible"):
        must(standing.life, Life.RELEASED)


def test_ended_proposals_of_long_ago_are_forgotten() -> None:
    """The last 2,000 ended proposals are remembered, no more: the state cannot grow without end."""
    from dataclasses import replace

    from inksteward.contract.codes import Lapse

    desk, proposal = proposed_desk()
    desk.state = replace(desk.state, ended={f"p-{number}": "u1" for number in range(2000)})
    turn = turn_of(desk)
    lapse(turn, "u1", Lapse.EXPIRED)
    assert len(turn.state.ended) == 2000
    assert "p-0" not in turn.state.ended
    assert proposal["proposal_id"] in turn.state.ended
