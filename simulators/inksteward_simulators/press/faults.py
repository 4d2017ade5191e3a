"""Faults made on purpose, by the names of `FaultKind`. What each needs is checked by `fault_plan.check`."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING

from inksteward_simulators.fault_plan import check, source_of
from inksteward_simulators.link_messages import FaultKind, FaultRequest
from inksteward_simulators.press.colour import ABSORPTION
from inksteward_simulators.press.paper import PAPERS
from inksteward_simulators.press.unit import PressUnit

if TYPE_CHECKING:
    from inksteward_simulators.press.press import Press

Ending = Callable[[], None]
"""Ends a fault: puts back what it changed. Of what is over by itself, nothing."""


def _over_by_itself() -> None:
    """Nothing is left to end."""


def _stuck(unit: PressUnit, key: int, _: float) -> Ending:
    unit.keys.set_stuck(key)
    return lambda: unit.keys.free_stuck(key)


def _slipping(unit: PressUnit, key: int, _: float) -> Ending:
    unit.keys.slipping[key] = True
    return lambda: unit.keys.stop_slipping(key)


def _free(unit: PressUnit, key: int, _: float) -> Ending:
    unit.keys.stuck[key] = unit.keys.slipping[key] = False
    return _over_by_itself


def _lost_reference(unit: PressUnit, key: int, value: float) -> Ending:
    unit.keys.referenced[key] = False
    unit.keys.offset_pct[key] = value
    return lambda: unit.keys.home(key)


def _referenced(unit: PressUnit, key: int, _: float) -> Ending:
    unit.keys.home(key)
    return _over_by_itself


def _zero_error(unit: PressUnit, key: int, value: float) -> Ending:
    before = float(unit.zero_error_um[key])
    unit.set_zero_error(key, value)
    return lambda: unit.set_zero_error(key, before)


KEY_FAULTS: Mapping[FaultKind, Callable[[PressUnit, int, float], Ending]] = {
    FaultKind.STUCK: _stuck,
    FaultKind.SLIPPING: _slipping,
    FaultKind.FREE: _free,
    FaultKind.LOST_REFERENCE: _lost_reference,
    FaultKind.REFERENCED: _referenced,
    FaultKind.ZERO_ERROR_UM: _zero_error,
}
"""What it does to one key, counted from 0."""


def _level(
    read: Callable[[PressUnit], float], write: Callable[[PressUnit, float], None]
) -> Callable[[PressUnit, float], Ending]:
    """A fault that sets a level; its end sets the level that was there before."""

    def act(unit: PressUnit, value: float) -> Ending:
        before = read(unit)
        write(unit, value)
        return lambda: write(unit, before)

    return act


def _set_toning(unit: PressUnit, value: float) -> None:
    unit.disturbance.toning_d = value


def _set_water_level(unit: PressUnit, value: float) -> None:
    unit.climate.water.level = value


def _wash(unit: PressUnit, value: float) -> Ending:
    unit.wash_blanket(value)
    return _over_by_itself


LEVELS: Mapping[FaultKind, Callable[[PressUnit, float], Ending]] = {
    FaultKind.WATER: _level(lambda u: u.disturbance.water_aim, lambda u, ln: u.disturbance.water(ln)),
    FaultKind.WATER_LEVEL: _level(lambda u: u.climate.water.level, _set_water_level),
    FaultKind.TEMPERATURE: _level(
        lambda u: u.disturbance.temperature_aim, lambda u, ln: u.disturbance.temperature(ln)
    ),
    FaultKind.FEED: _level(lambda u: u.disturbance.feed_step, lambda u, ln: u.disturbance.feed(ln)),
    FaultKind.TONING: _level(lambda u: u.disturbance.toning_d, _set_toning),
    FaultKind.WASH: _wash,
}
"""Faults of a unit that are a number and no more."""


def _ink(press: Press, unit: PressUnit, fault: FaultRequest) -> Ending:
    before = unit.ink
    source = source_of(fault.name, press.scenario)
    share = 1.0 if fault.value is None else fault.value
    if source is None:
        unit.mix_in(None, ABSORPTION[str(fault.name)], share)
    else:
        other = press.units[source.unit]
        unit.mix_in(other.drawn, other.own_absorption, share)
    return lambda: unit.pour(before)


def _refill(_: Press, unit: PressUnit, fault: FaultRequest) -> Ending:
    unit.fountain.fill(1.0 if fault.value is None else fault.value)
    return _over_by_itself


def _feedback_lost(_: Press, unit: PressUnit, __: FaultRequest) -> Ending:
    unit.keys.lose_feedback()
    return unit.keys.home_all


def _feedback(_: Press, unit: PressUnit, __: FaultRequest) -> Ending:
    unit.keys.home_all()
    return _over_by_itself


def _paper(_: Press, unit: PressUnit, fault: FaultRequest) -> Ending:
    before = unit.paper
    step_ln = fault.value or 0.0
    unit.change_paper(next((paper for kind, paper in PAPERS.items() if kind == fault.name), step_ln))
    return lambda: unit.change_paper(before)


UNIT_FAULTS: Mapping[FaultKind, Callable[[Press, PressUnit, FaultRequest], Ending]] = {
    FaultKind.INK: _ink,
    FaultKind.REFILL: _refill,
    FaultKind.FEEDBACK_LOST: _feedback_lost,
    FaultKind.FEEDBACK: _feedback,
    FaultKind.PAPER: _paper,
}


def _speed(press: Press, value: float) -> Ending:
    before = press.speed_sph
    press.set_speed(value)
    return lambda: press.set_speed(before)


def _stop(press: Press, value: float) -> Ending:
    press.halt(value)
    return _over_by_itself


PRESS_FAULTS: Mapping[FaultKind, Callable[[Press, float], Ending]] = {
    FaultKind.SPEED: _speed,
    FaultKind.STOP: _stop,
}


def inject(press: Press, fault: FaultRequest) -> Ending:
    """Make it go wrong; returns what ends it.

    Raises ValueError when the unit, the zone, the value or the name is missing or not what this press has.
    """
    check(fault, press.scenario)
    value = 0.0 if fault.value is None else fault.value
    if fault.kind in PRESS_FAULTS:
        return PRESS_FAULTS[fault.kind](press, value)
    if fault.kind in KEY_FAULTS:
        return KEY_FAULTS[fault.kind](press.unit(str(fault.unit)), (fault.zone or 0) - 1, value)
    if fault.kind in LEVELS:
        return LEVELS[fault.kind](press.unit(str(fault.unit)), value)
    if fault.kind not in UNIT_FAULTS:
        return press.instrument.make(fault)
    units = press.units.values() if fault.unit is None else (press.unit(fault.unit),)
    endings = [UNIT_FAULTS[fault.kind](press, unit, fault) for unit in units]
    return lambda: _end_all(endings)


def _end_all(endings: Iterable[Ending]) -> None:
    for end in endings:
        end()
