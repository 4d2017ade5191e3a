"""The reading room: from the patches of a scanned colour bar to zone readings."""

from inksteward.colour import Undefined
from inksteward.reading.density import (
    density,
    greyness_pct,
    hue_error_pct,
    print_contrast_pct,
    status_density,
    tone_value_pct,
    trap_pct,
)
from inksteward.reading.lanes import (
    Lane,
    LaneReading,
    PatchReading,
    PlainReading,
    ScanReading,
    TintReading,
    TrapReading,
)
from inksteward.reading.read import read_scan
from inksteward.reading.strip import shares, sheet_shares, undetermined_note, undetermined_zones

__all__ = [
    "Lane",
    "LaneReading",
    "PatchReading",
    "PlainReading",
    "ScanReading",
    "TintReading",
    "TrapReading",
    "Undefined",
    "density",
    "greyness_pct",
    "hue_error_pct",
    "print_contrast_pct",
    "read_scan",
    "shares",
    "sheet_shares",
    "status_density",
    "tone_value_pct",
    "trap_pct",
    "undetermined_note",
    "undetermined_zones",
]
