"""From a position as it came to a read-back for the guard. Pure."""

from __future__ import annotations

from inksteward.contract.inputs import KeyPosition
from inksteward.model import ReadBack, Unit
from inksteward.model.thousandths import thousandths
from inksteward.ports import DriverError


def read_back(unit: Unit, position: KeyPosition, age_ms: int) -> ReadBack:
    """Integers as the interlock wants them. An opening with more decimals than the contract has is unknown.

    Raises DriverError when the position is of another unit, of another number of keys, or older than the
    unit's calibration allows.
    """
    if position.unit != unit.unit:
        raise DriverError(f"position of {position.unit} came in place of {unit.unit}'s")
    for what, values in (("openings", position.opening_pct), ("referenced flags", position.referenced)):
        if len(values) != unit.zones:
            raise DriverError(f"{unit.unit}: {len(values)} {what} were read back, expected {unit.zones}")
    if age_ms > unit.calibration.max_age_ms:
        raise DriverError(
            f"{unit.unit}: the last position is {age_ms} ms old, expected at most {unit.calibration.max_age_ms} ms"
        )
    return ReadBack(
        unit=unit.unit,
        blade_id=position.blade_id,
        opening_mpct=tuple(thousandths(opening) for opening in position.opening_pct),
        referenced=position.referenced,
        sweep_mpct=thousandths(position.sweep_pct),
        age_ms=age_ms,
        fountain_turning=None,
        moving=position.moving,
    )
