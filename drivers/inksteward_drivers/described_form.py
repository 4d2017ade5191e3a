"""What a serial protocol is described by: the settings of the driver ``described``, one form a table.

Everything is judged when the driver is made; the error names the setting, its value and what was expected.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

import serial
from pydantic import AfterValidator, BaseModel, Field, ValidationError

from inksteward.contract.base import Name, field_errors
from inksteward.contract.inputs import Instrument, PatchKind
from inksteward_drivers.settings import SettingError

HEX_WORDS = "bytes as pairs of hexadecimal digits, such as 0D 0A"


def _hex(text: str) -> str:
    try:
        bytes.fromhex(text)
    except ValueError as error:
        raise ValueError(HEX_WORDS) from error
    return text


def _speed(baud: int) -> int:
    if baud not in serial.Serial.BAUDRATES or baud < 300:
        raise ValueError("one of the usual speeds from 300 to 4000000")
    return baud


Hex = Annotated[str, Field(max_length=24), AfterValidator(_hex)]
Marker = Annotated[str, Field(min_length=2, max_length=24), AfterValidator(_hex)]
Word = Annotated[str, Field(max_length=64)]
ChecksumName = Literal[
    "none",
    "sum8",
    "negated_sum8",
    "xor8",
    "crc16_arc",
    "crc16_modbus",
    "crc16_ibm_sdlc",
    "crc16_kermit",
    "crc16_xmodem",
    "crc16_ibm_3740",
]


class Described(BaseModel, strict=True, frozen=True, extra="forbid", allow_inf_nan=False):
    """Base of the forms: an unknown setting is a mistake."""


class FrameForm(Described):
    """``frame``: where a frame begins and ends."""

    kind: Literal["marked", "line", "fixed"]
    start: Hex = ""
    end: Hex = ""
    length_bytes: Annotated[int, Field(ge=1, le=1024)] | None = None
    between: Hex = ""
    max_bytes: Annotated[int, Field(ge=8, le=1024)] = 256
    gap_s: Annotated[float, Field(ge=0.05, le=10)] = 0.3


class ChecksumForm(Described):
    """``checksum``: which one, over what, how it is written and where it stands."""

    kind: ChecksumName = "none"
    covers: Annotated[tuple[Literal["start", "body", "end"], ...], Field(min_length=1, max_length=3)] = (
        "body",
    )
    written: Literal["hex", "binary"] = "hex"
    low_byte_first: bool = False
    place: Literal["before_end", "after_end"] = "before_end"


class MessageForm(Described):
    """``begin``, ``patch``, ``end``: a regular expression with named groups, or columns behind a fixed beginning."""

    pattern: Annotated[str, Field(min_length=1, max_length=400)] | None = None
    starts_with: Word = ""
    delimiter: Annotated[str, Field(min_length=1, max_length=4)] | None = None
    columns: Annotated[tuple[Word, ...], Field(min_length=1, max_length=64)] | None = None


class ValuesForm(Described):
    """``values``: what numbers and words of the device mean."""

    position: Literal["mm", "tenth_mm", "um", "inch", "number"]
    first_mm: Annotated[float, Field(ge=-5000, le=5000)] | None = None
    pitch_mm: Annotated[float, Field(gt=0, le=500)] | None = None
    density: Literal["D", "D/100", "D/1000"] = "D"
    tone: Literal["percent", "fraction"] = "percent"
    decimal: Literal["point", "comma"] = "point"
    missed: Annotated[tuple[Word, ...], Field(max_length=16)] = ()
    kind: PatchKind | None = None
    kinds: dict[str, PatchKind] = {}
    inks: dict[str, tuple[Name, ...]] = {}
    filters: dict[str, Name] = {}
    sides: dict[str, Literal["front", "back"]] = {}


class ScanForm(Described):
    """``scan``: what ends one, and what the device does not say itself."""

    ends_by: Literal["end", "count", "quiet"]
    quiet_s: Annotated[float, Field(ge=0.5, le=60)] = 10.0
    side: Literal["front", "back"] | None = None
    extent: Literal["full", "part"] = "full"
    run_id_prefix: Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]{0,32}$")] = ""


class RequestForm(Described):
    """``request``: bytes that the device must be sent before it says anything."""

    bytes: Marker
    every_s: Annotated[float, Field(ge=0.2, le=3600)]


class AcknowledgeForm(Described):
    """``acknowledge``: what the device wants to be answered, to each frame or to each scan."""

    of: Literal["frame", "scan"]
    good: Marker
    bad: Hex = ""


class InstrumentForm(Instrument, extra="forbid"):
    """``instrument``: as in the contract's scan."""


class DescriptionForm(Described):
    """All settings of the driver."""

    url: Annotated[str, Field(min_length=1)]
    baud: Annotated[int, AfterValidator(_speed)] = 9600
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow: Literal["none", "xon_xoff", "rts_cts"] = "none"
    encoding: Literal["ascii", "latin-1", "cp1252", "utf-8"] = "ascii"
    frame: FrameForm
    checksum: ChecksumForm = ChecksumForm()
    begin: MessageForm | None = None
    patch: MessageForm
    end: MessageForm | None = None
    ignore: Annotated[
        tuple[Annotated[str, Field(min_length=1, max_length=64)], ...], Field(max_length=16)
    ] = ()
    values: ValuesForm
    scan: ScanForm
    instrument: InstrumentForm
    request: RequestForm | None = None
    acknowledge: AcknowledgeForm | None = None


def description_form(driver: str, settings: Mapping[str, Any]) -> DescriptionForm:
    """The settings, each judged by itself. Raises SettingError naming the first one that is wrong."""
    try:
        return DescriptionForm.model_validate(with_tuples(settings))
    except ValidationError as error:
        first = field_errors(error)[0]
        raise SettingError(f"{driver}: {first.field} = {first.value}: expected {first.expected}") from error


def with_tuples(data: Any) -> Any:
    """TOML's arrays as the tuples that a strict form wants."""
    if isinstance(data, Mapping):
        return {name: with_tuples(value) for name, value in data.items()}
    return tuple(with_tuples(value) for value in data) if isinstance(data, list | tuple) else data
