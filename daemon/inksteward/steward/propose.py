"""From a unit's reading to a standing proposal, or to the reason why there is none."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from inksteward import canonical
from inksteward.approval import SWEEP, Resolution, least_standing_ms, may_replace
from inksteward.approval import State as Life
from inksteward.contract.codes import Lapse, NoProposal, Origin
from inksteward.contract.inputs import Scan
from inksteward.contract.outputs import (
    Left,
    LimitedBy,
    Note,
    Proposal,
    ProposedMove,
    SweepMove,
    UnitReading,
)
from inksteward.control import words
from inksteward.control.decide import work_out
from inksteward.control.situation import Remark, Row, Situation, Worked
from inksteward.interlock import Refusal, permit
from inksteward.model import KeyMove, Moves, Unit
from inksteward.reading import ScanReading
from inksteward.steward.diagnosed import Diagnosis
from inksteward.steward.ending import lapse
from inksteward.steward.feed import read_back, unresolved
from inksteward.steward.situations import approval_sheets, situation_of, unfit
from inksteward.steward.state import Standing, UnitState
from inksteward.steward.turn import Turn
from inksteward.steward.unit_reading import rounded, unit_reading
from inksteward.steward.waiting import reads_out, still_under_way, wait_for_film
from inksteward.steward.watching import (
    NOT_FOR_KEYS,
    solids_right_tints_up,
    solids_right_trap_down,
    told_of_moves,
    watch_answers,
    watch_traps,
)


@dataclass(frozen=True, slots=True)
class Basis:
    """What a proposal rests on: the situation, what was worked out of it, and where it came from."""

    situation: Situation
    worked: Worked
    remarks: tuple[Remark, ...]
    scan_id: str | None
    sheet: int
    origin: Origin = Origin.SCAN


@dataclass(frozen=True, slots=True)
class UnitResult:
    """What a scan said of one unit; ``notes`` where no proposal carries them."""

    reading: UnitReading
    notes: tuple[Note, ...]


def propose(
    turn: Turn, unit: Unit, scan: Scan, sheet: int, read: ScanReading, diagnosis: Diagnosis, upset: bool
) -> UnitResult:
    """Work out a unit's proposal and let it stand, unless there is a reason not to."""
    lane = read.lanes[unit.unit]
    state = watch_answers(unit, turn.unit(unit.unit), sheet)
    basis: Basis | None = None
    reason = unfit(turn, state, sheet)
    if reason is not NoProposal.WAITING:
        state = watch_traps(state, turn.state.units, read, sheet)
    turn.put(state)
    doubted = diagnosis.doubted(unit)
    situation = None if reason is NoProposal.NO_POSITIONS else situation_of(turn, unit, state, lane, doubted)
    if situation is not None:
        tone = solids_right_tints_up(situation, read.tints.get(unit.unit, ()))
        trap = solids_right_trap_down(state, turn.state.units, read, sheet)
        remarks = (*tone, *trap, *told_of_moves(situation))
        basis = Basis(situation, work_out(situation), remarks, scan.scan_id, sheet)
        turn.put(replace(state, worked=basis.worked.exact))
    if reason is None:
        no_key_fault = upset or diagnosis.holds(unit.unit)
        reason, basis = (
            _decided(turn, unit, basis, no_key_fault) if basis else (NoProposal.NOT_CONTROLLED, None)
        )
    standing = turn.unit(unit.unit).standing
    shown = standing.payload["proposal_id"] if standing and standing.life is Life.STANDING else None
    told = _notes(basis) if basis else ()
    notes = tuple(note for note in told if not shown or note.code in NOT_FOR_KEYS)
    reading = unit_reading(
        turn.unit(unit.unit), lane, basis.worked if basis else None, shown, None if shown else reason
    )
    return UnitResult(reading, notes)


