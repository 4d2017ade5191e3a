"""Where a cabinet keeps what in its registers: the settings of the driver ``modbus``, one form a table.

Everything is judged when the driver is made; the error names the setting, its value and what was expected.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field, ValidationError

from inksteward.contract.base import Id, Name, field_errors
from inksteward.model import Unit
from inksteward_drivers.settings import SettingError

Address = Annotated[int, Field(ge=0, le=65535)]
Coded = Literal["u16", "s16", "u32", "s32"]
WORDS: Mapping[str, int] = {"u16": 1, "s16": 1, "u32": 2, "s32": 2}
"""Registers that one value takes."""
LIMITS: Mapping[str, tuple[int, int]] = {
    "u16": (0, 2**16 - 1),
    "s16": (-(2**15), 2**15 - 1),
    "u32": (0, 2**32 - 1),
    "s32": (-(2**31), 2**31 - 1),
}
"""Smallest and largest count of each form."""
READ_MOST, WRITE_MOST = 125, 123
"""Registers in one request: Modbus Application Protocol V1.1b3, 6.3 and 6.12 (from memory)."""


class Form(BaseModel, strict=True, frozen=True, extra="forbid", allow_inf_nan=False):
    """Base of the forms: an unknown setting is a mistake."""


class ScaledForm(Form):
    """Percent in registers: percent = ``zero_pct`` + ``percent_per_count`` x count; negative where counts fall as the
    key opens. ``step``: registers from one key's to the next (0: one behind the other). ``unknown_count``: the count by
    which the cabinet says that it does not know."""

    address: Address
    table: Literal["holding", "input"] = "holding"
    coded: Coded = "u16"
    high_word_first: bool = True
    percent_per_count: float
    zero_pct: float = 0.0
    unknown_count: int | None = None
    step: Annotated[int, Field(ge=0, le=1000)] = 0


class BitsForm(Form):
    """One bit a key, sixteen in a register, the first key in the lowest; or one bit alone at ``bit``."""

    address: Address
    table: Literal["holding", "input"] = "holding"
    bit: Annotated[int, Field(ge=0, le=15)] = 0


class CountForm(Form):
    """A whole number of one or two registers."""

    address: Address
    table: Literal["holding", "input"] = "holding"
    coded: Literal["u16", "u32"] = "u16"
    high_word_first: bool = True


class UnitForm(Form):
    """One unit's registers.

    ``position`` and ``target`` of the keys, ``sweep`` and ``sweep_target``; ``referenced`` bits of the keys; ``moving``
    one bit; ``selected`` bits of the keys that a command moves (none: the others' targets are written as they stand);
    ``start``: the register whose writing starts a command, by its number; ``ended``: number of the command that ended
    last; ``refusal``: 0, or why the cabinet refused it, in words by ``refusals``; ``sheet``: impressions of the run
    (none: 0 is told). ``blade_id``: the blade that the calibration belongs to.
    """

    position: ScaledForm
    target: ScaledForm
    sweep: ScaledForm
    sweep_target: ScaledForm
    referenced: BitsForm
    moving: BitsForm
    selected: BitsForm | None = None
    start: CountForm
    ended: CountForm
    refusal: CountForm | None = None
    refusals: dict[str, str] = Field(default_factory=dict)
    sheet: CountForm | None = None
    blade_id: Id


class ModbusForm(Form):
    """The cabinet: ``host``, ``port``, its number on the bus (``device``), how long an answer may take, registers by
    unit."""

    host: Annotated[str, Field(min_length=1, max_length=253)]
    port: Annotated[int, Field(ge=1, le=65535)] = 502
    device: Annotated[int, Field(ge=0, le=255)] = 1
    answer_s: Annotated[float, Field(ge=0.1, le=5)] = 1.0
    unit: dict[Name, UnitForm]


def modbus_form(driver: str, settings: Mapping[str, Any], units: tuple[Unit, ...]) -> ModbusForm:
    """The settings, checked against themselves and the units that the bank serves. Raises SettingError."""
    try:
        form = ModbusForm.model_validate(dict(settings))
    except ValidationError as error:
        first = field_errors(error)[0]
        raise SettingError(f"{driver}: {first.field} = {first.value}: expected {first.expected}") from error
    served, described = [unit.unit for unit in units], list(form.unit)
    if sorted(served) != sorted(described):
        raise SettingError(
            f"{driver}: unit = {', '.join(described) or 'none'}: expected registers of {', '.join(served)}, "
            "each once"
        )
    written: dict[int, str] = {}
    for unit in units:
        _check_unit(driver, unit, form.unit[unit.unit], written)
    return form


def _check_unit(driver: str, unit: Unit, form: UnitForm, written: dict[int, str]) -> None:
    place = f"{driver}: unit.{unit.unit}"
    for name in ("position", "target", "sweep", "sweep_target"):
        _check_scale(f"{place}.{name}", getattr(form, name))
    for name in ("target", "sweep_target", "selected", "start"):
        part = getattr(form, name)
        if part is not None and part.table != "holding":
            raise SettingError(
                f"{place}.{name}.table = {part.table}: expected holding, input cannot be written"
            )
    for key, text in form.refusals.items():
        if not (key.isdecimal() and 0 < int(key) <= 65535 and text):
            raise SettingError(f"{place}.refusals.{key} = {text!r}: expected a number from 1 with words")
    if (form.target.step, form.sweep_target.step) != (0, 0):
        raise SettingError(f"{place}.target.step: expected 0: targets are written in one piece")
    _check_written(place, unit, form, written)


def _check_scale(place: str, scale: ScaledForm) -> None:
    if scale.percent_per_count == 0.0:
        raise SettingError(f"{place}.percent_per_count = 0: expected percent of travel a count, not 0")
    low, high = LIMITS[scale.coded]
    if scale.unknown_count is not None and not low <= scale.unknown_count <= high:
        raise SettingError(f"{place}.unknown_count = {scale.unknown_count}: expected {low} to {high}")
    for percent in (0.0, 100.0):
        count = (percent - scale.zero_pct) / scale.percent_per_count
        if not low <= round(count) <= high:
            raise SettingError(
                f"{place}.percent_per_count = {scale.percent_per_count:g}: {percent:g} % is the count {count:.0f}, "
                f"expected {low} to {high} for {scale.coded}"
            )


def _check_written(place: str, unit: Unit, form: UnitForm, written: dict[int, str]) -> None:
    """No two things that are written lie in the same register, none is read as something else, and a command's targets
    go in one request: half of them must never stand without the other."""
    spans = {
        "target": (form.target.address, unit.zones * WORDS[form.target.coded]),
        "sweep_target": (form.sweep_target.address, WORDS[form.sweep_target.coded]),
        "start": (form.start.address, WORDS[form.start.coded]),
    }
    if form.selected is not None:
        spans["selected"] = (form.selected.address, bit_registers(unit.zones, form.selected.bit))
    for name, (first, count) in spans.items():
        if count > WRITE_MOST:
            raise SettingError(
                f"{place}.{name}: {count} registers: expected at most {WRITE_MOST} in one request"
            )
        if first + count > 65536:
            raise SettingError(
                f"{place}.{name}.address = {first}: expected room for {count} registers below 65536"
            )
        for address in range(first, first + count):
            if address in written:
                raise SettingError(
                    f"{place}.{name}.address = {first}: register {address} is {written[address]} too"
                )
            written[address] = f"{place}.{name}"


def bit_registers(bits: int, first_bit: int) -> int:
    """Registers that so many bits take."""
    return (first_bit + bits + 15) // 16
