"""A strip-reading densitometer: what it makes of the true densities. Pure, by seed."""

import random
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from inksteward_simulators.link_messages import InstrumentFaults, PatchDensity, Turned

NOISE_D = 0.0075
"""Repeatability of a strip reader on one patch, standard deviation. Common practice (0.005 to 0.01 D), no source."""
BIAS_D = 0.01
"""Spread of an ink's constant offset between instruments. Common practice (0.02 to 0.05 D apart), no source."""
DIGITS = 3
OUTLIERS = 0.004
MISSED = 0.004

NOTHING_WRONG = InstrumentFaults()


@dataclass(frozen=True, slots=True)
class Faults:
    """How the instrument errs.

    ``noise_d`` and ``bias_d`` in D. ``outliers`` and ``missed`` are shares of patches, ``dropped`` the share
    left out of the scan altogether. ``turned``: the sheet lay the wrong way round, so that each place has the
    density of its mirror image; ``mirrored``: places count from the other end. ``swapped`` filters are
    exchanged.
    """

    noise_d: float = NOISE_D
    bias_d: float = BIAS_D
    outliers: float = OUTLIERS
    missed: float = MISSED
    dropped: float = 0.0
    turned: Turned = "no"
    swapped: tuple[str, str] | None = None


@dataclass(slots=True)
class Densitometer:
    """One instrument: its constant offsets come from the seed, its noise goes on from scan to scan."""

    seed: int
    faults: Faults = Faults()
    _dice: random.Random = field(init=False)
    _bias: dict[str, float] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self._dice = random.Random(self.seed)

    def measure(
        self, true: Sequence[PatchDensity], on: InstrumentFaults = NOTHING_WRONG
    ) -> list[dict[str, Any]]:
        """Patches of a contract scan, in order of x. `on`: faults on command, besides those of its own.

        Dirt and missing patches belong to the sheet as it was pulled, so they turn with it.
        """
        faults = self.faults
        if on.turned == "no":
            on = on.model_copy(update={"turned": faults.turned})
        if on.swapped is not None:
            faults = replace(faults, swapped=on.swapped)
        return [self._patch(patch, faults) for patch in as_laid(true, on) if self._kept(faults)]

    def _kept(self, faults: Faults) -> bool:
        return self._dice.random() >= faults.dropped

    def _patch(self, patch: PatchDensity, faults: Faults) -> dict[str, Any]:
        seen: dict[str, Any] = {
            "x_mm": patch.x_mm,
            "kind": patch.kind,
            "inks": list(patch.inks),
            "tone_pct": patch.tone_pct,
            "density": None,
        }
        if self._dice.random() >= faults.missed:
            seen["density"] = self._density(patch, faults)
        return seen

    def _density(self, patch: PatchDensity, faults: Faults) -> dict[str, float]:
        off = 0.0
        if self._dice.random() < faults.outliers:
            off = self._dice.choice((-1.0, 1.0)) * self._dice.uniform(0.15, 0.6)
        density = {
            name: round(max(true + off + self._error(name, patch), 0.0), DIGITS)
            for name, true in patch.density.items()
        }
        exchange(density, faults.swapped)
        return density

    def _error(self, name: str, patch: PatchDensity) -> float:
        # the offset belongs to an ink's colour: paper has none
        bias = self._bias_of(name) if patch.inks else 0.0
        return bias + self._dice.gauss(0.0, self.faults.noise_d)

    def _bias_of(self, name: str) -> float:
        if name not in self._bias:
            own = random.Random(
                f"{self.seed} {name}"
            )  # not from the stream: the same whatever was read before
            self._bias[name] = own.gauss(0.0, self.faults.bias_d)
        return self._bias[name]


def as_laid(true: Sequence[PatchDensity], on: InstrumentFaults) -> list[PatchDensity]:
    """The patches as the instrument comes to see them: dirty ones, missing ones, and the sheet as it was laid."""
    read = list(true)
    for dirt in on.dirty:
        read[dirt.patch] = _dirty(read[dirt.patch], dirt.add_d)
    there = [index not in on.missing for index in range(len(read))]
    if on.turned == "turned":
        read = [_as_place(place, seen) for place, seen in zip(true, reversed(read), strict=True)]
        there.reverse()
    elif on.turned == "mirrored":
        whole = true[0].x_mm + true[-1].x_mm
        read = [patch.model_copy(update={"x_mm": round(whole - patch.x_mm, 3)}) for patch in reversed(read)]
        there.reverse()
    return [patch for patch, is_there in zip(read, there, strict=True) if is_there]


def exchange(density: dict[str, float], swapped: tuple[str, str] | None) -> None:
    """Take two filters for each other, in place."""
    if swapped is not None and all(name in density for name in swapped):
        one, other = swapped
        density[one], density[other] = density[other], density[one]


def _dirty(patch: PatchDensity, add_d: float) -> PatchDensity:
    return patch.model_copy(update={"density": {name: d + add_d for name, d in patch.density.items()}})


def _as_place(place: PatchDensity, seen: PatchDensity) -> PatchDensity:
    return place.model_copy(update={"density": seen.density})
