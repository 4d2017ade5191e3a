"""What a scan said of one unit, in the form of the contract."""

from __future__ import annotations

from inksteward.contract.codes import NoProposal
from inksteward.contract.outputs import UnitReading
from inksteward.control.situation import Worked
from inksteward.reading import LaneReading
from inksteward.steward.state import UnitState

ROUND_DENSITY = 3


def rounded(value: float | None) -> float | None:
    """A density as the public messages say it."""
    return None if value is None else round(value, ROUND_DENSITY)


def unit_reading(
    state: UnitState,
    lane: LaneReading,
    worked: Worked | None,
    proposal_id: str | None,
    reason: NoProposal | None,
) -> UnitReading:
    """The reading as it is published: densities against aims, where they settle, and the proposal or why none."""
    inside: tuple[bool | None, ...] = tuple(None for _ in lane.density)
    if state.aim is not None:
        inside = tuple(
            (False if lane.film[i] is not None else None)
            if value is None
            else state.low[i] <= value <= state.high[i]
            for i, value in enumerate(lane.density)
        )
    settled: tuple[float | None, ...] = tuple(None for _ in lane.density)
    if worked is not None:
        settled = tuple(rounded(value) for value in worked.forecast.settled_density)
    return UnitReading(
        ink=state.ink.ink if state.ink else "",
        density=tuple(rounded(value) for value in lane.density),
        patches=lane.counts,
        sigma=tuple(None if value is None else round(value, 4) for value in lane.sigma),
        aim=state.aim,
        low=tuple(round(value, 4) for value in state.low) if state.aim else None,
        high=tuple(round(value, 4) for value in state.high) if state.aim else None,
        in_tolerance=inside,
        predicted_settled=settled,
        proposal_id=proposal_id,
        no_proposal=reason,
    )
