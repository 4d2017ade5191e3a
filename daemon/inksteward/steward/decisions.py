"""An operator's decision: who, on exactly which proposal, with which edits; then the interlock, then a command.

Whatever is wrong with a decision is answered, and the proposal stays standing.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from inksteward.approval import (
    Life,
    NotAllowed,
    ProposedMove,
    advance,
    apply_edits,
    confirmation_deadline_ms,
)
from inksteward.contract.base import FieldError, Refused, decode, shown
from inksteward.contract.codes import LimitCode
from inksteward.contract.inputs import Decision
from inksteward.contract.outputs import CommandTarget, KeyCommand
from inksteward.events import Move, Received
from inksteward.interlock import Refusal, permit
from inksteward.model import Moves, Unit
from inksteward.steward.ending import VIA, end
from inksteward.steward.feed import read_back, unresolved
from inksteward.steward.refusing import refuse
from inksteward.steward.signing import sender_errors
from inksteward.steward.situations import limits_of, position_fresh, sheet_now
from inksteward.steward.state import Pending, Standing, UnitState
from inksteward.steward.turn import Turn

FROM_TOL_PCT = 0.5
VALID_S = 10
APPROVALS_KEPT = 5


def on_decision(turn: Turn, event: Received) -> None:
    """Everything that one decision leads to."""
    try:
        decision, data = decode(Decision, event.raw)
    except Refused as refused:
        refuse(turn, event, None, refused.errors)
        return
    if turn.known(decision.decision_id, "decision"):
        return
    found = _find(turn, decision)
    if found is None:
        errors = [_no_such(turn, decision)]
        refuse(turn, event, decision.decision_id, errors, stands=False)
        return
    unit, state, standing = found
    errors = sender_errors(turn, event, data, decision.operator)
    errors.extend(_proposal_errors(turn, event, decision, standing))
    if errors:
        refuse(turn, event, decision.decision_id, errors, stands=not standing.life.ended)
        return
    who = (decision.decision_id, decision.operator, VIA[event.via])
    if decision.verdict == "reject":
        turn.answer(decision.decision_id, "decision", (), stands=False)
        end(turn, unit.unit, Life.REJECT, code=None, decision=who)
        return
    moves, errors = _edited(turn, unit, state, standing, decision)
    if errors or moves is None:
        refuse(turn, event, decision.decision_id, errors, stands=True)
        return
    turn.answer(decision.decision_id, "decision", (), stands=False)
    _command(turn, unit, state, standing, moves, who)


def _find(turn: Turn, decision: Decision) -> tuple[Unit, UnitState, Standing] | None:
    for unit in turn.config.press.units:
        state = turn.unit(unit.unit)
        if state.standing and state.standing.payload["proposal_id"] == decision.proposal_id:
            return unit, state, state.standing
    return None


def _no_such(turn: Turn, decision: Decision) -> FieldError:
    """The proposal has ended: say what stands in its place."""
    unit = turn.state.ended.get(decision.proposal_id)
    if unit is None:
        return FieldError("proposal_id", decision.proposal_id, "a proposal of this service that stands")
    standing = turn.unit(unit).standing
    instead = f"{standing.payload['proposal_id']} stands now" if standing else f"none stands for {unit} now"
    return FieldError("proposal_id", decision.proposal_id, f"a proposal that stands; it has ended, {instead}")


def _proposal_errors(turn: Turn, event: Received, decision: Decision, standing: Standing) -> list[FieldError]:
    errors = []
    if event.retained:
        errors.append(FieldError("", "a retained message", "a decision sent now: retained ones never count"))
    if decision.digest != standing.payload["digest"]:
        errors.append(FieldError("digest", shown(decision.digest), standing.payload["digest"]))
    life = Life.APPROVE if decision.verdict == "approve" else Life.REJECT
    if isinstance(advance(standing.life, life), NotAllowed):
        expected = f"a proposal that stands; this one is {standing.life}"
        errors.append(FieldError("proposal_id", decision.proposal_id, expected))
    if turn.state.holding:
        errors.append(FieldError("", "a decision on hold", f"a release first: {turn.state.holding}"))
    return errors


def _proposed(payload: dict[str, Any]) -> list[ProposedMove]:
    rows = []
    for row in payload["moves"]:
        left = row["to_pct_if_sweep_left"]
        rows.append(
            ProposedMove(
                row["zone"], round(row["to_pct"] * 1000), None if left is None else round(left * 1000)
            )
        )
    return rows


def _edited(
    turn: Turn, unit: Unit, state: UnitState, standing: Standing, decision: Decision
) -> tuple[Moves | None, list[FieldError]]:
    """The moves as decided, or what the edits, a limit or the interlock has against them."""
    payload = standing.payload
    sweep = round(payload["sweep"]["to_pct"] * 1000) if payload["sweep"] else None
    moves = apply_edits(
        unit.unit,
        _proposed(payload),
        sweep,
        decision.leave,
        tuple((item.zone, item.to_pct) for item in decision.change),
        decision.leave_sweep,
    )
    if not isinstance(moves, Moves):
        return None, [FieldError(item.field, item.value, item.expected) for item in moves]
    errors = _limit_errors(turn, unit, payload, decision)
    if not position_fresh(turn, state):
        errors.append(FieldError("", "key positions", "live, referenced positions of every key"))
    verdict = permit(
        moves, read_back(turn, unit, state.position), unresolved(state), unit.calibration, unit.coupling
    )
    if isinstance(verdict, Refusal):
        field = next(
            (f"change.{n}.to_pct" for n, item in enumerate(decision.change) if item.zone == verdict.zone), ""
        )
        data = verdict.payload()
        errors.append(FieldError(field, shown(data["value"]), f"{data['rule']}: {data['text']}"))
    return moves, errors


def _limit_errors(turn: Turn, unit: Unit, payload: dict[str, Any], decision: Decision) -> list[FieldError]:
    """An edited target stays subject to the step limit and, on a spring blade, to the interlock's rows."""
    step = limits_of(turn, unit).step_pct
    at = {row["zone"]: row["from_pct"] for row in payload["moves"]}
    errors = []
    for number, item in enumerate(decision.change):
        start = at.get(item.zone)
        if start is not None and abs(item.to_pct - start) > step + 1e-9:
            low, high = max(start - step, 0.0), min(start + step, 100.0)
            expected = f"{LimitCode.STEP}: {low:.1f} to {high:.1f} %, at most {step:g} % from {start:g} %"
            errors.append(FieldError(f"change.{number}.to_pct", shown(item.to_pct), expected))
    return errors


