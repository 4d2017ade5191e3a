"""How well an ink lies on the one printed before it: the apparent trap of the strip's overprints."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from inksteward.colour import Undefined
from inksteward.reading.density import trap_pct
from inksteward.reading.filters import Measured
from inksteward.reading.lanes import Lane, LaneReading, PatchReading, TrapReading
from inksteward.reading.outliers import REACH_PITCHES
from inksteward.reading.patches import Overprint


def trap_readings(
    overprints: Sequence[Overprint],
    readings: Mapping[str, LaneReading],
    measured: Sequence[Measured],
    paper: Mapping[str, float] | None,
) -> dict[str, tuple[TrapReading, ...]]:
    """Apparent trap of every overprint, percent, under the unit that prints second, in order of place.

    T = 100 (Dop - D1) / D2 through the second ink's filter, relative to paper (Preucil, TAGA 1958; form and year
    from memory). D1 and D2 are those of the nearest solid of each ink, at most two key pitches away. ``measured``:
    densities of all patches of the scan, by index. ``paper``: density of bare paper per filter on an absolute
    basis, None on a paper-relative one. Left out is an overprint without both solids, without a reference to
    paper, not read through the filter, or whose second solid is no denser than paper: nothing is known of it.
    """
    found: dict[str, list[TrapReading]] = {unit: [] for unit in readings}
    for patch in sorted(overprints, key=lambda patch: (patch.x_mm, patch.index)):
        trap = _trap_pct(patch, readings, measured, paper)
        if trap is not None:
            row = TrapReading(patch.index, patch.x_mm, patch.first.unit, trap)
            found[patch.second.unit].append(row)
    return {unit: tuple(rows) for unit, rows in found.items()}


def _trap_pct(
    patch: Overprint,
    readings: Mapping[str, LaneReading],
    measured: Sequence[Measured],
    paper: Mapping[str, float] | None,
) -> float | None:
    through = patch.second.ink
    under, over = (
        _nearest(patch.x_mm, lane, readings[lane.unit].patches) for lane in (patch.first, patch.second)
    )
    base = 0.0 if paper is None else paper.get(through)
    if under is None or over is None or base is None:
        return None
    both, first = patch.density.get(through), (measured[under.index].density or {}).get(through)
    if both is None or first is None:
        return None
    try:
        return trap_pct(both - base, first - base, over.density - base)
    except Undefined:
        return None


def _nearest(x_mm: float, lane: Lane, solids: Sequence[PatchReading]) -> PatchReading | None:
    """The nearest solid of a lane that counts, None where it is farther than neighbours are."""
    near = min(solids, key=lambda solid: abs(solid.x_mm - x_mm), default=None)
    return near if near is not None and abs(near.x_mm - x_mm) <= REACH_PITCHES * lane.pitch_mm else None
