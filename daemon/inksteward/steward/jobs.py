"""Jobs and runs: what is printed, with which inks and aims."""

from __future__ import annotations

from dataclasses import replace

from inksteward.config import job_ink
from inksteward.contract.base import FieldError, Refused, decode, shown
from inksteward.contract.codes import Lapse, Phase
from inksteward.contract.inputs import Job, JobUnit, Request
from inksteward.events import Received
from inksteward.model import Ink
from inksteward.steward.ending import lapse, lapse_all
from inksteward.steward.feed import begin_estimate
from inksteward.steward.job_aims import condition_of, wanted_of
from inksteward.steward.refusing import refuse
from inksteward.steward.state import Run, UnitState
from inksteward.steward.turn import Turn


def _ink(turn: Turn, row: JobUnit, where: str, errors: list[FieldError]) -> Ink | None:
    ink = job_ink(row, turn.config.ink(row.ink))
    if ink is None:
        errors.append(FieldError(f"{where}.ink", shown(row.ink), "a configured ink, or d_inf and m with it"))
    return ink


def _unit_state(
    turn: Turn, job: Job, number: int, before: UnitState | None, errors: list[FieldError]
) -> UnitState | None:
    row = job.units[number]
    where = f"units.{number}"
    unit = turn.configured(row.unit)
    if unit is None:
        names = ", ".join(item.unit for item in turn.config.press.units)
        errors.append(FieldError(f"{where}.unit", shown(row.unit), f"one of {names}"))
        return None
    if row.coverage is not None and len(row.coverage) != unit.zones:
        errors.append(
            FieldError(f"{where}.coverage", f"{len(row.coverage)} values", f"{unit.zones} values, one a zone")
        )
    ink = _ink(turn, row, where, errors)
    if ink is None:
        return None
    wanted = wanted_of(turn, job, row, unit, ink, where, errors)
    if errors:
        return None
    aims, (low, high) = wanted.aims, wanted.tolerance
    state = before or UnitState(row.unit)
    return replace(
        state,
        ink=ink,
        aim=aims,
        low=tuple(aim + low for aim in aims) if aims else (),
        high=tuple(aim + high for aim in aims) if aims else (),
        coverage=tuple(row.coverage or ()),
    )


def _judge(job: Job) -> list[FieldError]:
    errors = []
    seen: set[str] = set()
    for number, row in enumerate(job.units):
        if row.unit in seen:
            errors.append(FieldError(f"units.{number}.unit", row.unit, "each unit once"))
        seen.add(row.unit)
    return errors


def on_job(turn: Turn, event: Received) -> None:
    """A job came: a new run_id starts a new run, another phase or aim changes the present one."""
    try:
        job, _ = decode(Job, event.raw)
    except Refused as refused:
        refuse(turn, event, None, refused.errors)
        return
    run = turn.run if turn.run and turn.run.run_id == job.run_id else None
    errors = _judge(job)
    if job.phase == "run" and (run is None or run.phase is not Phase.RUN):
        errors.append(FieldError("phase", "run", "opening, makeready or stopped: run follows the OK sheet"))
    condition_of(turn, job, errors)
    before = turn.state.units if run else {}
    states: dict[str, UnitState] = {}
    for number, row in enumerate(job.units):
        state = _unit_state(turn, job, number, before.get(row.unit), errors)
        if state is not None:
            states[row.unit] = state
    if errors:
        refuse(turn, event, job.job_id, tuple(errors))
        return
    if run is None:
        _new_run(turn, job, states)
    else:
        _same_run(turn, run, job, states)
    turn.answer(job.job_id, "job")
    turn.status_due = True


def _new_run(turn: Turn, job: Job, states: dict[str, UnitState]) -> None:
    """Standing proposals lapse, filters restart, keys keep their positions; what was approved goes its way."""
    lapse_all(turn, Lapse.RUN_CHANGED)
    units = {}
    for name, old in turn.state.units.items():
        units[name] = replace(
            states.get(name) or UnitState(name),
            position=old.position,
            standing=old.standing,
            pending=old.pending,
            suspended=old.suspended,
            unresolved=old.unresolved,
        )
    turn.state = replace(turn.state, units=units)
    turn.put_run(Run(run_id=job.run_id, phase=Phase(job.phase), job=job))


