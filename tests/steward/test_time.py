"""What time brings: silence, age, expiry, missing echoes and confirmations. Every limit at it and either side."""

from __future__ import annotations

from typing import Any

import pytest

from inksteward.events import CommandReleased, LinkChanged, Publish, Ticked, WakeAt
from inksteward.steward.codec import encode
from tests.steward.desk import TOO_DARK, Desk
from tests.steward.samples import copied, proposed_desk, ready_desk

RIGHT: dict[str, float | list[float]] = {"K": 1.6, "C": 1.4}


def reason(desk: Desk, unit: str = "u1") -> str | None:
    """Why the last reading led to no proposal."""
    return desk.told("reading")[-1]["units"][unit]["no_proposal"]


def tick(desk: Desk, after_ms: int = 0, folded: dict[str, int] | None = None) -> None:
    """Time passes and is noticed."""
    desk.now_ms += after_ms
    desk.send(Ticked(folded or {}))


@pytest.mark.parametrize(("age_ms", "silent"), [(9_999, False), (10_000, False), (10_001, True)])
def test_a_counter_that_is_silent(age_ms: int, silent: bool) -> None:
    """A counter that said nothing for more than 10 s is an alarm and no proposals; its next word ends both."""
    desk = ready_desk()
    desk.count(desk.sheet)
    desk.now_ms += age_ms
    desk.positions()
    desk.scan(TOO_DARK)
    assert ("counter_silent" in desk.alarm_codes()) is silent
    assert (reason(desk) == "no_counter") is silent
    desk.count(desk.sheet)
    assert "counter_silent" not in desk.alarm_codes()
    desk.scan(TOO_DARK)
    assert reason(desk) != "no_counter"


def test_a_counter_silent_for_long_is_one_alarm() -> None:
    """An alarm that goes on is published once, with a text that does not change."""
    desk = ready_desk()
    desk.wait(11)
    published = len(desk.told("alarm"))
    desk.wait(30)
    assert len(desk.told("alarm")) == published
    row = next(row for row in desk.state.alarms if row.code.value == "counter_silent")
    assert row.count == 1
    assert "more than 10 s" in row.text


def test_a_stopped_job_needs_no_counter() -> None:
    """Once the job is stopped a silent counter is no alarm."""
    from inksteward.bench.configuration import job
    from tests.steward.desk import RUN

    desk = ready_desk()
    desk.receive("job", job(desk.scenario, RUN, "stopped"))
    desk.wait(20)
    assert "counter_silent" not in desk.alarm_codes()


@pytest.mark.parametrize(("age_ms", "stale"), [(4_999, False), (5_000, False), (5_001, True)])
def test_positions_that_are_stale(age_ms: int, stale: bool) -> None:
    """Positions older than 5 s: alarm, no proposals, what stands lapses; fresh ones end the alarm."""
    desk, _ = proposed_desk()
    desk.positions()
    desk.now_ms += age_ms
    desk.count(desk.sheet)
    desk.scan(TOO_DARK)
    assert ("position_stale" in desk.alarm_codes()) is stale
    assert [row["code"] for row in desk.outcomes()] == (["link_lost"] if stale else [])
    assert (reason(desk) == "no_positions") is stale
    desk.positions()
    assert "position_stale" not in desk.alarm_codes()


@pytest.mark.parametrize(("age_ms", "stale"), [(5_000, False), (5_001, True)])
def test_a_decision_needs_fresh_positions(age_ms: int, stale: bool) -> None:
    """At the moment of the decision every position must be at most 5 s old; else the proposal has lapsed."""
    desk, proposal = proposed_desk()
    desk.positions()
    desk.now_ms += age_ms
    assert desk.decide(proposal)["accepted"] is not stale
    assert len(desk.moves) == (not stale)


