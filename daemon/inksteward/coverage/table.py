"""Coverage as plain text for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from inksteward.coverage.measured import Measured

BAR_CHARACTERS = 40


def table(found: Measured) -> Iterator[str]:
    """Lines: where it comes from, one line a zone (number, mm from and to, coverage in %, bar), notes."""
    yield f"{found.unit}  {found.name}"
    yield found.origin()
    yield f"{'zone':>4} {'from mm':>8} {'to mm':>8} {'coverage %':>11}  |{'0':<20}{'50':<{BAR_CHARACTERS - 23}}100|"
    for zone, coverage in enumerate(found.zones.coverage, 1):
        left, right = (float(found.grid.edge_mm(edge)) for edge in (zone - 1, zone))
        row = f"{zone:>4} {left:>8.1f} {right:>8.1f} {100 * coverage:>11.2f}  |{bar(coverage)}| {found.reach(zone)}"
        yield row.rstrip()
    yield f"mean of all zones {100 * found.mean():.2f} %"
    for note in found.notes():
        yield f"note: {note}"


def bar(coverage: float) -> str:
    """``#`` for each full fortieth of 1, a ``.`` for less than one but more than nothing."""
    full = int(coverage * BAR_CHARACTERS)
    return ("#" * full or ("." if coverage > 0 else "")).ljust(BAR_CHARACTERS)
