"""Weighting tables of density: Status T, Status E and visual, every 10 nm.

Source: the linear tables of the Python library colormath 3.0.0 (``colormath/density_standards.py``), Copyright
Greg Taylor, BSD-3-Clause licence (status.LICENSE.txt); zeros at both ends are left out. Peak = 100. They are
*spectral products*, which describe a filter instrument, not the weighting functions that ISO 5-3:2009 gives for
computing density from spectra: a density made with them is good to about 0.015 D absolute, and readings made
with them agree among themselves far better than that. No conformity with ISO 5-3 is claimed.

Red and green are the same in T and E; E has the narrower blue at shorter waves, so that yellow reads higher.
"""

from __future__ import annotations

from typing import Literal

Channel = Literal["C", "M", "Y", "K"]
Table = tuple[tuple[int, float], ...]

CHANNELS: tuple[Channel, ...] = ("C", "M", "Y", "K")
"""Filters by the ink that they serve: C red, M green, Y blue, K visual."""


def _table(start_nm: int, *weights: float) -> Table:
    return tuple((start_nm + 10 * n, weight) for n, weight in enumerate(weights))


# fmt: off
RED = _table(
    560, 0.01, 0.06, 0.45, 29.99, 100.0, 84.92, 54.95, 25.0, 10.0, 5.0, 1.5, 0.5, 0.3, 0.15, 0.05, 0.01,
)
GREEN = _table(
    470, 0.01, 1.0, 5.0, 27.99, 68.08, 92.04, 100.0, 87.9, 66.07, 41.98, 21.98, 8.99, 2.5, 0.7, 0.09, 0.01,
)
BLUE_T = _table(
    350, 0.01, 0.02, 0.1, 0.3, 1.5, 6.0, 16.98, 39.99, 59.98, 82.04, 93.97, 100.0, 97.05, 84.92, 65.01, 39.99,
    17.99, 5.0, 0.2, 0.04,
)
BLUE_E = _table(
    370, 0.01, 0.27, 2.7, 13.0, 29.99, 59.98, 82.04, 100.0, 90.99, 76.03, 46.99, 17.99, 6.0, 0.8, 0.05, 0.01,
)
VISUAL = _table(
    400, 0.01, 0.02, 0.08, 0.28, 0.65, 1.23, 2.22, 3.82, 6.58, 10.99, 18.88, 32.58, 50.35, 66.83, 80.35, 90.57,
    97.5, 100.0, 97.5, 90.36, 79.8, 67.14, 53.83, 39.17, 27.1, 17.3, 10.3, 5.61, 3.09, 1.54, 0.8, 0.42, 0.22,
    0.11, 0.05, 0.03, 0.01, 0.01,
)
# fmt: on

TABLES: dict[str, dict[Channel, Table]] = {
    "T": {"C": RED, "M": GREEN, "Y": BLUE_T, "K": VISUAL},
    "E": {"C": RED, "M": GREEN, "Y": BLUE_E, "K": VISUAL},
}
"""Tables by status and channel. Other statuses have none here: they are refused, not approximated."""