def test_folded_positions_are_fresh() -> None:
    """Unchanged positions that the shell counted instead of passing on count as fresh at the tick that names them."""
    desk = ready_desk()
    for _ in range(10):
        tick(desk, 4_000, {"u1": 2, "u2": 0, "u9": 3})
        desk.count(desk.sheet)
    assert {row.unit for row in desk.state.alarms if row.code.value == "position_stale"} == {"u2"}
    desk.scan(TOO_DARK)
    assert reason(desk, "u2") == "no_positions"
    assert reason(desk, "u1") != "no_positions"


def test_nothing_folds_into_a_retained_position() -> None:
    """A retained copy is unknown until a live one follows, however often it is said to be unchanged."""
    from inksteward.bench.configuration import job
    from tests.steward.desk import RUN
    from tests.steward.samples import position_of

    desk = Desk().start()
    desk.receive("job", job(desk.scenario, RUN))
    desk.count(100)
    desk.receive("keys/u1/position", position_of(desk), retained=True)
    tick(desk, 1_000, {"u1": 5})
    desk.receive("job", job(desk.scenario, RUN))
    assert encode(desk.state.units["u1"].estimate) is None
    desk.positions("u1")
    assert encode(desk.state.units["u1"].estimate) is not None
    before = desk.state.units["u1"].position
    desk.receive("keys/u1/position", position_of(desk, opening_pct=[1.0] * 4), retained=True)
    assert desk.state.units["u1"].position == before, "a retained copy tells nothing once a live one came"


@pytest.mark.parametrize(("age_ms", "ended"), [(119_999, False), (120_000, True)])
def test_a_proposal_expires_by_time(age_ms: int, ended: bool) -> None:
    """A proposal stands for 120 s and not a moment longer."""
    desk, _ = proposed_desk()
    standing = desk.state.units["u1"].standing
    assert standing is not None
    while desk.now_ms + 4_000 < standing.made_mono_ms + age_ms:
        desk.now_ms += 4_000
        desk.count(desk.sheet)
        desk.positions()
    tick(desk, standing.made_mono_ms + age_ms - desk.now_ms)
    assert [row["code"] for row in desk.outcomes()] == (["expired"] if ended else [])


@pytest.mark.parametrize(("beyond", "ended"), [(0, False), (1, True)])
def test_a_proposal_expires_by_sheets(beyond: int, ended: bool) -> None:
    """A proposal stands up to its last sheet (500 on) and lapses at the next."""
    desk, proposal = proposed_desk()
    assert proposal["expires_sheet"] == desk.sheet + 500
    desk.count(proposal["expires_sheet"] + beyond)
    tick(desk)
    assert [row["code"] for row in desk.outcomes()] == (["expired"] if ended else [])


def test_sheets_between_two_words_of_the_counter_count() -> None:
    """What the press prints between two words of its counter is reckoned from its speed; standing it prints nothing."""
    for printing, ended in ((True, True), (False, False)):
        desk, proposal = proposed_desk()
        desk.count(proposal["expires_sheet"] - 2, printing=printing)
        tick(desk, 1_600)
        assert bool(desk.outcomes()) is ended


@pytest.mark.parametrize(("age_ms", "missing"), [(5_000, False), (5_001, True)])
def test_a_retained_message_that_does_not_come_back(age_ms: int, missing: bool) -> None:
    """An own retained message that the broker does not pass on within 5 s is an alarm, which its echo ends."""
    desk = Desk().start()
    sent = [effect for effect in desk.effects if isinstance(effect, Publish) and effect.topic == "press"]
    tick(desk, age_ms)
    assert ("echo_missing" in desk.alarm_codes()) is missing
    desk.receive("press", b"{}")
    assert ("echo_missing" in desk.alarm_codes()) is missing, "only the same bytes are an echo"
    desk.receive("press", sent[-1].payload, retained=True)
    tick(desk, 10_000)
    assert "echo_missing" not in desk.alarm_codes()


def test_every_echo_is_waited_for() -> None:
    """The alarm lasts until the last of several messages has come back."""
    desk, _ = proposed_desk()
    sent = {effect.topic: effect for effect in desk.effects if isinstance(effect, Publish) and effect.retain}
    desk.now_ms += 1
    desk.positions()
    tick(desk, 5_000)
    assert "echo_missing" in desk.alarm_codes()
    for topic in ("press", "reading"):
        desk.receive(topic, sent[topic].payload)
        assert "echo_missing" in desk.alarm_codes()
    desk.receive("proposal/u1", sent["proposal/u1"].payload)
    assert "echo_missing" not in desk.alarm_codes()


