"""Decisions of the operator side, pure: whole approvals, edits, and what a cheat or a blunder would send."""

from __future__ import annotations

from typing import Any

from tests.outside.rig_json import Json, new_id, now_text
from tests.outside.rig_sign import Signer, stranger

CHANGE_LEAST_PCT = 0.3


def decision_for(proposal: Json, operator: str, verdict: str = "approve", **edits: Any) -> Json:
    """A decision without signature; edits: leave, change, leave_sweep, reason."""
    plain: Json = {"leave": [], "change": [], "leave_sweep": False, "reason": None}
    return (
        {
            "decision_id": new_id("d"),
            "proposal_id": proposal["proposal_id"],
            "digest": proposal["digest"],
            "verdict": verdict,
        }
        | (plain | edits)
        | {"operator": operator, "decided_at": now_text()}
    )


def expected_targets(proposal: Json, decision: Json) -> tuple[dict[int, float], float | None]:
    """Target by zone and sweep (None: no sweep move) that an accepted approval must lead to."""
    if decision["verdict"] != "approve":
        return {}, None
    changed = {item["zone"]: item["to_pct"] for item in decision["change"]}
    sweep = None if proposal["sweep"] is None or decision["leave_sweep"] else proposal["sweep"]["to_pct"]
    targets = {}
    for move in proposal["moves"]:
        zone, target = move["zone"], move["to_pct"]
        if decision["leave_sweep"]:
            target = move.get("to_pct_if_sweep_left")
        target = changed.get(zone, target)
        if zone not in decision["leave"] and target is not None:
            targets[zone] = float(target)
    return targets, sweep


def leave_one(proposal: Json) -> Json | None:
    """Edits that drop the last of at least two moves; None when there are fewer."""
    moves = proposal["moves"]
    return {"leave": [moves[-1]["zone"]]} if len(moves) >= 2 else None


def change_one(proposal: Json) -> Json | None:
    """Edits that stop one move short of its target, to 0.1 %; None when all moves are too small for that."""
    for move in proposal["moves"]:
        step = move["to_pct"] - move["from_pct"]
        if abs(step) >= CHANGE_LEAST_PCT:
            short = round(move["from_pct"] + 0.7 * step, 1)
            if short not in (move["from_pct"], move["to_pct"]):
                return {"change": [{"zone": move["zone"], "to_pct": short}]}
    return None


def close_one(proposal: Json) -> Json | None:
    """Edits that close a key onto the roller, which the interlock must refuse; None without moves."""
    moves = proposal["moves"]
    return {"change": [{"zone": moves[0]["zone"], "to_pct": 0.0}]} if moves else None


def leave_sweep(proposal: Json) -> Json | None:
    """Edits that drop the sweep and keep key moves; None where there is nothing of both kinds."""
    kept = [m for m in proposal["moves"] if m.get("to_pct_if_sweep_left") is not None]
    return {"leave_sweep": True} if proposal["sweep"] is not None and kept else None


BLUNDERS = (
    "forged_signature",
    "altered_digest",
    "unknown_operator",
    "outer_fields_differ",
    "more_in_header",
    "no_signature",
)


def blunder(kind: str, proposal: Json, operator: str, signer: Signer | None) -> Json | None:
    """A decision that must be answered `accepted` false; None where the kind says nothing without signatures."""
    body = decision_for(proposal, operator)
    if kind == "forged_signature":
        return stranger("rig-forged" if signer is None else signer.kid).seal(body)
    if kind in ("altered_digest", "unknown_operator"):
        other = {"digest": _other_digest(proposal["digest"])}
        body |= other if kind == "altered_digest" else {"operator": "op-nobody"}
        return body if signer is None else signer.seal(body)
    if signer is None:
        return None
    if kind == "no_signature":
        return body
    if kind == "more_in_header":
        return signer.seal(body, {"typ": "JWT"})
    sealed = signer.seal(body | {"verdict": "reject"})
    return sealed | {"verdict": "approve"}


def _other_digest(digest: str) -> str:
    last = "0" if digest[-1] != "0" else "1"
    return digest[:-1] + last


def request_for(kind: str, operator: str, **fields: Any) -> Json:
    """A request without signature; the kind's own fields stand beside the common ones."""
    return {"request_id": new_id("q"), "kind": kind, "operator": operator} | fields
