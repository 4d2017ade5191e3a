"""Hypothesis strategies: units of either blade and anything that such a unit may be found in."""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from hypothesis import strategies as st

from inksteward.control.situation import Situation
from inksteward.model import Limits, Unit
from tests.control.situations import CURVED, WIDE, situation, unit_of

KINDS = 40
"""So many different units of each blade; number 0 has nothing but defaults."""
FINE = Limits(3.0, 20.0, 0.02, 1.0, 20.0, 10.0, 4.0)
"""Limits that bite early."""
NORMAL, UNREAD, OFF_SHEET, SILENT = 0, 7, 8, 9


@lru_cache(maxsize=4 * KINDS)
def kind(blade: str, number: int) -> Unit:
    """One of the units: drives from perfect to very poor, keys all different, tables straight or curved."""
    if number == 0:
        return unit_of(blade, 8)
    rng = np.random.default_rng([number, blade == "spring"])
    zones = int(rng.integers(8, 12)) if blade == "spring" else int(rng.integers(1, 10))
    over_pct = float(rng.choice([0.0, 0.5, 10.0]))
    unlike = rng.random() < 0.5
    calibration = {
        "uncertainty_um": [float(value) for value in rng.uniform(0.5, 5.0, zones).round(3)],
        "zero_um": [float(value) for value in (unlike * rng.uniform(0.0, 8.0, zones)).round(3)],
    }
    return unit_of(
        blade,
        zones,
        travel_um=300.0,
        min_gap_um=float(rng.choice([5.5, 10.0, 15.0, 25.0])),
        drive={
            "resolution_pct": float(rng.choice([0.001, 0.1, 0.25, 0.333, 1.0])),
            "backlash_pct": float(rng.choice([0.0, 0.5, 1.5, 5.0, 10.0])),
            "overshoot_pct": over_pct,
            "overshoot_closes": bool(over_pct > 0.0 and rng.random() < 0.5),
        },
        calibration=calibration | ({"table": CURVED} if rng.random() < 0.5 else {}),
        train={"kappa": float(rng.choice([0.0, 0.004, 0.0104, 0.05]))},
        sweep={"max_pct": float(rng.choice([60.0, 100.0]))},
    )


@st.composite
def openings(draw: st.DrawFn, zones: int) -> tuple[float, ...]:
    """Read-backs in percent: anywhere, or all near one another, some of them closed or past their ends."""
    middle = draw(st.integers(-500, 100_500))
    spread = draw(st.sampled_from([100_000, 20_000, 3_000]))
    offsets = draw(st.lists(st.integers(-spread, spread), min_size=zones, max_size=zones))
    return tuple(min(max(middle + offset, -500), 100_500) / 1000.0 for offset in offsets)


LIMITS = {"wide": WIDE, "makeready": None, "run": None, "fine": FINE}


@dataclass(frozen=True, slots=True)
class Found:
    """How a unit is found, in few numbers, so that an example that fails can be read and typed in again."""

    blade: str
    number: int
    opening_pct: tuple[float, ...]
    coverage: tuple[float, ...]
    off_ln: tuple[float, ...]
    now_ln: float | None
    states: tuple[int, ...]
    sweep_pct: float
    limits: str
    used_pct: float
    early: bool
    interval_sheets: float

    def situation(self) -> Situation:
        """The situation that these numbers say."""
        unit = kind(self.blade, self.number)
        known = {"makeready": unit.limits_makeready, "run": unit.limits_run}
        plain = situation(
            unit,
            opening_pct=self.opening_pct,
            coverage=self.coverage,
            off_ln=self.off_ln,
            now_ln=self.now_ln,
            sweep_pct=self.sweep_pct,
            limits=LIMITS[self.limits] or known[self.limits],
            read=tuple(state != UNREAD for state in self.states),
            on_sheet=tuple(state != OFF_SHEET for state in self.states),
            silent=tuple(state == SILENT for state in self.states),
            early=self.early,
            interval_sheets=self.interval_sheets,
        )
        used, n = self.used_pct, unit.zones
        present = replace(plain.present, used_key_pct=(used,) * n, used_unit_pct=used * n / 2.0)
        return replace(plain, present=present)


@st.composite
def found(draw: st.DrawFn, *blades: str) -> Found:
    """Anything that a unit may be found in, sensible or not, with positions as live read-backs have them."""
    blade, number = draw(st.sampled_from(blades)), draw(st.integers(0, KINDS - 1))
    n = kind(blade, number).zones

    def each(values: st.SearchStrategy[float]) -> tuple[float, ...]:
        return tuple(draw(st.lists(values, min_size=n, max_size=n)))

    return Found(
        blade=blade,
        number=number,
        opening_pct=draw(openings(n)),
        coverage=each(st.sampled_from([0.3, 0.02, 0.1, 0.99])),
        off_ln=tuple(value / 100.0 for value in each(st.integers(-150, 150))),
        now_ln=draw(st.none() | st.sampled_from([-0.5, 0.0, 0.3])),
        states=tuple(draw(st.lists(st.integers(NORMAL, SILENT), min_size=n, max_size=n))),
        sweep_pct=draw(st.integers(20, 2000)) / 20.0,
        limits=draw(st.sampled_from(sorted(LIMITS))),
        used_pct=draw(st.sampled_from([0.0, 15.0, 39.5, 149.0])),
        early=draw(st.booleans()),
        interval_sheets=draw(st.sampled_from([100.0, 1.0, 30.0, 1000.0])),
    )