def _same_run(turn: Turn, run: Run, job: Job, states: dict[str, UnitState]) -> None:
    """The job was sent again: units that are not in it any more are not controlled any more."""
    phase = Phase(job.phase)
    stops = phase is Phase.STOPPED and run.phase is not Phase.STOPPED
    if stops:
        lapse_all(turn, Lapse.RUN_CHANGED)
    keep = run.phase is Phase.RUN and phase is not Phase.STOPPED
    said, before = _by_unit(job), _by_unit(run.job)
    for name, old in turn.state.units.items():
        new = states.get(name) or replace(old, ink=None, aim=None, low=(), high=(), coverage=())
        row, former = said.get(name), before.get(name)
        if run.ok_scan_id is not None or _wished(job, row) == _wished(run.job, former):
            new = _aims_kept(old, new)
        if row is not None and former is not None and row.coverage == former.coverage:
            new = replace(new, coverage=old.coverage)
        turn.put(_changed(turn, old, new))
    turn.put_run(replace(run, job=job, phase=run.phase if keep else phase))


def _by_unit(job: Job) -> dict[str, JobUnit]:
    return {row.unit: row for row in job.units}


def _wished(job: Job, row: JobUnit | None) -> object:
    """What a job asks of a unit's densities."""
    return None if row is None else (row.aim, row.tolerance, job.condition, job.basis.dry)


def _aims_kept(old: UnitState, new: UnitState) -> UnitState:
    """Aims outlive a job that is sent again if the OK sheet holds them, or if the job asks for nothing new: an operator
    may have.
    """
    if old.aim is None or new.aim is None:
        return new
    return replace(new, aim=old.aim, low=old.low, high=old.high)


def _changed(turn: Turn, old: UnitState, new: UnitState) -> UnitState:
    """A unit with other settings: what rests on anything that changed lapses or is learned anew."""
    same_film = (old.ink, old.coverage) == (new.ink, new.coverage)
    if same_film and (old.aim, old.low, old.high) == (new.aim, new.low, new.high):
        return turn.unit(new.unit)
    lapse(turn, new.unit, Lapse.RUN_CHANGED)
    return replace(
        turn.unit(new.unit),
        ink=new.ink,
        coverage=new.coverage,
        aim=new.aim,
        low=new.low,
        high=new.high,
        estimate=old.estimate if same_film else None,
        shadow=old.shadow if same_film else None,
        history=old.history if same_film else (),
        trials=old.trials if same_film else (),
        film_before=old.film_before if same_film else None,
        traps=old.traps if same_film else (),
    )


def ask_coverage(turn: Turn, run: Run, request: Request) -> list[FieldError]:
    """The coverage of a unit's zones as an operator states it: lag, interaction and opening follow from it, so its film
    is learned anew.
    """
    del run
    unit = turn.configured(request.unit or "")
    state = turn.state.units.get(request.unit or "")
    if unit is None or state is None or state.ink is None:
        return [FieldError("unit", shown(request.unit), "a unit of the job")]
    said = request.coverage
    values = said if isinstance(said, tuple) else (said or 0.0,) * unit.zones
    if len(values) != unit.zones:
        return [FieldError("coverage", f"{len(values)} values", f"one value or {unit.zones}, one a zone")]
    turn.put(_changed(turn, state, replace(state, coverage=tuple(float(value) for value in values))))
    ready_estimates(turn)
    return []


def ready_estimates(turn: Turn) -> None:
    """Start film models as soon as aims and complete positions are there."""
    run = turn.run
    if run is None or run.counted is None:
        return
    for unit in turn.config.press.units:
        state = turn.unit(unit.unit)
        fresh = begin_estimate(turn, unit, state, run.counted.sheet)
        if fresh is not state:
            turn.put(fresh)
