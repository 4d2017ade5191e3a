"""Life of a proposal: an explicit table of states, and the rules by which it lapses, is replaced or is edited.

Openings and sweep are thousandths of a percent (mpct). Where keys and sweep stand in one mapping, zones count
from 1 and SWEEP stands for the sweep. No clock: ages and spans of time come in as arguments.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence, Set
from dataclasses import dataclass
from enum import StrEnum

from inksteward.contract.codes import Lapse
from inksteward.model import BladeCoupling, KeyMove, Moves
from inksteward.model.thousandths import thousandths

__all__ = [
    "SWEEP",
    "TABLE",
    "EditError",
    "Lapse",
    "Life",
    "NotAllowed",
    "ProposedMove",
    "Resolution",
    "State",
    "advance",
    "apply_edits",
    "confirmation_deadline_ms",
    "least_standing_ms",
    "may_replace",
    "moved_by_hand",
    "within_reach",
]

SWEEP = 0
HAND_MPCT = 500
CONFIRM_EXTRA_MS = 5_000
DOUBLINGS = 4
TRAVEL_MPCT = 100_000


class State(StrEnum):
    """State of a proposal. ``released`` is approved and handed to the keys, not yet confirmed by read-back."""

    STANDING = "standing"
    APPROVED = "approved"
    RELEASED = "released"
    REJECTED = "rejected"
    LAPSED = "lapsed"
    MOVED = "moved"
    FAILED = "failed"
    REFUSED = "refused"

    @property
    def ended(self) -> bool:
        """Whether nothing can happen to the proposal any more; its Outcome is published then."""
        return self not in (State.STANDING, State.APPROVED, State.RELEASED)


class Life(StrEnum):
    """What can happen to a proposal.

    ``bank_failed`` covers a command that was not sent, one whose fate is unknown, one that the keys refused.
    """

    APPROVE = "approve"
    REJECT = "reject"
    LAPSE = "lapse"
    RELEASED = "released"
    GUARD_REFUSED = "guard_refused"
    CONFIRMED = "confirmed"
    BANK_FAILED = "bank_failed"
    CONFIRM_TIMEOUT = "confirm_timeout"
    RESTART = "restart"


@dataclass(frozen=True, slots=True)
class NotAllowed:
    """This cannot happen to a proposal in this state; the proposal stays as it is."""

    state: State
    life: Life

    @property
    def text(self) -> str:
        """The refusal in words."""
        return f"{self.life} is not possible: the proposal is {self.state}"


# Restart: what was authorised but not released never goes out, what was released but not ended may have moved.
TABLE: dict[tuple[State, Life], State] = {
    (State.STANDING, Life.APPROVE): State.APPROVED,
    (State.STANDING, Life.REJECT): State.REJECTED,
    (State.STANDING, Life.LAPSE): State.LAPSED,
    (State.STANDING, Life.RESTART): State.LAPSED,
    (State.APPROVED, Life.RELEASED): State.RELEASED,
    (State.APPROVED, Life.GUARD_REFUSED): State.REFUSED,
    (State.APPROVED, Life.RESTART): State.LAPSED,
    (State.RELEASED, Life.CONFIRMED): State.MOVED,
    (State.RELEASED, Life.BANK_FAILED): State.FAILED,
    (State.RELEASED, Life.CONFIRM_TIMEOUT): State.FAILED,
    (State.RELEASED, Life.RESTART): State.FAILED,
}


def advance(state: State, life: Life) -> State | NotAllowed:
    """The state after this, or the refusal that names both."""
    return TABLE.get((state, life)) or NotAllowed(state, life)


@dataclass(frozen=True, slots=True)
class Resolution:
    """Finest step of a unit's key drives and of its sweep drive, mpct."""

    key_mpct: int
    sweep_mpct: int

    def of(self, place: int) -> int:
        """The finest step at a zone or at SWEEP."""
        return self.sweep_mpct if place == SWEEP else self.key_mpct


def within_reach(zones: Set[int], blade: BladeCoupling) -> frozenset[int]:
    """These zones and all whose keys share a place on the blade line with one of theirs; from 1."""
    rows = [{key + 1 for key, _, _ in row} for _, row in blade.points]
    return frozenset(zones).union(*(row for row in rows if row & zones))


def moved_by_hand(
    origin: Mapping[int, int], now: Mapping[int, int | None], resolution: Resolution
) -> tuple[int, ...]:
    """Where keys or sweep left what a proposal started from by more than max(0.5 %, 2 x resolution).

    ``origin`` holds the proposed keys, those within the blade's reach (within_reach) and the sweep. A position
    that is not known any more counts as left: the proposal no longer says where it leads.
    """
    return tuple(
        place
        for place, start in origin.items()
        if (at := now.get(place)) is None or abs(at - start) > max(HAND_MPCT, 2 * resolution.of(place))
    )


