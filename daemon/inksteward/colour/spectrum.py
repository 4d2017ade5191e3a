"""A measured reflectance spectrum, and the condition it was measured under."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import isfinite

STEP_MAX_NM = 20


@dataclass(frozen=True, slots=True)
class Spectrum:
    """Reflectance factors, relative to the perfect diffuser, from ``start_nm`` in steps of ``step_nm``.

    Raises ValueError for a step outside 1..20 nm, for fewer than two values and for one that is negative or not finite.
    """

    start_nm: int
    step_nm: int
    values: tuple[float, ...]

    def __post_init__(self) -> None:
        """Check every field."""
        if not 1 <= self.step_nm <= STEP_MAX_NM:
            raise ValueError(f"step_nm {self.step_nm}: expected 1 to {STEP_MAX_NM}")
        if len(self.values) < 2:
            raise ValueError(f"values: {len(self.values)} of them: expected at least 2")
        for number, value in enumerate(self.values):
            if not (isfinite(value) and value >= 0.0):
                at_nm = self.start_nm + number * self.step_nm
                raise ValueError(f"values, {at_nm} nm: {value}: expected a finite number, 0 or more")

    @property
    def end_nm(self) -> int:
        """The last wavelength, nm."""
        return self.start_nm + self.step_nm * (len(self.values) - 1)

    @property
    def grid(self) -> tuple[int, int, int]:
        """Start (nm), step (nm) and number of values."""
        return self.start_nm, self.step_nm, len(self.values)


class MeasuredUnder(StrEnum):
    """Measurement conditions of ISO 13655:2009 and 2017 (from memory)."""

    M0 = "M0"
    M1 = "M1"
    M2 = "M2"
    M3 = "M3"


LIGHT: dict[MeasuredUnder, str] = {
    MeasuredUnder.M0: "lit as by a lamp of illuminant A, its ultraviolet not stated, no polariser",
    MeasuredUnder.M1: "lit as by D50 with its ultraviolet, no polariser",
    MeasuredUnder.M2: "lit without ultraviolet, no polariser",
    MeasuredUnder.M3: "lit without ultraviolet, through crossed polarisers",
}
"""What each condition does to a reading (ISO 13655, from memory)."""


def check_same_condition(one: MeasuredUnder, other: MeasuredUnder) -> None:
    """Raise ValueError, in words, where two readings were made under different conditions.

    There is no conversion: what the paper's brighteners add under ultraviolet, and what the surface reflects
    without polarisers, depends on the paper, the ink and how dry it is.
    """
    if one is other:
        return
    reasons = []
    if MeasuredUnder.M3 in (one, other):
        reasons.append("polarisers take away what the surface reflects, so that the same print reads darker")
    if {one, other} - {MeasuredUnder.M3} != {MeasuredUnder.M2}:
        reasons.append("ultraviolet makes a brightened paper and light inks on it bluer")
    raise ValueError(
        f"condition {one} ({LIGHT[one]}) against {other} ({LIGHT[other]}): expected one condition for both; "
        + ", and ".join(reasons)
    )
