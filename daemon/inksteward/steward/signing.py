"""Who sent it: an operator whom the shell vouches for, a valid signature, or nobody on a bench that says so."""

from __future__ import annotations

from typing import Any

from inksteward.authority import Rejected, parse_operators, verify_signed
from inksteward.config import Unsigned
from inksteward.contract.base import FieldError, shown
from inksteward.events import Received, Via
from inksteward.steward.turn import Turn


def sender_errors(turn: Turn, event: Received, data: dict[str, Any], operator: str) -> list[FieldError]:
    """Empty if the operator named in a decision or request really sent it."""
    operators = parse_operators(turn.state.operators)
    known = operators.find(operator)
    if known is None or known.revoked:
        return [FieldError("operator", shown(operator), "a known operator who was not revoked")]
    if event.via is Via.PAGE:
        if event.authenticated_as == operator:
            return []
        return [FieldError("operator", shown(operator), "the operator who is signed in")]
    if data.get("signature") is None:
        if turn.config.approval.unsigned is Unsigned.BENCH:
            return []
        return [FieldError("signature", "missing", "a signature (only a bench may do without)")]
    verdict = verify_signed(data, operators)
    if isinstance(verdict, Rejected):
        return [FieldError(verdict.field, shown(verdict.value), verdict.expected)]
    return []
