"""Printing conditions: what a standard or a house asks of each ink on a kind of paper."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ConditionInk:
    """Aims of one ink. Densities in D; ``lab``: L*, a*, b* of the solid (D50, 2 degrees); ``delta_e_00``: how far from
    it a solid may be, CIEDE2000. None: nothing is said of it.
    """

    ink: str
    density: float | None = None
    tolerance: tuple[float, float] | None = None
    lab: tuple[float, float, float] | None = None
    delta_e_00: float | None = None


@dataclass(frozen=True, slots=True)
class DensityBasis:
    """What densities refer to; ``dry``: of dry prints, so that wet sheets must read higher by the ink's dry-back."""

    status: str
    polarised: bool
    paper_relative: bool
    dry: bool = False


@dataclass(frozen=True, slots=True)
class Condition:
    """A printing condition by name, with where its numbers come from.

    ``measured``: measurement condition of the colour aims, ISO 13655 (M0 to M3). ``basis``: of the densities, None
    where it states none.
    """

    condition: str
    source: str
    inks: tuple[ConditionInk, ...]
    basis: DensityBasis | None = None
    measured: str | None = None
    backing: str | None = None

    def of(self, ink: str) -> ConditionInk | None:
        """Aims of an ink, or None."""
        return next((each for each in self.inks if each.ink == ink), None)
