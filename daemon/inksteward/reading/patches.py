"""One patch at a time: does it count, and if not, why not, in plain words with its numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt

from inksteward.contract.codes import SetAside
from inksteward.contract.inputs import Patch, SheetFormat
from inksteward.contract.outputs import Aside
from inksteward.control.film import NOT_INKED_BELOW, SATURATED_ABOVE
from inksteward.reading.filters import COLOURS, Measured, dominant_filter
from inksteward.reading.lanes import Lane, PatchReading, PlainReading, Weights
from inksteward.reading.orientation import Slot
from inksteward.reading.status import CHANNELS
from inksteward.reading.strip import on_sheet, shares

NOISE_SIGMAS = 3.0
"""A density below zero by more than this many sigma of the instrument is no density of this strip."""
SOLID_PCT = 100.0


@dataclass(frozen=True, slots=True)
class Frame:
    """What a patch is judged by: lanes of the scan's side in printing order, sheet, patch width (mm) and standard
    deviations (D)."""

    lanes: tuple[Lane, ...]
    sheet: SheetFormat | None
    patch_width_mm: float
    instrument_sigma: float
    sheet_sigma: float

    @property
    def sigma(self) -> float:
        """Standard deviation of one patch on one sheet, D."""
        return sqrt(self.instrument_sigma * self.instrument_sigma + self.sheet_sigma * self.sheet_sigma)


@dataclass(frozen=True, slots=True)
class Solid:
    """A solid of a lane that reads as one; ``extreme`` is set where its density cannot be told as a film."""

    lane: Lane
    patch: PatchReading
    extreme: Aside | None = None


@dataclass(frozen=True, slots=True)
class Tint:
    """A tint of a lane."""

    lane: Lane
    index: int
    x_mm: float
    nominal_pct: float
    density: float


@dataclass(frozen=True, slots=True)
class Overprint:
    """Two solids over each other: the lane printed first, the one printed over it, densities by filter, D."""

    first: Lane
    second: Lane
    index: int
    x_mm: float
    density: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Found:
    """Patches of a scan, sorted out."""

    solids: tuple[Solid, ...]
    tints: tuple[Tint, ...]
    overprints: tuple[Overprint, ...]
    asides: tuple[Aside, ...]
    bare: tuple[PlainReading, ...] = ()
    grey: tuple[PlainReading, ...] = ()


def _lane(slot: Slot, frame: Frame) -> Lane | str:
    """The one lane that a patch speaks for, or why there is none."""
    if len(slot.inks) != 1:
        return f"a solid of {len(slot.inks)} inks where a solid has one"
    ink = slot.inks[0]
    found = [lane for lane in frame.lanes if lane.ink == ink]
    if len(found) == 1:
        return found[0]
    if not found:
        return f"no unit of this side prints {ink}"
    units = " and ".join(lane.unit for lane in found)
    return f"{units} both print {ink} on this side: the patch cannot be told to be of one of them"


def _wrong_filter(ink: str, density: Mapping[str, float]) -> str | None:
    """Why these densities are not of the labelled ink; None where they may be. Spot inks are not judged."""
    shows = dominant_filter(density)
    if shows is None or ink not in CHANNELS or shows == ink:
        return None
    values = ", ".join(f"{channel} {density[channel]:.2f}" for channel in COLOURS)
    what = (
        "the three filters read nearly the same" if shows == "K" else f"the filter of {shows} reads highest"
    )
    return f"labelled {ink}, but {what} ({values})"


def _extreme(density: float, lane: Lane, frame: Frame) -> tuple[SetAside, str] | None:
    """Why a density cannot be told as a film of the lane's ink; None where it can."""
    noise = NOISE_SIGMAS * frame.instrument_sigma
    low, high = NOT_INKED_BELOW * lane.d_inf, SATURATED_ABOVE * lane.d_inf
    if density < -noise:
        return SetAside.OUT_OF_RANGE, f"density {density:.3f} is below zero by more than noise ({noise:.3f})"
    if density < low:
        return SetAside.NOT_INKED, f"density {density:.3f} of {lane.ink} is below {low:.3f}: not inked yet"
    if density > high:
        text = (
            f"density {density:.3f} of {lane.ink} is above {high:.3f}: saturated, it no longer tells the film"
        )
        return SetAside.SATURATED, text
    return None


def _weights(x_mm: float, lane: Lane, frame: Frame) -> Weights:
    return shares(x_mm, frame.patch_width_mm, lane.first_edge_mm, lane.pitch_mm, lane.zones)


def _placed(index: int, slot: Slot, lane: Lane, density: float, frame: Frame) -> Solid | Aside:
    """A solid with its zones, or why it has none."""
    weights = _weights(slot.x_mm, lane, frame)
    if not weights:
        end_mm = lane.first_edge_mm + lane.zones * lane.pitch_mm
        text = f"lies outside the zones of {lane.unit} ({lane.first_edge_mm:.1f} to {end_mm:.1f} mm)"
        return _aside(index, slot, SetAside.OUTSIDE_ZONES, text)
    patch = PatchReading(index, slot.x_mm, weights, density, frame.sigma)
    extreme = _extreme(density, lane, frame)
    return Solid(lane, patch, _aside(index, slot, *extreme) if extreme else None)


