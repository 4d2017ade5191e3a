"""XYZ and CIELAB of a reflectance spectrum: D50, CIE 1931 2 degree observer.

XYZ are sums of reflectance times illuminant times observer at every nanometre from 360 to 780 nm, Y = 100 for the
perfect diffuser (CIE 15, ASTM E308). Between its values a spectrum is a cubic through the four nearest, as ASTM
E2022 takes it for its 10 and 20 nm tables: that turns any step from 1 to 20 nm into one weight per value and colour,
worked out once per grid. Readings every 20 nm are therefore taken and not refused; how much coarser they are is
measured in the tests. Where the readings begin late or end early, the weights of the missing wavelengths are added
to the first and to the last value (ASTM E308, as AS/NZS 1301.530:2016, A.2, repeats it). The bandwidth of the
instrument is not corrected for. Standards' clauses, where no source is named, from memory.
"""

from __future__ import annotations

from functools import lru_cache
from math import cbrt
from typing import NamedTuple

from inksteward.colour.observer import (
    D50,
    FIRST_NM,
    ILLUMINANT_STEP_NM,
    LAST_NM,
    OBSERVER_STEP_NM,
    X_BAR,
    Y_BAR,
    Z_BAR,
)
from inksteward.colour.spectrum import Spectrum

FROM_NM, TO_NM = 400, 680
"""What a spectrum must cover. Outside lies 0.5 % of X, 0.2 % of Y and 0.2 % of Z at most."""

WHITE = (96.422, 100.0, 82.521)
"""XYZ of D50, 2 degree observer, as the graphic arts use it (ISO 13655, from memory)."""

_EDGE = (6.0 / 29.0) ** 3
_SLOPE = (29.0 / 6.0) ** 2 / 3.0
Triple = tuple[float, float, float]


class Xyz(NamedTuple):
    """Tristimulus values, Y = 100 for the perfect diffuser."""

    x: float
    y: float
    z: float


class Lab(NamedTuple):
    """CIELAB coordinates L*, a*, b*."""

    l_star: float
    a_star: float
    b_star: float


def _cubic(t: float) -> tuple[float, float, float, float]:
    """Lagrange's shares of four neighbours at -1, 0, 1, 2 in the value at ``t`` between 0 and 1."""
    before, after, last = t + 1.0, t - 1.0, t - 2.0
    return (
        -t * after * last / 6.0,
        before * after * last / 2.0,
        -before * t * last / 2.0,
        before * t * after / 6.0,
    )


def _between(table: tuple[float, ...], step_nm: int, nm: int) -> float:
    """A table that begins at FIRST_NM, at any nanometre of its range."""
    index, rest = divmod(nm - FIRST_NM, step_nm)
    last = len(table) - 1
    shares = enumerate(_cubic(rest / step_nm), index - 1)
    return sum(share * table[min(max(place, 0), last)] for place, share in shares)


def _d50(nm: int) -> float:
    """Power of D50, linear between its tabulated values."""
    index, rest = divmod(nm - FIRST_NM, ILLUMINANT_STEP_NM)
    low, high = D50[index], D50[min(index + 1, len(D50) - 1)]
    return low + (high - low) * (rest / ILLUMINANT_STEP_NM)


@lru_cache(maxsize=1)
def _products() -> tuple[tuple[int, Triple], ...]:
    """Illuminant times observer at every nanometre, as (nm, (x, y, z)), scaled to a sum of y of 100."""
    found = []
    for nm in range(FIRST_NM, LAST_NM + 1):
        x, y, z = (_between(bar, OBSERVER_STEP_NM, nm) for bar in (X_BAR, Y_BAR, Z_BAR))
        power = _d50(nm)
        found.append((nm, (power * x, power * y, power * z)))
    scale = 100.0 / sum(product[1] for _, product in found)
    return tuple((nm, (x * scale, y * scale, z * scale)) for nm, (x, y, z) in found)


@lru_cache(maxsize=32)
def weights(start_nm: int, step_nm: int, count: int) -> tuple[Triple, ...]:
    """Weights of X, Y and Z for each of ``count`` values from ``start_nm`` in steps of ``step_nm``.

    Raises ValueError unless 400 to 680 nm are covered.
    """
    end_nm = start_nm + step_nm * (count - 1)
    if start_nm > FROM_NM or end_nm < TO_NM:
        raise ValueError(
            f"spectrum from start_nm {start_nm} to {end_nm} nm: expected {FROM_NM} to {TO_NM} nm at least"
        )
    rows = [[0.0, 0.0, 0.0] for _ in range(count)]
    for nm, product in _products():
        index, rest = divmod(nm - start_nm, step_nm)
        for place, share in enumerate(_cubic(rest / step_nm), index - 1):
            row = rows[min(max(place, 0), count - 1)]
            for axis, value in enumerate(product):
                row[axis] += share * value
    return tuple((x, y, z) for x, y, z in rows)


def xyz(spectrum: Spectrum) -> Xyz:
    """XYZ of a spectrum. Raises ValueError unless it covers 400 to 680 nm."""
    x = y = z = 0.0
    for value, (to_x, to_y, to_z) in zip(spectrum.values, weights(*spectrum.grid), strict=True):
        x += value * to_x
        y += value * to_y
        z += value * to_z
    return Xyz(x, y, z)


def _f(share: float) -> float:
    return cbrt(share) if share > _EDGE else _SLOPE * share + 4.0 / 29.0


def lab(stimulus: Xyz) -> Lab:
    """CIELAB of XYZ (CIE 15:2004, 8.2.1, from memory): white D50, XYZ 96.422, 100, 82.521."""
    x, y, z = (_f(value / white) for value, white in zip(stimulus, WHITE, strict=True))
    return Lab(116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z))


def lab_of(spectrum: Spectrum) -> Lab:
    """CIELAB of a spectrum. Raises ValueError unless it covers 400 to 680 nm."""
    return lab(xyz(spectrum))
