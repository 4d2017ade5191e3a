"""How proposals end: exactly one Outcome each, and the retained copy cleared."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from inksteward.approval import Life, NotAllowed, advance
from inksteward.approval import State as ProposalState
from inksteward.contract.codes import Alarm, Lapse, ResultCode
from inksteward.contract.outputs import MovedKey, MovedSweep, Outcome, RefusedMove
from inksteward.events import Via
from inksteward.model.verdict import Rule
from inksteward.steward.state import Pending, Standing, UnitState
from inksteward.steward.turn import Turn

RESULTS = {
    ProposalState.REJECTED: ResultCode.REJECTED,
    ProposalState.LAPSED: ResultCode.LAPSED,
    ProposalState.MOVED: ResultCode.MOVED,
    ProposalState.FAILED: ResultCode.FAILED,
    ProposalState.REFUSED: ResultCode.REFUSED,
}
VIA = {Via.MQTT: "mqtt", Via.PAGE: "page", Via.COMMAND_LINE: "command_line", Via.DRIVER: None}


ENDED_KEPT = 2000


class Impossible(Exception):
    """A proposal was asked to do what its table forbids: a fault of ours."""


def must(life: ProposalState, what: Life) -> ProposalState:
    """The state after this. Raises Impossible for what the table of states forbids."""
    state = advance(life, what)
    if isinstance(state, NotAllowed):
        raise Impossible(state.text)
    return state


def _moved(state: UnitState, pending: Pending) -> tuple[tuple[MovedKey, ...], MovedSweep | None]:
    """What was asked to move and where it was read back."""
    position = state.position
    rows = []
    for row in pending.command["targets"]:
        back = position.opening_pct[row["zone"] - 1] if position else None
        rows.append(
            MovedKey(zone=row["zone"], from_pct=row["from_pct"], to_pct=row["to_pct"], read_back_pct=back)
        )
    to_pct = pending.command["sweep_pct"]
    sweep = None
    if to_pct is not None:
        sweep = MovedSweep(
            from_pct=pending.sweep_from_pct,
            to_pct=to_pct,
            read_back_pct=position.sweep_pct if position else None,
        )
    return tuple(rows), sweep


def end(
    turn: Turn,
    unit: str,
    life: Life,
    *,
    code: Lapse | Rule | Alarm | None = None,
    decision: tuple[str, str, str | None] | None = None,
    refusals: tuple[dict[str, Any], ...] = (),
) -> None:
    """End the proposal of a unit: Outcome out, retained copy cleared, state forgotten.

    ``decision``: decision id, operator and way, where one was made. Raises Impossible for what the table of
    states forbids.
    """
    state = turn.unit(unit)
    standing = state.standing
    if standing is None:
        raise Impossible(f"{unit}: no proposal to end")
    result = must(standing.life, life)
    if not result.ended:
        raise Impossible(f"{unit}: {life} does not end a proposal")
    pending = state.pending
    if decision is None and pending is not None:
        decision = (pending.decision_id, pending.operator, pending.via)
    told = pending if result in (ProposalState.MOVED, ProposalState.FAILED) else None
    moved, sweep = _moved(state, told) if told is not None else ((), None)
    decision_id, operator, via = decision or (None, None, None)
    facts = {
        "proposal_id": standing.payload["proposal_id"],
        "decision_id": decision_id,
        "unit": unit,
        "result": RESULTS[result],
        "code": code,
        "operator": operator,
        "via": via,
        "moved": moved,
        "sweep": sweep,
        "refusals": tuple(RefusedMove(**{**row, "rule": Rule(row["rule"])}) for row in refusals),
        "journal": turn.head(),
        "at": turn.at,
    }
    turn.publish("outcome", Outcome.model_validate(facts))
    turn.clear(f"proposal/{unit}")
    turn.put(_without(state, standing, code, decided=decision is not None))
    _remember(turn, standing.payload["proposal_id"], unit)


def _remember(turn: Turn, proposal_id: str, unit: str) -> None:
    """Keep which unit an ended proposal was for, so that a late decision is told what stands now."""
    ended = {**turn.state.ended, proposal_id: unit}
    for old in list(ended)[: max(len(ended) - ENDED_KEPT, 0)]:
        del ended[old]
    turn.state = replace(turn.state, ended=ended)


def _without(
    state: UnitState, standing: Standing, code: Lapse | Rule | Alarm | None, *, decided: bool
) -> UnitState:
    """The unit without its proposal, which one was replaced, and how many were in a row."""
    replaced = code is Lapse.REPLACED
    return replace(
        state,
        standing=None,
        pending=None,
        replaced_id=str(standing.payload["proposal_id"]) if replaced else None,
        passed_over=state.passed_over + 1 if replaced else 0 if decided else state.passed_over,
    )


def lapse(turn: Turn, unit: str, code: Lapse) -> None:
    """Let the standing proposal of a unit lapse, if there is one; an approved one goes its way."""
    standing = turn.unit(unit).standing
    if standing is not None and standing.life is ProposalState.STANDING:
        end(turn, unit, Life.LAPSE, code=code)


def lapse_all(turn: Turn, code: Lapse) -> None:
    """Let every standing proposal lapse."""
    for unit in list(turn.state.units):
        lapse(turn, unit, code)
