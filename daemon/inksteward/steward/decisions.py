"""An operator's decision: who, on exactly which proposal, with which edits; then the interlock, then a command.

Whatever is wrong with a decision is answered, and the proposal stays standing.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from inksteward.approval import (
    EditError,
    Life,
    NotAllowed,
    ProposedMove,
    advance,
    apply_edits,
    confirmation_deadline_ms,
)
from inksteward.contract.base import FieldError, Refused, decode, shown
from inksteward.contract.inputs import Decision
from inksteward.contract.outputs import CommandTarget, KeyCommand
from inksteward.events import Move, Received
from inksteward.interlock import Refusal, permit
from inksteward.model import Moves, Unit
from inksteward.steward.commission import change_errors
from inksteward.steward.displayed import shown_errors
from inksteward.steward.edits import edit_errors
from inksteward.steward.ending import VIA, end, must
from inksteward.steward.feed import openings, read_back, unresolved
from inksteward.steward.propose import within_travel
from inksteward.steward.refusing import refuse
from inksteward.steward.signing import sender_errors
from inksteward.steward.situations import fresh_position, sheet_now
from inksteward.steward.state import Pending, Position, Standing, UnitState
from inksteward.steward.turn import Turn

FROM_TOL_PCT = 0.5
VALID_S = 5
"""A command that the keys have not taken by then lapses, before its confirmation can time out."""
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
    run, found = turn.run, _find(turn, decision)
    forged = sender_errors(turn, event, data, decision.operator)
    if run is None or found is None:
        errors = [*forged, _no_such(turn, decision)]
        refuse(turn, event, decision.decision_id, errors, stands=False, keep=not forged)
        return
    unit, state, standing = found
    errors = [*forged, *_proposal_errors(turn, event, decision, standing)]
    if errors:
        _refuse(turn, event, decision, unit, errors, genuine=not forged)
        return
    who = (decision.decision_id, decision.operator, VIA[event.via])
    if decision.verdict == "reject":
        turn.answer(decision.decision_id, "decision", (), stands=False)
        end(turn, unit.unit, Life.REJECT, code=None, decision=who)
        return
    position = fresh_position(turn, state)
    moves, errors = _edited(turn, unit, state, standing, decision)
    if moves is not None:
        errors.extend(shown_errors(event.via, decision.shown, moves))
    if position is None:
        errors.append(FieldError("", "key positions", "live, referenced positions of every key"))
    if errors or moves is None or position is None:
        _refuse(turn, event, decision, unit, errors, genuine=True)
        return
    turn.answer(decision.decision_id, "decision", (), stands=False)
    _command(turn, unit, state, standing, position, moves, who)
    waited = max(round(sheet_now(turn, run)) - standing.made_sheet, 0)
    turn.put_run(replace(run, approvals=(*run.approvals, waited)[-APPROVALS_KEPT:]))


def _refuse(
    turn: Turn, event: Received, decision: Decision, unit: Unit, errors: list[FieldError], *, genuine: bool
) -> None:
    """Answer it; a genuine decision that was refused never counts later, however often its bytes come again."""
    refuse(turn, event, decision.decision_id, errors, stands=True, keep=genuine)
    state = turn.unit(unit.unit)
    if genuine and state.standing is not None:
        judged = (*state.standing.judged, decision.decision_id)
        turn.put(replace(state, standing=replace(state.standing, judged=judged)))


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
    errors = change_errors(standing, decision)
    if event.retained:
        errors.append(FieldError("", "a retained message", "a decision sent now: retained ones never count"))
    if decision.digest != standing.payload["digest"]:
        errors.append(FieldError("digest", shown(decision.digest), standing.payload["digest"]))
    if decision.decision_id in standing.judged:
        expected = "an id of its own for every decision: this one was refused before"
        errors.append(FieldError("decision_id", decision.decision_id, expected))
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
    changes = tuple((item.zone, item.to_pct) for item in decision.change)
    moves = _apply(unit, standing.payload, decision, changes)
    if not isinstance(moves, Moves):
        return None, [FieldError(item.field, item.value, item.expected) for item in moves]
    plain = _apply(unit, standing.payload, decision, ())
    unedited = plain if isinstance(plain, Moves) else Moves(unit.unit, (), None)
    errors = edit_errors(turn, unit, state, decision, unedited, moves)
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


def _apply(
    unit: Unit, payload: dict[str, Any], decision: Decision, changes: tuple[tuple[int, float], ...]
) -> Moves | tuple[EditError, ...]:
    sweep = round(payload["sweep"]["to_pct"] * 1000) if payload["sweep"] else None
    return apply_edits(unit.unit, _proposed(payload), sweep, decision.leave, changes, decision.leave_sweep)


def _order(
    turn: Turn, unit: Unit, standing: Standing, position: Position, moves: Moves
) -> tuple[dict[str, Any], float]:
    """The KeyCommand of approved moves, and the longest way that one of its drives goes, percent."""
    at, swept = openings(position), float(position.sweep_pct or 0.0)
    targets = tuple(
        CommandTarget(zone=move.zone + 1, from_pct=within_travel(at[move.zone]), to_pct=move.to_mpct / 1000.0)
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
    ).model_dump(mode="json")
    command.pop("sig")
    ways = [abs(row.to_pct - row.from_pct) for row in targets]
    if sweep is not None:
        ways.append(abs(sweep - swept))
    return command, max(ways)


def _command(
    turn: Turn,
    unit: Unit,
    state: UnitState,
    standing: Standing,
    position: Position,
    moves: Moves,
    who: tuple[str, str, str | None],
) -> None:
    """Approved: a command goes to the guard, which asks the interlock once more with fresh positions."""
    command, way_pct = _order(turn, unit, standing, position, moves)
    wait = confirmation_deadline_ms(round(way_pct * 1000), unit.drive_s(len(command["targets"])))
    pending = Pending(
        command=command,
        proposal_id=standing.payload["proposal_id"],
        decision_id=who[0],
        operator=who[1],
        via=who[2],
        released=False,
        confirm_ms=wait,
        deadline_mono_ms=turn.now_ms + wait + VALID_S * 1000,
        sweep_from_pct=float(position.sweep_pct or 0.0),
    )
    life = must(standing.life, Life.APPROVE)
    turn.put(replace(state, standing=replace(standing, life=life), pending=pending))
    turn.effects.append(Move(unit.unit, command))
