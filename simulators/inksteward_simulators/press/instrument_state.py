"""What is wrong with the strip reader, kept by the press so that one command reaches it: `pull` tells the reader."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from inksteward_simulators.fault_plan import exchanged
from inksteward_simulators.link_messages import (
    DirtyPatch,
    FaultKind,
    FaultRequest,
    InstrumentFaults,
    Patch,
    Turned,
)
from inksteward_simulators.press.unit import PressUnit

Place = tuple[str, int]
"""Unit and zone (from 1)."""


@dataclass(slots=True)
class InstrumentState:
    """Faults of the instrument that are on."""

    dead: bool = False
    turned: Turned = "no"
    swapped: tuple[str, str] | None = None
    dirty: dict[Place, float] = field(default_factory=dict)
    missing: set[Place] = field(default_factory=set)

    def make(self, fault: FaultRequest) -> Callable[[], None]:
        """Turn a fault on that was checked before; returns what turns it off."""
        place = (str(fault.unit), fault.zone or 0)
        match fault.kind:
            case FaultKind.INSTRUMENT_DEAD:
                self.dead = True
            case FaultKind.INSTRUMENT_REVERSED:
                self.turned = "mirrored" if fault.name == "mirrored" else "turned"
            case FaultKind.INSTRUMENT_FILTER:
                self.swapped = exchanged(fault.name)
            case FaultKind.INSTRUMENT_DIRTY:
                self.dirty[place] = fault.value or 0.0
            case FaultKind.INSTRUMENT_MISSING:
                self.missing.add(place)
            case _:
                self.clear()
        return lambda: self._end(fault.kind, place)

    def _end(self, kind: FaultKind, place: Place) -> None:
        match kind:
            case FaultKind.INSTRUMENT_DEAD:
                self.dead = False
            case FaultKind.INSTRUMENT_REVERSED:
                self.turned = "no"
            case FaultKind.INSTRUMENT_FILTER:
                self.swapped = None
            case FaultKind.INSTRUMENT_DIRTY:
                self.dirty.pop(place, None)
            case _:
                self.missing.discard(place)

    def clear(self) -> None:
        """Nothing is wrong with the instrument."""
        self.dead, self.turned, self.swapped = False, "no", None
        self.dirty.clear()
        self.missing.clear()

    def seen(self, units: Iterable[PressUnit], patches: tuple[Patch, ...], side: str) -> InstrumentFaults:
        """The faults as a scan of these patches of this side has them.

        A place is the first solid of the unit's ink whose centre lies in the zone; without one nothing is spoilt.
        """
        by_name = {unit.form.unit: unit for unit in units if unit.form.side == side}
        at = {
            place: index
            for place in {*self.dirty, *self.missing}
            if place[0] in by_name and (index := _index_of(by_name[place[0]], place[1], patches)) is not None
        }
        dirty = sorted((at[place], add_d) for place, add_d in self.dirty.items() if place in at)
        return InstrumentFaults(
            dead=self.dead,
            dirty=tuple(DirtyPatch(patch=index, add_d=add_d) for index, add_d in dirty),
            missing=tuple(sorted(at[place] for place in self.missing if place in at)),
            turned=self.turned,
            swapped=self.swapped,
        )


def _index_of(unit: PressUnit, zone: int, patches: tuple[Patch, ...]) -> int | None:
    form = unit.form
    left_mm = form.first_edge_mm + (zone - 1) * form.pitch_mm
    for index, patch in enumerate(patches):
        inside = left_mm <= patch.x_mm < left_mm + form.pitch_mm
        if inside and patch.kind == "solid" and patch.inks == (form.ink,):
            return index
    return None
