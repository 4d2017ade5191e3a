"""What operators ask for besides decisions: hold, release, OK sheet, aims, coverage, recall, events, readings..."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from inksteward.config import aim_errors
from inksteward.contract.base import FieldError, Refused, decode, shown
from inksteward.contract.codes import Alarm, Lapse
from inksteward.contract.inputs import Request
from inksteward.control.learning import Measured, loosen, new_sheet, update
from inksteward.events import Received
from inksteward.steward.asked import asked_opening, asked_recall, no_unit
from inksteward.steward.commands import hold_back, still_open
from inksteward.steward.commission import asked_commission
from inksteward.steward.diagnosed import FORGET, happened
from inksteward.steward.ending import lapse, lapse_all
from inksteward.steward.feed import bring_to
from inksteward.steward.holding import held_by
from inksteward.steward.jobs import ask_coverage
from inksteward.steward.oksheet import ok_sheet
from inksteward.steward.refusing import refuse
from inksteward.steward.signing import sender_errors
from inksteward.steward.state import AlarmState, Run, UnitState
from inksteward.steward.turn import Turn

HAND_SIGMA = 0.02
"""Standard deviation of a hand-held reading, D (common practice, no source)."""

OTHER_TRAP = ("ink", "paper")
"""Events after which inks trap differently for good reason."""

Handler = Callable[[Turn, Run, Request], list[FieldError]]


def on_request(turn: Turn, event: Received) -> None:
    """Everything that one request leads to."""
    try:
        request, data = decode(Request, event.raw)
    except Refused as refused:
        refuse(turn, event, None, refused.errors)
        return
    if turn.known(request.request_id, "request"):
        return
    forged = sender_errors(turn, event, data, request.operator)
    errors = [*forged, *_elsewhere(turn, request)]
    if event.retained:
        errors.append(FieldError("", "a retained message", "a request sent now: retained ones never count"))
    if not errors:
        errors = _handle(turn, request)
    if errors:
        refuse(turn, event, request.request_id, errors, keep=not forged)
        return
    turn.answer(request.request_id, "request")
    turn.status_due = True


def _elsewhere(turn: Turn, request: Request) -> list[FieldError]:
    """A request that names its press counts there alone, wherever its signed bytes are sent to."""
    press = turn.config.press.press
    if request.press in (None, press):
        return []
    return [FieldError("press", shown(request.press), f"{press}, or no such member")]


def _handle(turn: Turn, request: Request) -> list[FieldError]:
    if request.kind == "hold":
        lapse_all(turn, Lapse.HELD)
        turn.state = replace(turn.state, holding=held_by(request.operator))
        hold_back(turn)
        return []
    if request.kind == "release":
        turn.state = replace(turn.state, holding=None)
        return []
    if request.kind == "acknowledge":
        return _acknowledge(turn, request)
    if turn.run is None:
        return [FieldError("kind", request.kind, "a job first")]
    handlers: dict[str, Handler] = {
        "ok_sheet": ok_sheet,
        "aims": _aims,
        "coverage": ask_coverage,
        "opening": asked_opening,
        "recall": asked_recall,
        "commission": asked_commission,
        "event": _event,
        "reading": _reading,
    }
    return handlers[request.kind](turn, turn.run, request)


def _acknowledge(turn: Turn, request: Request) -> list[FieldError]:
    """A latched alarm ends; a suspended unit adopts its read-back and goes on."""
    found = [
        row
        for row in turn.state.alarms
        if row.latched and row.code.value == request.code and request.unit in (None, row.unit)
    ]
    if not found:
        expected = "the code of a latched alarm; others end with their cause"
        return [FieldError("code", shown(request.code), expected)]
    errors = [error for row in found for error in _too_early(turn, row)]
    if errors:
        return errors
    rest = tuple(row for row in turn.state.alarms if row not in found)
    turn.state = replace(turn.state, alarms=rest)
    turn.alarms_changed = True
    for row in found:
        if row.code is Alarm.FATE_UNKNOWN and row.unit in turn.state.units:
            turn.put(replace(turn.unit(row.unit), unresolved=()))
        if row.code in (Alarm.MOVE_FAILED, Alarm.FATE_UNKNOWN) and row.unit in turn.state.units:
            _go_on(turn, row.unit)
    return []


def _too_early(turn: Turn, row: AlarmState) -> list[FieldError]:
    """A command of unknown fate counts until nothing can carry it out and a later read-back shows the keys."""
    if row.code is not Alarm.FATE_UNKNOWN or row.unit not in turn.state.units:
        return []
    left_s = still_open(turn, turn.unit(row.unit))
    if left_s == 0:
        return []
    expected = f"a read-back from after the command's end: try again in {left_s} s"
    return [FieldError("code", row.code.value, expected)]


def _go_on(turn: Turn, unit: str) -> None:
    """Suspended no more, unless another such alarm of the unit still stands."""
    others = (Alarm.MOVE_FAILED, Alarm.FATE_UNKNOWN)
    if not any(row.unit == unit and row.code in others for row in turn.state.alarms):
        turn.put(replace(turn.unit(unit), suspended=None))


def _aims(turn: Turn, run: Run, request: Request) -> list[FieldError]:
    del run
    state = turn.state.units.get(request.unit or "")
    unit = turn.configured(request.unit or "")
    if state is None or unit is None or state.ink is None:
        return [FieldError("unit", shown(request.unit), "a unit of the job")]
    aim = request.aim
    values = aim if isinstance(aim, tuple) else (float(aim or 0.0),) * unit.zones
    errors = list(aim_errors(aim, state.ink))
    if len(values) != unit.zones:
        errors.append(FieldError("aim", f"{len(values)} values", f"one value or {unit.zones}"))
    tolerance = request.tolerance or _tolerance(turn, state)
    if not tolerance[0] < 0.0 < tolerance[1]:
        errors.append(FieldError("tolerance", shown(tolerance), "a low end below 0 and a high end above 0"))
    if errors:
        return errors
    lapse(turn, unit.unit, Lapse.RUN_CHANGED)
    turn.put(
        replace(
            turn.unit(unit.unit),
            aim=tuple(float(value) for value in values),
            low=tuple(value + tolerance[0] for value in values),
            high=tuple(value + tolerance[1] for value in values),
        )
    )
    return []


def _tolerance(turn: Turn, state: UnitState) -> tuple[float, float]:
    """The unit's present tolerance, or the configured one where it has no aim yet."""
    if state.aim is None:
        return turn.config.control.tolerance
    return round(state.low[0] - state.aim[0], 6), round(state.high[0] - state.aim[0], 6)


