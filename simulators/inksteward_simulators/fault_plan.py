"""What each fault needs to be made, and faults planned for a sheet of the run (``[[fault]]`` in a scenario)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import Field, model_validator

from inksteward_simulators.link_messages import FaultKind, FaultRequest

if TYPE_CHECKING:
    from inksteward_simulators.scenario_forms import Scenario, Unit

INK_FILTERS = ("C", "M", "Y", "K")
PAPER_KINDS = ("coated", "uncoated", "newsprint")
ANY = (float("-inf"), float("inf"))


@dataclass(frozen=True, slots=True)
class Need:
    """What a kind of fault is made of.

    ``at``: it needs a unit and a zone (key), a unit (unit), a unit or none for all (sheet), or neither (press).
    ``value``: the range of a value that is used; ``optional``: it may be left out. ``lasts``: it can be ended
    at a sheet.
    """

    at: Literal["key", "unit", "sheet", "press"]
    value: tuple[float, float] | None = None
    optional: bool = False
    lasts: bool = True


NEEDS: Mapping[FaultKind, Need] = {
    FaultKind.STUCK: Need("key"),
    FaultKind.SLIPPING: Need("key"),
    FaultKind.FREE: Need("key", lasts=False),
    FaultKind.LOST_REFERENCE: Need("key", ANY),
    FaultKind.REFERENCED: Need("key", lasts=False),
    FaultKind.ZERO_ERROR_UM: Need("key", ANY),
    FaultKind.WATER: Need("unit", ANY),
    FaultKind.WATER_LEVEL: Need("unit", (-0.9, 2.0)),
    FaultKind.TEMPERATURE: Need("unit", ANY),
    FaultKind.FEED: Need("unit", ANY),
    FaultKind.WASH: Need("unit", ANY, lasts=False),
    FaultKind.TONING: Need("unit", ANY),
    FaultKind.INK: Need("unit", (0.0, 1.0), optional=True),
    FaultKind.REFILL: Need("unit", (0.0, 1.0), optional=True, lasts=False),
    FaultKind.FEEDBACK_LOST: Need("unit"),
    FaultKind.FEEDBACK: Need("unit", lasts=False),
    FaultKind.PAPER: Need("sheet", (-1.0, 1.0), optional=True),
    FaultKind.SPEED: Need("press", (100.0, 30_000.0)),
    FaultKind.STOP: Need("press", (0.1, 86_400.0), lasts=False),
    FaultKind.INSTRUMENT_DEAD: Need("press"),
    FaultKind.INSTRUMENT_DIRTY: Need("key", (0.001, 3.0)),
    FaultKind.INSTRUMENT_MISSING: Need("key"),
    FaultKind.INSTRUMENT_REVERSED: Need("press"),
    FaultKind.INSTRUMENT_FILTER: Need("press"),
    FaultKind.INSTRUMENT_OK: Need("press", lasts=False),
}


class PlannedFault(FaultRequest):
    """A fault of the scenario, made once a run.

    ``at_sheet`` is the first sheet printed with it, ``until_sheet`` the first one printed without it again.
    """

    at_sheet: Annotated[int, Field(ge=0)]
    until_sheet: Annotated[int, Field(ge=1)] | None = None

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.kind is FaultKind.STOP and self.at_sheet < 1:
            raise ValueError(
                f"at_sheet = {self.at_sheet}: expected 1 or more, a press that prints is stopped"
            )
        if self.until_sheet is None:
            return self
        if not NEEDS[self.kind].lasts:
            raise ValueError(
                f"until_sheet = {self.until_sheet}: expected none, {self.kind} is over by itself"
            )
        if self.until_sheet <= self.at_sheet:
            raise ValueError(
                f"until_sheet = {self.until_sheet}: expected more than at_sheet = {self.at_sheet}"
            )
        return self


def check(fault: FaultRequest, scenario: Scenario) -> None:
    """Raise ValueError ("field = value: expected ...") for a fault that cannot be made on this press."""
    need = NEEDS[fault.kind]
    units = {unit.unit: unit for unit in scenario.units}
    if fault.unit not in units and not (fault.unit is None and need.at in ("sheet", "press")):
        raise ValueError(f"unit = {fault.unit!r}: expected one of {', '.join(units)}")
    if need.at == "key":
        zones = units[str(fault.unit)].zones
        if fault.zone is None or not 1 <= fault.zone <= zones:
            raise ValueError(f"zone = {fault.zone!r}: expected 1 to {zones}")
    if need.value is not None:
        _check_value(fault, need.value, need.optional)
    if fault.kind in _FURTHER:
        _FURTHER[fault.kind](fault, scenario)


def _check_value(fault: FaultRequest, within: tuple[float, float], optional: bool) -> None:
    low, high = within
    if fault.value is None and not optional:
        raise ValueError(f"value = None: expected a number for {fault.kind}")
    if fault.value is not None and not low <= fault.value <= high:
        raise ValueError(f"value = {fault.value!r}: expected {low:g} to {high:g} for {fault.kind}")


def exchanged(name: str | None) -> tuple[str, str]:
    """Two filters written as ``C=M``. Raises ValueError for anything else."""
    one, _, other = (name or "").partition("=")
    if one not in INK_FILTERS or other not in INK_FILTERS:
        raise ValueError(f"name = {name!r}: expected two of {', '.join(INK_FILTERS)} as in C=M")
    return one, other


def source_of(name: str | None, scenario: Scenario) -> Unit | None:
    """The unit that prints the ink of this name; None for a process ink that no unit of this press has.

    Raises ValueError for an ink that is neither.
    """
    for unit in scenario.units:
        if unit.ink == name:
            return unit
    if name not in INK_FILTERS:
        known = dict.fromkeys([*(unit.ink for unit in scenario.units), *INK_FILTERS])
        raise ValueError(f"name = {name!r}: expected one of {', '.join(known)}")
    return None


def _check_ink(fault: FaultRequest, scenario: Scenario) -> None:
    source_of(fault.name, scenario)


def _check_paper(fault: FaultRequest, scenario: Scenario) -> None:
    if scenario.inker is None:
        if fault.value is None:
            raise ValueError(
                "value = None: expected the step of ln film on paper, this train is a lumped one"
            )
        if fault.name is not None:
            raise ValueError(f"name = {fault.name!r}: expected none, this train is a lumped one")
        return
    if fault.name not in PAPER_KINDS:
        raise ValueError(f"name = {fault.name!r}: expected one of {', '.join(PAPER_KINDS)}")
    if fault.value is not None:
        raise ValueError(f"value = {fault.value!r}: expected none, these rollers know kinds of paper by name")


def _check_refill(_: FaultRequest, scenario: Scenario) -> None:
    if scenario.climate.fountain_ml is None:
        raise ValueError("fountain_ml = None: expected a number in [climate], else no fountain is ever empty")


def _check_reversed(fault: FaultRequest, _: Scenario) -> None:
    if fault.name not in (None, "turned", "mirrored"):
        raise ValueError(f"name = {fault.name!r}: expected turned or mirrored")


def _check_filter(fault: FaultRequest, _: Scenario) -> None:
    exchanged(fault.name)


_FURTHER = {
    FaultKind.INK: _check_ink,
    FaultKind.PAPER: _check_paper,
    FaultKind.REFILL: _check_refill,
    FaultKind.INSTRUMENT_REVERSED: _check_reversed,
    FaultKind.INSTRUMENT_FILTER: _check_filter,
}
