"""Proposals that an operator asks for: the opening of a job, the settings of a job before."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from inksteward.contract.base import FieldError, shown
from inksteward.contract.codes import Lapse, NoProposal, Origin
from inksteward.contract.inputs import Request
from inksteward.control.film import film
from inksteward.control.opening import whole_opening
from inksteward.control.settings_moves import opening, recall
from inksteward.control.situation import Situation, Worked
from inksteward.control.taught import taught
from inksteward.model import Unit
from inksteward.steward.ending import lapse
from inksteward.steward.feed import fountain_turning
from inksteward.steward.propose import Basis, stand
from inksteward.steward.situations import nothing_printed, sheet_now, situation_of, unfit
from inksteward.steward.state import Run
from inksteward.steward.turn import Turn

WHY_NOT = {
    NoProposal.STOPPED: "a job that is not stopped",
    NoProposal.HELD: "a release first",
    NoProposal.NO_COUNTER: "word from the sheet counter",
    NoProposal.NOT_CONTROLLED: "a unit with an aim",
    NoProposal.SUSPENDED: "its alarm acknowledged first",
    NoProposal.NO_POSITIONS: "live, referenced positions of every key",
    NoProposal.UNCONFIRMED_MOVE: "its last move confirmed first",
}
Work = Callable[[Situation], Worked]


def asked_opening(turn: Turn, run: Run, request: Request) -> list[FieldError]:
    """An opening for every unit whose coverage the job states (or for the one that is named)."""
    if request.unit is not None and turn.configured(request.unit) is None:
        return [no_unit(turn, request)]
    units = [unit for unit in _units(turn, request) if turn.unit(unit.unit).coverage]
    if not units:
        return [FieldError("kind", "opening", "a job that states coverage per zone")]
    whole = nothing_printed(
        turn, run
    )  # after that only what the film model corrects, within makeready's limits
    work = [(unit, _whole_opening(turn, unit) if whole else opening) for unit in units]
    return _each(turn, run, work, Origin.OPENING)


def _whole_opening(turn: Turn, unit: Unit) -> Work:
    """The whole way within the limits of an opening, by the film model and what past jobs taught."""
    state, model = turn.unit(unit.unit), turn.config.opening_model

    def work(situation: Situation) -> Worked:
        films = np.array([film(aim, situation.ink)[0] for aim in situation.aim])
        lesson = taught(model, unit.unit, situation.ink.ink, state.coverage, films)
        may_close = fountain_turning(turn) is not False
        return whole_opening(situation, state.coverage, lesson, may_close=may_close)

    return work


def asked_recall(turn: Turn, run: Run, request: Request) -> list[FieldError]:
    """Gaps and sweep as they stood when the OK sheet of that job was named."""
    if request.unit is not None and turn.configured(request.unit) is None:
        return [no_unit(turn, request)]
    stored = turn.state.settings.get(request.job_id or "")
    if stored is None:
        known = ", ".join(sorted(turn.state.settings)) or "none yet"
        return [FieldError("job_id", shown(request.job_id), f"a job whose OK sheet was named here: {known}")]
    work: list[tuple[Unit, Work]] = []
    for unit in _units(turn, request):
        row = stored.get(unit.unit)
        if row is not None and len(row["gap_um"]) == unit.zones:
            gaps = np.maximum(np.array(row["gap_um"], dtype=float), 0.1)
            sweep = float(row["sweep_pct"])
            work.append((unit, lambda s, g=gaps, p=sweep: recall(s, g, p)))  # type: ignore[misc]
    if not work:
        return [FieldError("job_id", shown(request.job_id), "settings of a unit that is asked for")]
    return _each(turn, run, work, Origin.RECALL)


def no_unit(turn: Turn, request: Request) -> FieldError:
    """A request names a unit that the press does not have."""
    names = ", ".join(unit.unit for unit in turn.config.press.units)
    return FieldError("unit", shown(request.unit), f"one of {names}, or none for all")


def _units(turn: Turn, request: Request) -> list[Unit]:
    return [unit for unit in turn.config.press.units if request.unit in (None, unit.unit)]


def _each(turn: Turn, run: Run, work: list[tuple[Unit, Work]], origin: Origin) -> list[FieldError]:
    """Work out and let stand, unit by unit; an error only where nothing at all came of it."""
    errors: list[FieldError] = []
    made = 0
    for unit, worker in work:
        found = _one(turn, run, unit, worker, origin)
        errors.extend(found)
        made += not found
    return [] if made else errors


def _one(turn: Turn, run: Run, unit: Unit, worker: Work, origin: Origin) -> list[FieldError]:
    state = turn.unit(unit.unit)
    sheet = round(sheet_now(turn, run))
    reason = unfit(turn, state, sheet)
    if reason is not None and reason is not NoProposal.WAITING:
        return [FieldError("unit", unit.unit, WHY_NOT.get(reason, reason.value))]
    situation = situation_of(turn, unit, state, None)
    if situation is None:
        return [FieldError("unit", unit.unit, "key positions and a counter of this run")]
    worked = worker(situation)
    turn.put(replace(state, worked=worked.exact))
    if worked.nothing is not None:
        said = [*(item.text for item in worked.remarks), *(item.text for item in worked.left)]
        why = said[0] if said else "every key stands where it should"
        return [FieldError("unit", unit.unit, f"something to move: {why}")]
    lapse(turn, unit.unit, Lapse.REPLACED)
    refusal = stand(turn, unit, Basis(situation, worked, (), None, sheet, origin))
    return [] if refusal is None else [FieldError("unit", unit.unit, refusal.text)]