def test_no_echo_is_expected_without_a_broker() -> None:
    """While the broker is away nothing can come back; once it is there again the five seconds begin anew."""
    desk = Desk().start()
    desk.send(LinkChanged("broker", False, "cable"))
    tick(desk, 20_000)
    desk.send(LinkChanged("broker", True))
    tick(desk, 5_000)
    assert "echo_missing" not in desk.alarm_codes()
    tick(desk, 1)
    assert "echo_missing" in desk.alarm_codes()


def test_the_status_comes_every_ten_seconds() -> None:
    """Status is published on change and every 10 s, with what the service is at."""
    desk = ready_desk()
    desk.request("release")
    before = len(desk.told("status"))
    for after_ms, count in ((9_999, 0), (1, 1), (9_999, 1), (1, 2)):
        tick(desk, after_ms)
        assert len(desk.told("status")) == before + count
    status = desk.told("status")[-1]
    assert (status["state"], status["instance"], status["bench"]) == ("online", "one", True)
    assert (status["run_id"], status["phase"]) == ("run-1", "makeready")
    assert status["journal"] == {"seq": desk.seq - 1, "head": f"{desk.seq:064x}"}


def test_every_tick_asks_for_the_next() -> None:
    """Start and every tick ask to be woken a second later at the latest."""
    desk = ready_desk()
    tick(desk)
    wakes = [effect.mono_ns for effect in desk.effects if isinstance(effect, WakeAt)]
    assert wakes[-1] == (desk.now_ms + 1_000) * 1_000_000


def released(desk: Desk, proposal: dict[str, Any]) -> dict[str, Any]:
    """The proposal approved and its command released; the command."""
    desk.decide(proposal)
    desk.send(CommandReleased(desk.moves[-1]["command_id"], "u1"))
    return desk.moves[-1]


def test_confirmation_takes_twice_the_travel_time_and_five_seconds() -> None:
    """A released command that read-back does not confirm in time is failed: fate unknown, unit suspended, alarm."""
    desk, proposal = proposed_desk()
    command = released(desk, proposal)
    longest = max(abs(row["to_pct"] - row["from_pct"]) for row in command["targets"])
    assert desk.state.config is not None
    unit = desk.state.config.press.units[0]
    turns = min(len(command["targets"]), -(-unit.zones // unit.keys_at_once))
    allowed_ms = 5_000 + 2 * longest / 100.0 * unit.full_travel_s * turns * 1000.0
    deadline = desk.now_ms + int(allowed_ms) + (allowed_ms > int(allowed_ms))
    desk.count(desk.sheet)
    desk.positions()
    for at_ms, ended in ((deadline - 1, False), (deadline, True)):
        ahead = copied(desk)
        tick(ahead, at_ms - ahead.now_ms)
        assert [row["code"] for row in ahead.outcomes()] == (["fate_unknown"] if ended else [])
        assert ("fate_unknown" in ahead.alarm_codes()) is ended
        assert (ahead.state.units["u1"].suspended is not None) is ended


def test_an_approved_move_that_is_never_released_ends() -> None:
    """What the guard neither releases nor refuses in time is refused, with an alarm, and cannot go out any more."""
    desk, proposal = proposed_desk()
    desk.decide(proposal)
    desk.wait(30, alive=True)
    (outcome,) = desk.outcomes()
    assert (outcome["result"], outcome["code"], outcome["moved"]) == ("refused", "not_released", [])
    rows = [row for row in desk.state.alarms if row.code.value == "move_failed"]
    assert [(row.count, row.latched) for row in rows] == [(1, True)]
    desk.send(CommandReleased(desk.moves[-1]["command_id"], "u1"))
    assert desk.state.units["u1"].pending is None
    assert desk.state.units["u1"].suspended is None