def _decided(turn: Turn, unit: Unit, basis: Basis, upset: bool) -> tuple[NoProposal | None, Basis]:
    """Let the proposal stand that was worked out, or say why not."""
    if upset or any(item.code in NOT_FOR_KEYS for item in basis.remarks):
        return NoProposal.NOT_A_KEY_FAULT, basis
    if _keep_standing(turn, unit, turn.unit(unit.unit), basis.worked):
        return None, basis
    lapse(turn, unit.unit, Lapse.REPLACED)
    if basis.worked.nothing is not None:
        why = _nothing(basis.situation, basis.worked, basis.worked.nothing)
        return why, _with(basis, wait_for_film(basis.situation) if why is NoProposal.WAITING else [])
    moved_sheet = turn.unit(unit.unit).moved_sheet
    refusal = stand(turn, unit, _with(basis, still_under_way(basis.situation, basis.worked, moved_sheet)))
    if refusal is None:
        return None, basis
    return NoProposal.INFEASIBLE, _with(basis, [words.no_solution(refusal.text)])


def _with(basis: Basis, remarks: list[Remark]) -> Basis:
    return replace(basis, remarks=(*basis.remarks, *remarks))


def _nothing(situation: Situation, worked: Worked, reason: NoProposal) -> NoProposal:
    """Why nothing is proposed; a zone that is out and does not answer its key comes first. Where all zones will
    settle right but one still reads out, the film is under way (or its patch is in doubt): wait."""
    settled = worked.forecast.settled_density
    places = range(situation.unit.zones)
    out = [zone for zone in places if not situation.low[zone] <= settled[zone] <= situation.high[zone]]
    if any(situation.silent[zone] or situation.doubted[zone] for zone in out):
        return NoProposal.NOT_A_KEY_FAULT
    under_way = reason is NoProposal.IN_TOLERANCE and reads_out(situation)
    return NoProposal.WAITING if under_way else reason


def _places(payload: dict[str, Any]) -> dict[int, int]:
    """Targets of a proposal as the approval room counts them: zone from 1 or SWEEP -> 0.001 %."""
    places = {row["zone"]: round(row["to_pct"] * 1000) for row in payload["moves"]}
    if payload["sweep"]:
        places[SWEEP] = round(payload["sweep"]["to_pct"] * 1000)
    return places


def _keep_standing(turn: Turn, unit: Unit, state: UnitState, worked: Worked) -> bool:
    """True if the proposal that stands is to stay: it is young, or the new one hardly differs."""
    standing = state.standing
    if standing is None:
        return False
    new = {row.zone: round(row.to_pct * 1000) for row in worked.rows}
    if worked.sweep is not None:
        new[SWEEP] = round(worked.sweep.to_pct * 1000)
    return not may_replace(
        turn.now_ms - standing.made_mono_ms,
        _standing_ms(turn, state),
        _places(standing.payload),
        new,
        resolution_of(unit),
        _refusal(turn, unit, state, _moves(unit, standing.payload)) is not None,
    )


def _standing_ms(turn: Turn, state: UnitState) -> int:
    approval, run = turn.config.approval, turn.run
    speed = run.counted.speed_sph if run and run.counted else 0.0
    took_ms = approval_sheets(turn, run) / speed * 3.6e6 if run and run.approvals and speed > 0.0 else 0.0
    expires_ms = round(approval.expires_s * 1000)
    return least_standing_ms(
        round(approval.min_standing_s * 1000), round(took_ms), state.passed_over, expires_ms
    )


def resolution_of(unit: Unit) -> Resolution:
    """Finest steps of a unit's drives, 0.001 %."""
    return Resolution(round(unit.resolution_pct * 1000), round(unit.sweep.resolution_pct * 1000))


def _moves(unit: Unit, payload: dict[str, Any]) -> Moves:
    sweep = payload["sweep"]
    return Moves(
        unit.unit,
        tuple(KeyMove(row["zone"] - 1, round(row["to_pct"] * 1000)) for row in payload["moves"]),
        round(sweep["to_pct"] * 1000) if sweep else None,
    )


