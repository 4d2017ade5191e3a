"""Contacts of blade and roller: the one thing that must never happen, recorded by the press itself."""

from dataclasses import dataclass

import numpy as np

from inksteward_simulators.press.arrays import Array
from inksteward_simulators.press.blade import Blade


@dataclass(slots=True)
class Contact:
    """One episode in one zone. `gap_um` is the deepest gap so far, `x_mm` where on the strip's axis that was."""

    unit: str
    zone: int
    run_id: str
    sheet: int
    time_s: float
    x_mm: float
    gap_um: float


class ContactWatch:
    """Watches the blade line of one unit. A zone counts once from its first touch until it is clear again."""

    def __init__(self, unit: str, blade: Blade, first_edge_mm: float) -> None:
        self._unit = unit
        self._blade = blade
        self._first_edge_mm = first_edge_mm
        self._open: dict[int, Contact] = {}
        self.found: list[Contact] = []

    def look(self, openings_um: Array, run_id: str, sheet: int, time_s: float) -> None:
        """Judge the openings (samples, zones) in their order; a gap of exactly 0 is a contact."""
        gaps = self._blade.line_gap_um(np.atleast_2d(openings_um))
        if not self._open and gaps.min() > 0.0:
            return
        for line in gaps:
            self._look_once(line, run_id, sheet, time_s)

    def _look_once(self, line: Array, run_id: str, sheet: int, time_s: float) -> None:
        touching = np.flatnonzero(line <= 0.0)
        zones = {int(zone) for zone in self._blade.point_zone[touching]}
        for zone in set(self._open) - zones:
            del self._open[zone]
        for zone in sorted(zones):
            points = np.flatnonzero(self._blade.point_zone == zone)
            point = int(points[np.argmin(line[points])])
            gap_um, x_mm = float(line[point]), self._first_edge_mm + float(self._blade.point_mm[point])
            if zone not in self._open:
                self._open[zone] = Contact(self._unit, zone + 1, run_id, sheet, time_s, x_mm, gap_um)
                self.found.append(self._open[zone])
            elif gap_um < self._open[zone].gap_um:
                self._open[zone].gap_um, self._open[zone].x_mm = gap_um, x_mm
