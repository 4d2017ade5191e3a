"""Invented colour bars for the tests of the reading room: payload forms built in a line."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from inksteward.contract.inputs import Patch, Scan, SheetFormat, Strip
from inksteward.reading import Lane, ScanReading, read_scan

INKS = ("K", "C", "M", "Y")
D_INF = {"K": 2.00, "C": 1.65, "M": 1.65, "Y": 1.70, "P1": 1.60}
# What a solid shows through each filter as a share of its own density (invented, of the usual kind).
SIDE = {
    "K": {"C": 0.97, "M": 0.98, "Y": 0.96, "K": 1.0},
    "C": {"C": 1.0, "M": 0.33, "Y": 0.10, "K": 0.37},
    "M": {"C": 0.10, "M": 1.0, "Y": 0.52, "K": 0.55},
    "Y": {"C": 0.02, "M": 0.06, "Y": 1.0, "K": 0.05},
}
INSTRUMENT_SIGMA, SHEET_SIGMA = 0.0075, 0.015
WIDTH_MM, PITCH_MM = 5.0, 32.5


def through_filters(ink: str, density: float) -> dict[str, float]:
    """Densities of a solid of a process ink through all filters."""
    return {name: density * share for name, share in SIDE[ink].items()}


def solid(x_mm: float, ink: str, density: float | None, label: str | None = None) -> Patch:
    """A solid; ``label`` when the scan calls it another ink than it is."""
    values = None if density is None else through_filters(ink, density)
    return Patch(x_mm=x_mm, kind="solid", inks=(label or ink,), density=values)


def paper(x_mm: float, density: float = 0.0) -> Patch:
    """Bare paper."""
    return Patch(x_mm=x_mm, kind="paper", tone_pct=0.0, density=dict.fromkeys(("C", "M", "Y", "K"), density))


def tint(x_mm: float, ink: str, density: float, tone_pct: float) -> Patch:
    """A tint of a process ink."""
    return Patch(
        x_mm=x_mm, kind="tint", inks=(ink,), tone_pct=tone_pct, density=through_filters(ink, density)
    )


def scan(patches: Iterable[Patch], **changed: Any) -> Scan:
    """A full scan of the front by a strip instrument on a paper-relative basis; ``changed`` replaces members."""
    instrument = {"id": "strip-1", "kind": "strip", "status": "E", "polarised": True, "paper_relative": True}
    instrument |= changed.pop("instrument", {})
    form: dict[str, Any] = {
        "scan_id": "s-1",
        "run_id": "run-1",
        "side": "front",
        "sheet": 100,
        "taken_at": "2026-03-02T08:15:30.000Z",
        "extent": "full",
        "instrument": instrument,
        "patches": tuple(patches),
    }
    return Scan.model_validate(form | changed)


def lane(ink: str = "C", zones: int = 8, **changed: Any) -> Lane:
    """The lane of one ink on the front, zone 1 from 0 mm on."""
    form: dict[str, Any] = {
        "unit": f"u-{ink}",
        "ink": ink,
        "side": "front",
        "zones": zones,
        "pitch_mm": PITCH_MM,
        "first_edge_mm": 0.0,
        "d_inf": D_INF[ink],
    }
    return Lane(**(form | changed))


def lanes(zones: int = 8) -> tuple[Lane, ...]:
    """Lanes of the four process inks."""
    return tuple(lane(ink, zones) for ink in INKS)


Density = Callable[[str, float], float]
"""Density by ink and place, mm."""


def level(density: float) -> Density:
    """The same density of every ink everywhere."""
    return lambda ink, x_mm: density


ON_AIM = level(1.2)

# Not periodic and not the same from both ends.
TURN = ("K", "C", "M", "Y", "K", "Y", "C", "", "M", "C", "K", "M", "Y")


def slots(zones: int = 8, step_mm: float = 5.0, turn: Sequence[str] = TURN) -> list[tuple[float, str]]:
    """Places and inks ('' is paper) of a strip over all zones."""
    count = int(zones * PITCH_MM / step_mm)
    start = (zones * PITCH_MM - (count - 1) * step_mm) / 2.0
    return [(round(start + step_mm * n, 3), turn[n % len(turn)]) for n in range(count)]


def strip(places: Sequence[tuple[float, str]], mirror: bool = False) -> Strip:
    """The job's strip with these places."""
    patches: list[Mapping[str, Any]] = [
        {"x_mm": x, "kind": "solid" if ink else "paper", "inks": (ink,) if ink else ()} for x, ink in places
    ]
    return Strip.model_validate({"id": "bar", "mirror": mirror, "patches": tuple(patches)})


def printed(places: Sequence[tuple[float, str]], density: Density = ON_AIM) -> list[Patch]:
    """Patches read and labelled as they lie on the sheet."""
    return [solid(x, ink, density(ink, x)) if ink else paper(x) for x, ink in places]


def read(
    patches: Iterable[Patch],
    *lanes_: Lane,
    strip: Strip | None = None,
    sheet: SheetFormat | None = None,
    **changed: Any,
) -> ScanReading:
    """Read a scan with the usual patch width and noise."""
    return read_scan(
        scan(patches, **changed),
        lanes_ or lanes(),
        strip=strip,
        sheet=sheet,
        patch_width_mm=WIDTH_MM,
        instrument_sigma=INSTRUMENT_SIGMA,
        sheet_sigma=SHEET_SIGMA,
    )


def codes(reading: ScanReading) -> list[tuple[int, str]]:
    """Index and code of every patch set aside."""
    return [(aside.index, aside.code.value) for aside in reading.asides]
