"""Small moves that somebody who commissions a press's ink keys asks for: each a proposal, each to be decided on.

Only ever opening moves. A key may close again after one, though never below where it stood before it was opened, and
never below the gap that the control law itself would leave: the interlock's limit with its margin. What is proposed is
subject to every limit of the phase and to the interlock like any other proposal.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from inksteward.contract.base import FieldError, shown
from inksteward.contract.codes import Lapse, NoProposal, Origin, Phase
from inksteward.contract.inputs import Change, Decision, Request
from inksteward.control.film import density
from inksteward.control.forecast import forecast, later
from inksteward.control.gaps import gap_um
from inksteward.control.limits import floor_um
from inksteward.control.numerics import exp
from inksteward.control.situation import Row, Situation, Worked
from inksteward.model import KeyMove, Moves, Unit
from inksteward.model.thousandths import thousandths
from inksteward.steward.edits import edit_errors
from inksteward.steward.ending import lapse
from inksteward.steward.propose import Basis, stand
from inksteward.steward.situations import sheet_now, situation_of, unfit
from inksteward.steward.state import Run, Standing, UnitState
from inksteward.steward.turn import Turn

STEP_MOST_PCT = 30.0
"""A commissioning move opens a key by no more, percent of key travel: small steps leave time to look (ours)."""
PHASES = (Phase.OPENING, Phase.MAKEREADY)
HAIR_PCT = 1e-9
LEAST_UM = 0.1


@dataclass(frozen=True, slots=True)
class _Asked:
    """The targets that were asked for, as the judging of edits wants them."""

    change: tuple[Change, ...]


def asked_commission(turn: Turn, run: Run, request: Request) -> list[FieldError]:
    """Let the moves that were asked for stand as a proposal of origin ``commission``, or say what is against them."""
    unit, wanted = turn.configured(request.unit or ""), request.targets or ()
    if unit is None:
        names = ", ".join(each.unit for each in turn.config.press.units)
        return [FieldError("unit", shown(request.unit), f"one of {names}")]
    if run.phase not in PHASES:
        return [FieldError("kind", "commission", f"a job in opening or makeready, not in {run.phase}")]
    state, sheet = turn.unit(unit.unit), round(sheet_now(turn, run))
    reason = unfit(turn, state, sheet)
    if reason is not None and reason is not NoProposal.WAITING:
        return [FieldError("unit", unit.unit, f"a unit that is ready: {reason.value.replace('_', ' ')}")]
    situation = situation_of(turn, unit, state, None)
    if situation is None:
        return [FieldError("unit", unit.unit, "key positions and a counter of this run")]
    errors = _target_errors(unit, state, situation, wanted) or _limit_errors(turn, unit, state, wanted)
    if errors:
        return errors
    lapse(turn, unit.unit, Lapse.REPLACED)
    rows = _rows(unit, situation, wanted, request.why or "")
    worked = Worked(forecast(situation), rows, None, (), (), None)
    refusal = stand(turn, unit, Basis(situation, worked, (), None, sheet, Origin.COMMISSION))
    if refusal is not None:
        return [FieldError("targets", unit.unit, f"{refusal.rule.value}: {refusal.text}")]
    turn.put(_remembered(turn.unit(unit.unit), situation, rows))
    return []


def change_errors(standing: Standing, decision: Decision) -> list[FieldError]:
    """A commissioning move is decided as it was asked for: another target would escape what was judged here."""
    if not decision.change or standing.payload["origin"] != Origin.COMMISSION.value:
        return []
    expected = "no change of a commissioning move: leave the key out, or reject and ask anew"
    return [FieldError("change", f"{len(decision.change)} targets", expected)]


def _target_errors(
    unit: Unit, state: UnitState, situation: Situation, wanted: tuple[Change, ...]
) -> list[FieldError]:
    """What is wrong with single targets: no such key, twice, no move, too far, or nearer to the roller than before."""
    errors, seen, before = [], set[int](), dict(state.opened_from)
    for number, item in enumerate(wanted):
        expected = None
        if not 1 <= item.zone <= unit.zones:
            expected = f"a zone from 1 to {unit.zones}"
        elif item.zone in seen:
            expected = f"zone {item.zone} once"
        elif thousandths(item.to_pct) is None:
            expected = "percent with at most three decimals"
        else:
            start = situation.present.opening_pct[item.zone - 1]
            expected = _way_error(unit, item, start, before.get(item.zone - 1, start))
        seen.add(item.zone)
        if expected is not None:
            errors.append(FieldError(f"targets.{number}", f"zone {item.zone} to {item.to_pct:g} %", expected))
    return errors


def _way_error(unit: Unit, item: Change, start: float, home: float) -> str | None:
    """What is against one key's way, None if nothing. ``home``: where the key stood before it was opened."""
    if abs(item.to_pct - start) < unit.resolution_pct - HAIR_PCT:
        return f"a move of {unit.resolution_pct:g} % or more from {start:g} %"
    if item.to_pct > start:
        most = min(start + STEP_MOST_PCT, 100.0)
        return None if item.to_pct <= most + HAIR_PCT else f"at most {most:g} %: small moves only"
    if item.to_pct < home - HAIR_PCT:
        return f"{home:g} % or more: a key goes back at most to where it stood before it was opened"
    least = floor_um(unit, item.zone - 1)
    if gap_um(unit.calibration.keys[item.zone - 1], item.to_pct) < least:
        return f"a gap of {least:.1f} um or more: the least permitted with all that is not known"
    return None


