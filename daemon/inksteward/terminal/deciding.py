"""A decision from the terminal: on exactly the proposal that was shown, signed with the operator's key."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from inksteward.authority import public_x, sign, thumbprint
from inksteward.canonical import digest

DIGEST_PREFIX = len("sha256:") + 8
"""So much of a digest names a proposal for certain enough; what is sent is the whole."""


class NotDecided(Exception):
    """There is nothing to decide on, or not what was meant; the text says why."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What the operator wants. ``reject``: the reason for a no, None for a yes; ``change``: zone -> percent."""

    leave: tuple[int, ...] = ()
    change: Mapping[int, float] | None = None
    leave_sweep: bool = False
    reject: str | None = None


def checked(proposal: dict[str, Any], meant: str | None) -> dict[str, Any]:
    """The proposal, if its digest is that of what came, and the one that was meant. Raises NotDecided."""
    computed = digest({name: value for name, value in proposal.items() if name != "digest"})
    if computed != proposal.get("digest"):
        raise NotDecided(
            f"the proposal is not what its digest says: {proposal.get('digest')}, computed {computed}"
        )
    if meant is not None and (len(meant) < DIGEST_PREFIX or not computed.startswith(meant)):
        raise NotDecided(f"--digest {meant}: another proposal stands now, {computed}")
    return proposal


def targets(proposal: dict[str, Any], wish: Wish) -> dict[int, float]:
    """Zone -> percent, as it would move."""
    name = "to_pct_if_sweep_left" if wish.leave_sweep else "to_pct"
    found = {row["zone"]: row[name] for row in proposal["moves"]} | dict(wish.change or {})
    return {zone: to for zone, to in found.items() if to is not None and zone not in wish.leave}


def decision(
    proposal: dict[str, Any], wish: Wish, operator: str, key: Ed25519PrivateKey, kid: str | None
) -> dict[str, Any]:
    """The signed decision; ``kid`` None: the key's thumbprint."""
    sweep = proposal["sweep"]["to_pct"] if proposal["sweep"] and not wish.leave_sweep else None
    shown = [{"zone": zone, "to_pct": to} for zone, to in sorted(targets(proposal, wish).items())]
    payload = {
        "decision_id": str(uuid.uuid4()),
        "proposal_id": proposal["proposal_id"],
        "digest": proposal["digest"],
        "verdict": "approve" if wish.reject is None else "reject",
        "leave": sorted(wish.leave),
        "change": [{"zone": zone, "to_pct": to} for zone, to in sorted((wish.change or {}).items())],
        "leave_sweep": wish.leave_sweep,
        "shown": {"targets": shown, "sweep_pct": sweep} if wish.reject is None else None,
        "reason": wish.reject,
        "operator": operator,
        "decided_at": datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z"),
    }
    return {**payload, "signature": sign(payload, key, kid or thumbprint(public_x(key)))}
