"""What the frames of the strip line and of the key line say: compact JSON objects, unknown fields refused.

Patches, positions and commands have the form that they have in the public MQTT contract.
"""

from __future__ import annotations

import json
import re
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, Field, ValidationError

from inksteward.contract import Refused, parse_object
from inksteward.contract.base import Id, Name, Sheet, field_errors
from inksteward.contract.inputs import Instrument, KeyPosition, Patch, Reflectance

NAME = re.compile(r"[A-Za-z0-9._-]{1,64}")
MAX_PATCHES = 2000
MAX_TEXT = 200


class Misread(Exception):
    """A body is not what this protocol allows; the text names field, value and what was expected."""


class LineMessage(BaseModel, strict=True, frozen=True, extra="forbid", allow_inf_nan=False):
    """Base of what comes in on a line: an unknown field is refused."""


class Identity(LineMessage):
    """Reply to ``identify``."""

    msg: Literal["identity"]
    line: Literal["strip", "keys"]
    device: Name
    units: Annotated[tuple[Name, ...], Field(max_length=24)] = ()


class LineInstrument(Instrument, extra="forbid"):
    """As in the contract."""


class LineReflectance(Reflectance, extra="forbid"):
    """As in the contract."""


class LinePatch(Patch, extra="forbid"):
    """As in the contract."""

    reflectance: LineReflectance | None = None


class ScanHead(LineMessage):
    """A scan begins: ``count`` patches follow. ``sheet`` null needs ``pulled_ago_s``."""

    msg: Literal["scan"]
    scan: Annotated[int, Field(ge=0, le=4_294_967_295)]
    count: Annotated[int, Field(ge=1, le=MAX_PATCHES)]
    run_id: Id
    side: Literal["front", "back"]
    sheet: Sheet | None
    pulled_ago_s: Annotated[float, Field(ge=0, le=3600)] | None = None
    extent: Literal["full", "part"]
    instrument: LineInstrument


class Patches(LineMessage):
    """Patches ``first``, ``first`` + 1, ... of scan ``scan``."""

    msg: Literal["patches"]
    scan: Annotated[int, Field(ge=0, le=4_294_967_295)]
    first: Annotated[int, Field(ge=0, lt=MAX_PATCHES)]
    patches: Annotated[tuple[LinePatch, ...], Field(min_length=1, max_length=MAX_PATCHES)]


class Position(KeyPosition, extra="forbid"):
    """Reply to ``read``: a position as in the contract, without ``at``."""

    msg: Literal["position"]
    at: None = None


class Refusal(LineMessage):
    """Body of a REFUSED frame."""

    code: Name
    text: Annotated[str, Field(max_length=MAX_TEXT)]


Form = TypeVar("Form", bound=BaseModel)


def request(msg: str, **fields: object) -> bytes:
    """Body of a question of ours."""
    return json.dumps({"msg": msg, **fields}, separators=(",", ":"), allow_nan=False).encode()


def move_request(command: bytes) -> bytes:
    """Body of a move: the contract's command, byte for byte."""
    return b'{"msg":"move","command":' + command + b"}"


def refusal(code: str, text: str) -> bytes:
    """Body of a REFUSED frame, its text cut to what the protocol allows."""
    body = {"code": code, "text": text[:MAX_TEXT]}
    return json.dumps(body, separators=(",", ":"), ensure_ascii=False).encode()


def word(body: bytes) -> tuple[str, dict[str, Any]]:
    """The ``msg`` of a body and the object itself. Raises Misread."""
    try:
        data = parse_object(body)
    except Refused as error:
        raise Misread(str(error)) from error
    msg = data.get("msg")
    if not isinstance(msg, str):
        raise Misread(f"msg = {msg!r}: expected the name of a message")
    return msg, data


def understood(form: type[Form], body: bytes) -> Form:
    """A body as ``form``. Raises Misread naming the first field that is wrong."""
    try:
        parse_object(body)  # finds what pydantic lets pass: a name that stands twice
        return form.model_validate_json(body)
    except Refused as error:
        raise Misread(str(error)) from error
    except ValidationError as error:
        first = field_errors(error)[0]
        raise Misread(f"{first.field} = {first.value}: expected {first.expected}") from error