def _aside(index: int, slot: Slot, code: SetAside, text: str) -> Aside:
    return Aside(index=index, code=code, text=f"At {slot.x_mm:.1f} mm: {text}")


def _off_sheet(index: int, slot: Slot, frame: Frame) -> Aside | None:
    """The patch set aside where it does not lie on the sheet."""
    if frame.sheet is None or on_sheet(slot.x_mm, frame.patch_width_mm, frame.sheet):
        return None
    right_mm = frame.sheet.left_edge_mm + frame.sheet.width_mm
    text = f"does not lie on the sheet ({frame.sheet.left_edge_mm:.1f} to {right_mm:.1f} mm)"
    return _aside(index, slot, SetAside.OFF_SHEET, text)


def _overprint(
    index: int, patch: Patch, slot: Slot, density: Mapping[str, float], frame: Frame
) -> Overprint | Aside | None:
    """Two solids of two lanes, each the only one of its ink; anything else says nothing of how an ink lies."""
    lanes = [lane for lane in frame.lanes if lane.ink in slot.inks]
    inks = {lane.ink for lane in lanes}
    if patch.tone_pct < SOLID_PCT or len(slot.inks) != 2 or len(lanes) != 2 or len(inks) != 2:
        return None
    return _off_sheet(index, slot, frame) or Overprint(lanes[0], lanes[1], index, slot.x_mm, density)


def _sort(
    index: int, patch: Patch, slot: Slot, measured: Measured, frame: Frame
) -> Solid | Tint | Overprint | Aside | None:
    """What becomes of one patch; None for one that says nothing of a lane and is no misread either."""
    if measured.density is None:
        return _aside(index, slot, SetAside.MISSED, measured.why)
    if slot.kind not in {"solid", "tint"}:
        over = slot.kind == "overprint"
        return _overprint(index, patch, slot, measured.density, frame) if over else None
    lane = _lane(slot, frame)
    if isinstance(lane, str):
        return _aside(index, slot, SetAside.UNKNOWN_INK, lane) if slot.kind == "solid" else None
    wrong = _wrong_filter(lane.ink, measured.density)
    if wrong is not None:
        return _aside(index, slot, SetAside.WRONG_FILTER, wrong)
    density = measured.density.get(lane.ink)
    if density is None:
        return _aside(index, slot, SetAside.MISSED, f"no density was measured for {lane.ink}")
    off = _off_sheet(index, slot, frame)
    if off is not None:
        return off
    if slot.kind == "tint":
        return Tint(lane, index, slot.x_mm, patch.tone_pct, density)
    return _placed(index, slot, lane, density, frame)


def sort_out(
    patches: Sequence[Patch],
    measured: Sequence[Measured],
    placed: Sequence[Slot | None],
    frame: Frame,
    nowhere: str,
) -> Found:
    """Solids, tints and overprints of the frame's lanes, and every misread with its reason.

    ``placed``: where each patch belongs; for None the patch is refused with the text ``nowhere``. A solid that
    is not inked, saturated or out of range is among the solids, marked, and among the asides.
    """
    solids: list[Solid] = []
    tints: list[Tint] = []
    overprints: list[Overprint] = []
    asides: list[Aside] = []
    for index, (patch, reading, slot) in enumerate(zip(patches, measured, placed, strict=True)):
        label = slot or Slot(patch.x_mm, patch.kind, patch.inks)
        if slot is None and reading.density is not None:
            asides.append(_aside(index, label, SetAside.WRONG_FILTER, nowhere))
            continue
        found = _sort(index, patch, label, reading, frame)
        if isinstance(found, Solid):
            solids.append(found)
            asides.extend([found.extreme] if found.extreme else [])
        elif isinstance(found, Tint):
            tints.append(found)
        elif isinstance(found, Overprint):
            overprints.append(found)
        elif found is not None:
            asides.append(found)
    bare, grey = (_plain(kind, measured, placed, frame) for kind in ("paper", "grey"))
    return Found(tuple(solids), tuple(tints), tuple(overprints), tuple(asides), bare, grey)


def _plain(
    kind: str, measured: Sequence[Measured], placed: Sequence[Slot | None], frame: Frame
) -> tuple[PlainReading, ...]:
    """Patches on the sheet that no ink is read from, of one kind."""
    return tuple(
        PlainReading(slot.x_mm, reading.density)
        for index, (reading, slot) in enumerate(zip(measured, placed, strict=True))
        if slot is not None
        and slot.kind == kind
        and reading.density is not None
        and _off_sheet(index, slot, frame) is None
    )
