"""Placing patches on zones. The pitch of patches and the pitch of keys are different numbers."""

from __future__ import annotations

from math import floor, fsum

from inksteward.contract.codes import NoteCode
from inksteward.contract.inputs import SheetFormat, Strip
from inksteward.contract.outputs import Note
from inksteward.reading.lanes import Lane, Weights

SHARE_MIN = 0.1
"""A zone counts as read when at least this much of a patch lies in it, summed over its patches."""

_TOUCH = 1e-9


def shares(x_mm: float, width_mm: float, first_edge_mm: float, pitch_mm: float, zones: int) -> Weights:
    """Zones under a patch of that centre and width, each with its share of the patch.

    Zones count from index 0 at ``first_edge_mm`` upward. Shares are above 0 and sum to 1; a patch whose end
    lies beyond the outer edge counts with what lies inside. Empty when the centre lies outside the zones.
    Raises ValueError for a width below 0.1 mm, a pitch below 1 mm and for no zones.
    """
    if not (
        width_mm >= 0.1 and pitch_mm >= 1.0 and zones >= 1
    ):  # one look in the usual case: this is called often
        for name, value, least in (
            ("width_mm", width_mm, 0.1),
            ("pitch_mm", pitch_mm, 1),
            ("zones", zones, 1),
        ):
            if not value >= least:
                raise ValueError(f"{name}: {value}: expected at least {least}")
    if not first_edge_mm <= x_mm <= first_edge_mm + zones * pitch_mm:
        return ()
    left = (x_mm - width_mm / 2.0 - first_edge_mm) / pitch_mm
    right = (x_mm + width_mm / 2.0 - first_edge_mm) / pitch_mm
    first, last = max(floor(left), 0), min(floor(right), zones - 1)
    if first == last:
        return ((first, 1.0),)
    touched = [(zone, min(right, zone + 1.0) - max(left, float(zone))) for zone in range(first, last + 1)]
    covered = [(zone, length) for zone, length in touched if length > _TOUCH]
    total = fsum(length for _, length in covered)
    return tuple((zone, length / total) for zone, length in covered)


def on_sheet(x_mm: float, width_mm: float, sheet: SheetFormat) -> bool:
    """Whether the middle half of a patch, which is what an instrument looks at, lies on the sheet."""
    quarter = width_mm / 4.0
    right_edge_mm = sheet.left_edge_mm + sheet.width_mm
    return sheet.left_edge_mm <= x_mm - quarter and x_mm + quarter <= right_edge_mm


def sheet_shares(sheet: SheetFormat | None, lane: Lane) -> tuple[float, ...]:
    """Share of each zone that lies on the sheet, 0..1; all 1 when no format is known."""
    if sheet is None:
        return (1.0,) * lane.zones
    left = (sheet.left_edge_mm - lane.first_edge_mm) / lane.pitch_mm
    right = left + sheet.width_mm / lane.pitch_mm
    return tuple(max(0.0, min(right, zone + 1.0) - max(left, float(zone))) for zone in range(lane.zones))


def bridged(read: tuple[bool, ...], zone: int) -> bool:
    """Whether an unread zone lies between two read neighbours, so that it may be interpolated."""
    return 0 < zone < len(read) - 1 and not read[zone] and read[zone - 1] and read[zone + 1]


def mirrored(x_mm: float, low_mm: float, high_mm: float) -> float:
    """The place as far from the strip's one end as ``x_mm`` is from the other."""
    return low_mm + high_mm - x_mm


def solid_places(strip: Strip, ink: str) -> tuple[float, ...]:
    """Centres of the solids of one ink on the sheet, mirrored within the strip where the job says so."""
    places = [patch.x_mm for patch in strip.patches]
    solids = [patch.x_mm for patch in strip.patches if patch.kind == "solid" and patch.inks == (ink,)]
    if strip.mirror:
        solids = [mirrored(x, min(places), max(places)) for x in solids]
    return tuple(sorted(solids))


def undetermined_zones(
    strip: Strip, lane: Lane, patch_width_mm: float, sheet: SheetFormat | None = None
) -> tuple[int, ...]:
    """Zones (index from 0) of the lane that no solid of the strip reads and no neighbours bridge.

    These stay undetermined in every scan of the job. Zones wholly off the sheet are not among them: nothing
    is printed there.
    """
    cover = [0.0] * lane.zones
    for x in solid_places(strip, lane.ink):
        if sheet is None or on_sheet(x, patch_width_mm, sheet):
            for zone, share in shares(x, patch_width_mm, lane.first_edge_mm, lane.pitch_mm, lane.zones):
                cover[zone] += share
    read = tuple(total >= SHARE_MIN for total in cover)
    printed = sheet_shares(sheet, lane)
    return tuple(
        zone
        for zone in range(lane.zones)
        if printed[zone] > 0.0 and not read[zone] and not bridged(read, zone)
    )


def undetermined_note(
    strip: Strip, lane: Lane, patch_width_mm: float, sheet: SheetFormat | None = None
) -> Note | None:
    """What to tell at job start of zones that the job's strip cannot read, or None when it reads all."""
    zones = undetermined_zones(strip, lane, patch_width_mm, sheet)
    if not zones:
        return None
    return Note(
        code=NoteCode.UNDETERMINED,
        zones=tuple(zone + 1 for zone in zones),
        text=f"{lane.unit}: the strip has no solid of {lane.ink} in {len(zones)} of {lane.zones} zones "
        "nor on both sides of them: these keys move by sweep only",
        remedy=f"Use a strip whose solids of {lane.ink} are at most {lane.pitch_mm:g} mm apart, "
        "or read these zones by hand",
    )