def _refusal(turn: Turn, unit: Unit, state: UnitState, moves: Moves) -> Refusal | None:
    verdict = permit(
        moves, read_back(turn, unit, state.position), unresolved(state), unit.calibration, unit.coupling
    )
    return verdict if isinstance(verdict, Refusal) else None


def stand(turn: Turn, unit: Unit, basis: Basis) -> Refusal | None:
    """Publish the proposal and let it stand; the interlock is asked first and its refusal returned."""
    state = turn.unit(unit.unit)
    payload = _payload(turn, unit, state, basis)
    refusal = _refusal(turn, unit, state, _moves(unit, payload))
    if refusal is not None:
        return refusal
    expiry_s = round(turn.config.approval.expires_s)
    turn.publish(f"proposal/{unit.unit}", payload, retain=True, expiry_s=expiry_s)
    standing = Standing(
        payload=payload,
        life=Life.STANDING,
        made_mono_ms=turn.now_ms,
        made_sheet=round(basis.situation.sheet_now),
        origin_pct=basis.situation.present.opening_pct,
        origin_sweep_pct=basis.situation.present.sweep_pct,
    )
    turn.put(replace(turn.unit(unit.unit), standing=standing))
    return None


def _notes(basis: Basis) -> tuple[Note, ...]:
    return tuple(
        Note(code=item.code, zones=item.zones, text=item.text, remedy=item.remedy)
        for item in (*basis.worked.remarks, *basis.remarks)
    )


def within_travel(opening_pct: float) -> float:
    """A read-back that lies a little outside its travel, as the public messages say it: 0 to 100 percent."""
    return round(min(max(opening_pct, 0.0), 100.0), 3)


def _row(row: Row, basis: Basis) -> ProposedMove:
    situation = basis.situation
    left = row.to_pct_if_sweep_left
    return ProposedMove(
        zone=row.zone,
        from_pct=within_travel(row.from_pct),
        to_pct=row.to_pct,
        to_pct_if_sweep_left=left if left is not None and 0.0 <= left <= 100.0 else None,
        gap_um_after=row.gap_um_after,
        measured=rounded(situation.measured[row.zone - 1]),
        aim=situation.aim[row.zone - 1],
        predicted_next=row.predicted_next,
        predicted_settled=row.predicted_settled,
        seen_from_sheet=round(basis.worked.forecast.seen_from),
        settled_by_sheet=row.settled_by_sheet,
        limited_by=tuple(LimitedBy(code=code, withheld_pct=amount) for code, amount in row.limited_by),
        why=row.why,
    )


def _payload(turn: Turn, unit: Unit, state: UnitState, basis: Basis) -> dict[str, Any]:
    approval, run, worked, sweep = turn.config.approval, turn.run, basis.worked, basis.worked.sweep
    proposal = Proposal(
        proposal_id=turn.new_id(),
        press=turn.config.press.press,
        unit=unit.unit,
        ink=state.ink.ink if state.ink else "",
        origin=basis.origin,
        digest="sha256:" + "0" * 64,
        replaces=state.replaced_id,
        run_id=run.run_id if run else "",
        scan_id=basis.scan_id,
        sheet=basis.sheet,
        made_at=turn.at,
        expires_in_s=round(approval.expires_s),
        expires_sheet=round(basis.situation.sheet_now) + approval.expires_sheets,
        sweep=SweepMove(from_pct=sweep.from_pct, to_pct=sweep.to_pct, why=sweep.why) if sweep else None,
        moves=tuple(_row(row, basis) for row in worked.rows),
        left=tuple(Left(zone=item.zone, code=item.code, text=item.text) for item in worked.left),
        notes=_notes(basis),
    )
    data = proposal.model_dump(mode="json")
    data["digest"] = canonical.digest(data)
    return data
