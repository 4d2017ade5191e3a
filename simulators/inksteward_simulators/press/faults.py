"""Faults made on purpose, by the names of `FaultKind`."""

from collections.abc import Callable, Mapping

from inksteward_simulators.link_messages import FaultKind, FaultRequest
from inksteward_simulators.press.press import Press
from inksteward_simulators.press.unit import PressUnit


def _stuck(unit: PressUnit, key: int, _: float) -> None:
    unit.keys.set_stuck(key)


def _slipping(unit: PressUnit, key: int, _: float) -> None:
    unit.keys.slipping[key] = True


def _free(unit: PressUnit, key: int, _: float) -> None:
    unit.keys.stuck[key] = unit.keys.slipping[key] = False


def _lost_reference(unit: PressUnit, key: int, value: float) -> None:
    unit.keys.referenced[key] = False
    unit.keys.offset_pct[key] = value


def _referenced(unit: PressUnit, key: int, _: float) -> None:
    unit.keys.referenced[key] = True
    unit.keys.offset_pct[key] = 0.0


def _zero_error(unit: PressUnit, key: int, value: float) -> None:
    unit.zero_error_um[key] = value
    unit.openings_changed()


def _toning(unit: PressUnit, value: float) -> None:
    unit.disturbance.toning_d = value


KEY_FAULTS: Mapping[FaultKind, tuple[bool, Callable[[PressUnit, int, float], None]]] = {
    FaultKind.STUCK: (False, _stuck),
    FaultKind.SLIPPING: (False, _slipping),
    FaultKind.FREE: (False, _free),
    FaultKind.LOST_REFERENCE: (True, _lost_reference),
    FaultKind.REFERENCED: (False, _referenced),
    FaultKind.ZERO_ERROR_UM: (True, _zero_error),
}
"""Whether a value is needed, and what it does to one key."""

UNIT_FAULTS: Mapping[FaultKind, Callable[[PressUnit, float], None]] = {
    FaultKind.WATER: lambda unit, value: unit.disturbance.water(value),
    FaultKind.TEMPERATURE: lambda unit, value: unit.disturbance.temperature(value),
    FaultKind.FEED: lambda unit, value: unit.disturbance.feed(value),
    FaultKind.WASH: lambda unit, value: unit.disturbance.wash(value),
    FaultKind.TONING: _toning,
}


def inject(press: Press, fault: FaultRequest) -> None:
    """Make it go wrong. Raises ValueError when the unit, the zone or a needed value is missing."""
    unit = press.unit(fault.unit)
    if fault.kind in UNIT_FAULTS:
        UNIT_FAULTS[fault.kind](unit, _value(fault))
        return
    needs_value, act = KEY_FAULTS[fault.kind]
    if fault.zone is None or fault.zone > unit.form.zones:
        raise ValueError(f"zone = {fault.zone!r}: expected 1 to {unit.form.zones}")
    act(unit, fault.zone - 1, _value(fault) if needs_value else 0.0)


def _value(fault: FaultRequest) -> float:
    if fault.value is None:
        raise ValueError(f"value = None: expected a number for {fault.kind}")
    return fault.value