def _event(turn: Turn, run: Run, request: Request) -> list[FieldError]:
    """Something happened at the press: what it disturbs is known less well from now on."""
    del run
    if request.unit is not None and turn.configured(request.unit) is None:
        return [no_unit(turn, request)]
    if request.what in OTHER_TRAP:
        _forget_traps(turn, request.unit)
    for name, state in turn.state.units.items():
        if request.unit is not None and name != request.unit:
            continue
        if state.estimate is not None and state.ink is not None:
            estimate = loosen(state.estimate, state.ink)
            turn.put(replace(state, estimate=estimate, silent=(0,) * estimate.zones, stuck=(), trials=()))
        lapse(turn, name, Lapse.RUN_CHANGED)
    happened(turn, FORGET[request.what or "wash"], request.unit)
    return []


def _forget_traps(turn: Turn, unit: str | None) -> None:
    """Other inks lie on each other in another way: what was usual is learned anew."""
    for name, state in turn.state.units.items():
        kept = tuple(seen for seen in state.traps if unit not in (None, name, seen.first))
        turn.put(replace(state, traps=kept))


def _reading(turn: Turn, run: Run, request: Request) -> list[FieldError]:
    """A hand-held reading of one zone, of the sheet that is printing now."""
    unit = turn.configured(request.unit or "")
    if unit is None or run.counted is None:
        return [FieldError("unit", shown(request.unit), "a unit of the press, and a counter that counts")]
    state = bring_to(turn, unit, turn.unit(unit.unit), float(run.counted.sheet))
    if state.estimate is None or state.ink is None:
        return [FieldError("unit", shown(request.unit), "a unit of the job whose keys were read back")]
    zone = request.zone or 0
    if not 1 <= zone <= unit.zones:
        return [FieldError("zone", shown(request.zone), f"1 to {unit.zones}")]
    patch = Measured(0, ((zone - 1, 1.0),), request.density or 0.0, HAND_SIGMA)
    priors = turn.config.control.identification
    estimate, gated = update(new_sheet(state.estimate, priors), (patch,), state.ink, priors)
    turn.put(replace(state, estimate=estimate))
    if gated:
        expected = f"near {gated[0].predicted:.2f}; enter it once more if it is right"
        return [FieldError("density", shown(request.density), expected)]
    return []