def may_replace(
    age_ms: int,
    min_standing_ms: int,
    old: Mapping[int, int],
    new: Mapping[int, int],
    resolution: Resolution,
    unsafe: bool,
) -> bool:
    """Whether a newer scan's targets may replace a standing proposal's.

    At once if it became unsafe; else after its minimum time, and only if a target came, went, or changed by more
    than one resolution.
    """
    changed = old.keys() != new.keys() or any(
        abs(new[place] - target) > resolution.of(place) for place, target in old.items()
    )
    return unsafe or (age_ms >= min_standing_ms and changed)


def least_standing_ms(least_ms: int, learned_ms: int, passed_over: int, expires_ms: int) -> int:
    """How long a proposal stands before a newer scan's may take its place, ms.

    Who is asked needs time: one and a half of what the decisions of this run took (``learned_ms``, 0 if there were
    none), and twice as long for every proposal in a row that was replaced undecided (``passed_over``): each scan
    would else take away what is just being read. Never longer than until it expires.
    """
    once_ms = max(least_ms, learned_ms + learned_ms // 2)
    return min(once_ms << min(passed_over, DOUBLINGS), expires_ms)


def confirmation_deadline_ms(travel_mpct: int, full_travel_s: float) -> int:
    """How long a released command may take until read-back confirms it: twice the travel time and 5 s.

    ``travel_mpct``: longest way of one drive; a little over 100 % where a read-back lies outside its travel.
    Raises ValueError naming what is negative or not finite.
    """
    if travel_mpct < 0:
        raise ValueError(f"travel_mpct: {travel_mpct}: expected 0 or more")
    if not 0 < full_travel_s < math.inf:
        raise ValueError(f"full_travel_s: {full_travel_s}: expected a finite time above 0")
    return math.ceil(2 * travel_mpct * full_travel_s / 100) + CONFIRM_EXTRA_MS


@dataclass(frozen=True, slots=True)
class ProposedMove:
    """One row of a proposal. ``if_sweep_left_mpct`` is None where the key makes no sense without the sweep."""

    zone: int
    to_mpct: int
    if_sweep_left_mpct: int | None = None


@dataclass(frozen=True, slots=True)
class EditError:
    """One thing wrong with the edits of a decision, as in the contract's answer."""

    field: str
    value: str
    expected: str


def apply_edits(
    unit: str,
    proposed: Sequence[ProposedMove],
    sweep_to_mpct: int | None,
    leave: Sequence[int],
    change: Sequence[tuple[int, float]],
    leave_sweep: bool,
) -> Moves | tuple[EditError, ...]:
    """What is to move once a decision's edits are applied to a proposal, or everything wrong with the edits.

    ``leave``: zones dropped. ``change``: (zone, percent) that replace a proposed target. ``leave_sweep`` drops
    the sweep: rows then use ``if_sweep_left_mpct`` and fall without one, unless the operator set their target.
    """
    errors = _leave_errors(leave, {row.zone for row in proposed})
    chosen, faults = _chosen(change, {row.zone for row in proposed}, leave)
    errors += faults
    if leave_sweep and sweep_to_mpct is None:
        errors.append(EditError("leave_sweep", "true", "false, as the proposal does not move the sweep"))
    if errors:
        return tuple(errors)
    sweep = None if leave_sweep else sweep_to_mpct
    rows = {row.zone: row.if_sweep_left_mpct if leave_sweep else row.to_mpct for row in proposed}
    kept = {zone: to for zone, to in (rows | chosen).items() if to is not None and zone not in leave}
    if not kept and sweep is None:
        expected = "a key or the sweep that is still to move; reject the proposal if nothing is"
        return (EditError("leave", str(list(leave)), expected),)
    return Moves(unit, tuple(KeyMove(zone - 1, to) for zone, to in kept.items()), sweep)


def _leave_errors(leave: Sequence[int], offered: Collection[int]) -> list[EditError]:
    errors = []
    for n, zone in enumerate(leave):
        if type(zone) is not int or zone not in offered:
            errors.append(EditError(f"leave.{n}", str(zone), "a zone that the proposal moves"))
        elif zone in leave[:n]:
            errors.append(EditError(f"leave.{n}", str(zone), "every zone once"))
    return errors


def _chosen(
    change: Sequence[tuple[int, float]], offered: Collection[int], leave: Collection[int]
) -> tuple[dict[int, int], list[EditError]]:
    chosen: dict[int, int] = {}
    errors = []
    for n, (zone, to_pct) in enumerate(change):
        field, to = f"change.{n}.zone", thousandths(to_pct)
        if type(zone) is not int or zone not in offered:
            errors.append(EditError(field, str(zone), "a zone that the proposal moves"))
        elif zone in leave:
            errors.append(EditError(field, str(zone), "a zone that is not left as well"))
        elif zone in chosen:
            errors.append(EditError(field, str(zone), "every zone once"))
        elif to is None or not 0 <= to <= TRAVEL_MPCT:
            expected = "0 to 100 percent, at most three decimals"
            errors.append(EditError(f"change.{n}.to_pct", str(to_pct), expected))
        else:
            chosen[zone] = to
    return chosen, errors