def _limit_errors(turn: Turn, unit: Unit, state: UnitState, wanted: tuple[Change, ...]) -> list[FieldError]:
    """What the limits of the phase have against all targets together, by the same judgement as edits."""
    moves = Moves(unit.unit, tuple(KeyMove(row.zone - 1, round(row.to_pct * 1000)) for row in wanted), None)
    found = edit_errors(turn, unit, state, _Asked(wanted), Moves(unit.unit, (), None), moves)
    return [replace(error, field=error.field.replace("change.", "targets.")) for error in found]


def _rows(unit: Unit, situation: Situation, wanted: tuple[Change, ...], why: str) -> tuple[Row, ...]:
    """The moves with what they would do to the print, if it printed."""
    present, view = situation.present, forecast(situation)
    gaps = present.gaps_um.copy()
    for item in wanted:
        gaps[item.zone - 1] = max(gap_um(unit.calibration.keys[item.zone - 1], item.to_pct), LEAST_UM)
    settled = exp(situation.estimate.ln_gain) * situation.plant.unit_film(gaps, present.sweep_pct)
    following = later(view.y_then, settled, view.lag, view.horizon)
    rows = []
    for item in sorted(wanted, key=lambda row: row.zone):
        i = item.zone - 1
        rows.append(
            Row(
                zone=item.zone,
                from_pct=round(present.opening_pct[i], 3),
                to_pct=item.to_pct,
                gap_um_after=round(float(gaps[i]), 1),
                predicted_next=round(density(float(following[i]), situation.ink), 3),
                predicted_settled=round(density(float(settled[i]), situation.ink), 3),
                settled_by_sheet=math.ceil(view.seen_from + 3.0 * float(view.lag[i])),
                limited_by=(),
                why=f"commissioning: {why}",
            )
        )
    return tuple(rows)


def _remembered(state: UnitState, situation: Situation, rows: tuple[Row, ...]) -> UnitState:
    """Where keys stand that are to be opened: so far they may close again. One that came back begins anew."""
    before = dict(state.opened_from)
    for row in rows:
        start, zone = situation.present.opening_pct[row.zone - 1], row.zone - 1
        if row.to_pct > start:
            before[zone] = min(before.get(zone, start), start)
    return replace(state, opened_from=tuple(sorted(before.items())))