def _command(
    turn: Turn,
    unit: Unit,
    state: UnitState,
    standing: Standing,
    moves: Moves,
    who: tuple[str, str, str | None],
) -> None:
    """Approved: a command goes to the guard, which asks the interlock once more with fresh positions."""
    position = state.position
    if position is None:
        raise ValueError(f"{unit.unit}: a position was expected")
    openings = position.opening_pct
    targets = tuple(
        CommandTarget(
            zone=move.zone + 1, from_pct=round(openings[move.zone] or 0.0, 3), to_pct=move.to_mpct / 1000.0
        )
        for move in moves.keys
    )
    sweep = None if moves.sweep_to_mpct is None else moves.sweep_to_mpct / 1000.0
    command = KeyCommand(
        command_id=turn.new_id(),
        proposal_id=standing.payload["proposal_id"],
        unit=unit.unit,
        targets=targets,
        from_tol_pct=max(FROM_TOL_PCT, 2.0 * unit.resolution_pct),
        sweep_pct=sweep,
        issued_at=turn.at,
        valid_s=VALID_S,
    ).model_dump(mode="json", exclude_none=False)
    command.pop("sig")
    longest = max((abs(row.to_pct - row.from_pct) for row in targets), default=0.0)
    if sweep is not None:
        longest = max(longest, abs(sweep - (position.sweep_pct or 0.0)))
    wait = confirmation_deadline_ms(round(longest * 1000), unit.full_travel_s)
    pending = Pending(
        command=command,
        proposal_id=standing.payload["proposal_id"],
        decision_id=who[0],
        operator=who[1],
        via=who[2],
        released=False,
        confirm_ms=wait,
        deadline_mono_ms=turn.now_ms + wait + VALID_S * 1000,
        sweep_from_pct=position.sweep_pct,
    )
    life = advance(standing.life, Life.APPROVE)
    if isinstance(life, NotAllowed):
        raise ValueError(life.text)
    turn.put(replace(state, standing=replace(standing, life=life), pending=pending))
    turn.effects.append(Move(unit.unit, command))
    run = turn.run
    if run is not None:
        waited = max(round(sheet_now(turn, run)) - standing.made_sheet, 0)
        turn.put_run(replace(run, approvals=(*run.approvals, waited)[-APPROVALS_KEPT:]))
