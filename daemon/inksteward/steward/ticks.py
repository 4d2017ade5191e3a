"""What time brings: ages, expiry, missing confirmations and echoes, stops."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import datetime

from inksteward.approval import State as ProposalState
from inksteward.contract.base import FieldError, Refused, decode
from inksteward.contract.codes import Alarm, Lapse, Origin, Phase
from inksteward.contract.inputs import Counter
from inksteward.control.learning import loosen
from inksteward.events import Received, Ticked, WakeAt
from inksteward.steward.commands import watch_pending
from inksteward.steward.diagnosed import happened
from inksteward.steward.ending import lapse
from inksteward.steward.jobs import ready_estimates
from inksteward.steward.refusing import refuse
from inksteward.steward.situations import sheet_now
from inksteward.steward.state import Counted, Run
from inksteward.steward.telling import STATUS_EVERY_MS
from inksteward.steward.turn import Turn

TICK_MS = 1000
ECHO_MS = 5000
CLOCK_SKEW_MS = 2000


def on_counter(turn: Turn, event: Received) -> None:
    """The counter spoke."""
    try:
        data, _ = decode(Counter, event.raw)
    except Refused as refused:
        refuse(turn, event, None, refused.errors)
        return
    run = turn.run
    if run is None or event.retained:
        return
    if data.run_id != run.run_id:
        refuse(turn, event, None, [FieldError("run_id", data.run_id, f"the present run {run.run_id}")])
        return
    before = run.counted
    if before is not None and data.sheet < before.sheet:
        if (
            data.fountain_turning is False
        ):  # whatever else is wrong with it: no key closes on a standing roller
            turn.put_run(replace(run, counted=replace(before, fountain_turning=False)))
        refuse(turn, event, None, [FieldError("sheet", str(data.sheet), f"{before.sheet} or more")])
        return
    counted = Counted(data.sheet, data.speed_sph, data.printing, data.fountain_turning, turn.now_ms)
    first = data.sheet if before is None else run.first_sheet
    run = replace(run, counted=counted, first_sheet=first)
    after = _stopped(turn, run, counted)
    turn.put_run(after)
    if after.quiet_until != run.quiet_until:
        happened(turn, "stop")
    turn.calm(Alarm.COUNTER_SILENT)
    _watch_clock(turn, data.at)
    ready_estimates(turn)


def _watch_clock(turn: Turn, at: str | None) -> None:
    """Times of day are recorded, never judged; but somebody should know when two clocks disagree."""
    if at is None:
        return
    try:
        there_ms = datetime.fromisoformat(at).timestamp() * 1000.0
    except ValueError:
        return
    if abs(there_ms - turn.stamp.wall_ms) <= CLOCK_SKEW_MS:
        turn.calm(Alarm.CLOCK_SKEW)
        return
    text = f"the counter's clock and this one differ by more than {CLOCK_SKEW_MS / 1000:g} s"
    turn.alarm(Alarm.CLOCK_SKEW, text, "set both clocks by the same time server; nothing else is affected")


def _stopped(turn: Turn, run: Run, counted: Counted) -> Run:
    """A stop begins or ends. After a long one the first sheets are not acted on and less is known."""
    settings = turn.config.control
    if not counted.printing and run.stopped_mono_ms is None:
        return replace(run, stopped_mono_ms=turn.now_ms)
    if counted.printing and run.stopped_mono_ms is not None:
        long_stop = turn.now_ms - run.stopped_mono_ms > settings.stop_s * 1000.0
        if long_stop and counted.sheet > run.first_sheet:
            for state in list(turn.state.units.values()):
                if state.estimate is not None and state.ink is not None:
                    turn.put(replace(state, estimate=loosen(state.estimate, state.ink)))
            return replace(
                run, stopped_mono_ms=None, quiet_until=counted.sheet + settings.quiet_after_stop_sheets
            )
        return replace(run, stopped_mono_ms=None)
    return run


def on_tick(turn: Turn, event: Ticked) -> None:
    """Time passed; unchanged positions that were folded into the tick count as fresh."""
    for name, count in event.folded.items():
        state = turn.state.units.get(name)
        if count and state is not None and state.position is not None and state.position.live:
            turn.put(replace(state, position=replace(state.position, mono_ms=turn.now_ms)))
    watch_time(turn)
    turn.effects.append(WakeAt((turn.now_ms + TICK_MS) * 1_000_000))


def watch_time(turn: Turn) -> None:
    """Everything that may have become too old."""
    run = turn.run
    if run is not None:
        _watch_counter(turn, run)
        _watch_units(turn, run)
    _watch_echoes(turn)
    last = turn.state.status_mono_ms
    if last is None or turn.now_ms - last >= STATUS_EVERY_MS:
        turn.status_due = True


def _watch_counter(turn: Turn, run: Run) -> None:
    allowed = turn.config.measuring.counter_max_age_s
    silent = run.counted is not None and turn.now_ms - run.counted.mono_ms > allowed * 1000.0
    if silent and run.phase is not Phase.STOPPED:
        text = f"no word from the sheet counter for more than {allowed:g} s: no proposals"
        turn.alarm(Alarm.COUNTER_SILENT, text, "check the counter's connection")
    stopped = run.stopped_mono_ms
    if stopped is not None and turn.now_ms - stopped > turn.config.control.stop_s * 1000.0:
        _lapse_read(turn)


def _lapse_read(turn: Turn) -> None:
    """After a long stop what a scan said no longer holds; an opening or a recall is made for a standing press."""
    for name, state in list(turn.state.units.items()):
        if state.standing is not None and state.standing.payload["origin"] == Origin.SCAN.value:
            lapse(turn, name, Lapse.RUN_CHANGED)


def _watch_units(turn: Turn, run: Run) -> None:
    approval = turn.config.approval
    allowed_ms = turn.config.measuring.position_max_age_s * 1000.0
    for unit in turn.config.press.units:
        state = turn.unit(unit.unit)
        position = state.position
        if state.aim is not None and position is not None and turn.now_ms - position.mono_ms > allowed_ms:
            text = (
                f"no live key positions of unit {unit.unit} for more than {allowed_ms / 1000.0:g} s: "
                "no proposals, no moves"
            )
            remedy = "check the key cabinet and its connection"
            turn.alarm(Alarm.POSITION_STALE, text, remedy, unit=unit.unit)
            lapse(turn, unit.unit, Lapse.LINK_LOST)
        standing = turn.unit(unit.unit).standing
        if standing is not None and standing.life is ProposalState.STANDING:
            old = turn.now_ms - standing.made_mono_ms >= approval.expires_s * 1000.0
            if old or sheet_now(turn, run) > standing.payload["expires_sheet"]:
                lapse(turn, unit.unit, Lapse.EXPIRED)
        watch_pending(turn, unit.unit)


def on_echo(turn: Turn, event: Received) -> None:
    """An own retained message came back from the broker: it really keeps it."""
    seen = hashlib.sha256(event.raw).hexdigest()
    rest = tuple(echo for echo in turn.state.echoes if (echo.topic, echo.sha256) != (event.topic, seen))
    if len(rest) != len(turn.state.echoes):
        turn.state = replace(turn.state, echoes=rest)
        if not rest:
            turn.calm(Alarm.ECHO_MISSING)


def _watch_echoes(turn: Turn) -> None:
    if not turn.state.links.get("broker", False):
        return
    late = [echo for echo in turn.state.echoes if turn.now_ms - echo.sent_mono_ms > ECHO_MS]
    if late:
        text = f"the broker does not pass on what is published under {late[0].topic}"
        turn.alarm(Alarm.ECHO_MISSING, text, "check the broker's access rules for this service")
