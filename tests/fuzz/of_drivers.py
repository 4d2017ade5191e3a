"""Targets: what the drivers read off a line or a broker, and their settings."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import suppress
from functools import cache
from typing import Any, NoReturn

from pydantic import BaseModel

from inksteward.contract import decode
from inksteward.contract.base import MAX_PAYLOAD_BYTES
from inksteward.contract.inputs import KeyPosition, Scan
from inksteward.model import ReadBack
from inksteward.ports import DriverContext, DriverError
from inksteward_drivers import framing
from inksteward_drivers.framing import Fault, Frame, Kind
from inksteward_drivers.line_messages import (
    Identity,
    Misread,
    Position,
    Refusal,
    refusal,
    understood,
    word,
)
from inksteward_drivers.mqtt_keys import MqttKeys
from inksteward_drivers.mqtt_strip import MqttStrip
from inksteward_drivers.positions import read_back
from inksteward_drivers.sequence import EPOCHS_KEPT, Sequence
from inksteward_drivers.settings import SettingError, line_settings, no_settings
from inksteward_drivers.strip_parts import Assembly
from inksteward_simulators.tasks import stopped
from tests.contract_inbound import INBOUND
from tests.drivers.bench import unit
from tests.fuzz.form import AT_END, SEPARATOR, Target, dense, finite, strict

UNIT = unit("u2", zones=2)


def frames(raw: bytes) -> None:
    """Any bytes in any pieces give the same frames and faults, no more is held than a frame may have, and every frame
    is written as a frame again."""
    whole = framing.Decoder()
    found = whole.feed(raw)
    assert whole.held <= framing.MAX_SECTION
    pieces = framing.Decoder()
    size = 1 + len(raw) // 20
    parts = [item for at in range(0, len(raw), size) for item in pieces.feed(raw[at : at + size])]
    assert parts + pieces.idle() == found + whole.idle()
    for item in found:
        if isinstance(item, Frame):
            assert framing.Decoder().feed(framing.encode(item)) == [item]
    if not any(isinstance(item, Frame) for item in found):
        assert sum(item.size for item in parts if isinstance(item, Fault)) <= len(raw)


def line(raw: bytes) -> None:
    """Any body of a frame: Misread in words that can be answered, or a message with finite numbers."""
    with suppress(Misread):
        word(raw)
    forms: tuple[type[BaseModel], ...] = (Identity, Position, Refusal)
    for form in forms:
        try:
            found = understood(form, raw)
        except Misread as error:
            strict(refusal("form", str(error)))
            continue
        finite(found)
        if isinstance(found, Position):
            _read_back(found)


def _read_back(position: KeyPosition) -> None:
    with suppress(DriverError):
        whole(read_back(UNIT, position, 10))


def whole(found: ReadBack) -> None:
    """A read-back holds whole thousandths or None, one for each key."""
    assert len(found.opening_mpct) == len(found.referenced) == UNIT.zones
    for number in (*found.opening_mpct, found.sweep_mpct):
        assert number is None or type(number) is int


def strip(raw: bytes) -> None:
    """Any bodies one after the other: Misread, or whole scans in the contract's own form."""
    assembly = Assembly()
    for body in raw.split(SEPARATOR)[:50]:
        with suppress(Misread):
            scan = assembly.take(body)
            if scan is not None:
                payload = scan.payload("s-1", _NOW, None if scan.head.sheet is not None else _NOW)
                assert len(payload) > MAX_PAYLOAD_BYTES or decode(Scan, payload)[0].run_id == scan.head.run_id
                assert len(scan.patches) == scan.head.count


def sequence(raw: bytes) -> None:
    """Any order of numbers: each frame is judged, and what is remembered stays small."""
    judge = Sequence()
    for at in range(0, len(raw) - 2, 3):
        frame = Frame(Kind.DATA, raw[at], int.from_bytes(raw[at + 1 : at + 3], "big"))
        before = judge.last, judge.epoch
        verdict = judge.take(frame)
        assert verdict in ("new", "again", "old")
        assert 0 <= judge.missed < 1 << 16
        assert verdict == "new" or (judge.last, judge.epoch) == before
        assert len(judge._left) <= EPOCHS_KEPT


def settings(raw: bytes) -> None:
    """Any table of settings: SettingError, or settings of the right kinds."""
    try:
        data = json.loads(raw.decode("utf-8"))
    except (ValueError, RecursionError):
        return
    if not isinstance(data, dict):
        return
    with suppress(SettingError):
        found = line_settings("d", data)
        assert found.url
        assert found.baud >= 9600
    with suppress(SettingError):
        no_settings("d", data)
        assert not data


class Feed:
    """The service's connection as a driver sees it, without a broker: messages are put in, none go out."""

    def __init__(self) -> None:
        self.coming: asyncio.Queue[tuple[str, bytes, bool]] = asyncio.Queue()

    async def publish(
        self, topic: str, payload: bytes, *, qos: int = 1, expiry_s: int | None = None
    ) -> NoReturn:
        """Nothing is published here."""
        raise AssertionError(f"{topic} was published")

    async def messages(self, topic_filter: str) -> AsyncIterator[tuple[str, bytes, bool]]:
        """What was put in."""
        assert topic_filter
        while True:
            yield await self.coming.get()


async def _delivered(driver: MqttKeys | MqttStrip, feed: Feed, topic: str, raw: bytes) -> ReadBack | None:
    """Let the driver hear one message, which it must hand on exactly as it came; what it then reads back, if it can."""
    came: asyncio.Future[tuple[str, bytes, bool]] = asyncio.get_running_loop().create_future()

    async def deliver(*message: Any) -> None:
        came.set_result(message)

    feed.coming.put_nowait((topic, raw, False))
    running = asyncio.create_task(driver.run(deliver, _link))
    await asyncio.wait((running, came), return_when=asyncio.FIRST_COMPLETED)
    assert came.done(), running.exception()
    assert came.result() == (topic, raw, False)
    found = None
    with suppress(DriverError, TimeoutError):
        async with asyncio.timeout(0):
            found = await driver.read_back("u2") if isinstance(driver, MqttKeys) else None
    await stopped(running)
    return found


async def _link(up: bool, text: str) -> None:
    assert up, text


@cache
def _loop() -> asyncio.AbstractEventLoop:
    made = asyncio.new_event_loop()
    AT_END.extend((_loop.cache_clear, made.close))
    return made


def mqtt_keys(raw: bytes) -> None:
    """Any payload as a key position: handed on as it came, and read back only if it is a position of that many keys."""
    feed = Feed()
    keys = MqttKeys(DriverContext("keys", "press-1", (UNIT,)), feed)
    found = _loop().run_until_complete(_delivered(keys, feed, "keys/u2/position", raw))
    if found is not None:
        whole(found)
        assert decode(KeyPosition, raw)[0].unit == "u2"


def mqtt_strip(raw: bytes) -> None:
    """Any payload as a scan: handed on as it came."""
    feed = Feed()
    _loop().run_until_complete(_delivered(MqttStrip("strip", feed), feed, "scan", raw))


_NOW = "2026-03-02T08:15:30.000Z"
_POSITION = INBOUND["position"][0]
_SCAN = INBOUND["scan"][0]


def _frame_samples() -> tuple[bytes, ...]:
    bodies = (b"", b'{"msg":"identify"}', b"\x7e\x7d\x00")
    return tuple(
        b"".join(framing.encode(Frame(kind, 7, seq, b"" if kind is Kind.ACK else body)) for kind in Kind)
        for seq, body in enumerate(bodies)
    )


def _line_samples() -> tuple[bytes, ...]:
    position = {"msg": "position", **_POSITION, "at": None}
    identity = {"msg": "identity", "line": "keys", "device": "cabinet-1", "units": ["u2"]}
    return dense(position), dense(identity), refusal("from_tol", "zone 7 stands elsewhere")


def _strip_samples() -> tuple[bytes, ...]:
    names = ("run_id", "side", "sheet", "extent", "instrument")
    patches: list[dict[str, Any]] = _SCAN["patches"]
    head = {"msg": "scan", "scan": 3, "count": len(patches), **{name: _SCAN[name] for name in names}}
    parts = [{"msg": "patches", "scan": 3, "first": n, "patches": [patch]} for n, patch in enumerate(patches)]
    unnumbered = {**head, "sheet": None, "pulled_ago_s": 12.5}
    return tuple(SEPARATOR.join(map(dense, (each, *parts))) for each in (head, unnumbered))


TARGETS: dict[str, Target] = {
    "drivers.framing": Target(frames, _frame_samples, 150),
    "drivers.line": Target(line, _line_samples, 100),
    "drivers.strip": Target(strip, _strip_samples, 80),
    "drivers.sequence": Target(
        sequence, lambda: (bytes(range(48)), b"\x01\x00\x01\x01\xff\xff\x02\x00\x00"), 150
    ),
    "drivers.settings": Target(
        settings, lambda: (b'{"url":"socket://127.0.0.1:9999","baud":115200,"device":"strip-1"}', b"{}"), 150
    ),
    "drivers.mqtt_keys": Target(mqtt_keys, lambda: (dense(_POSITION),), 100),
    "drivers.mqtt_strip": Target(mqtt_strip, lambda: (dense(_SCAN),), 50),
}
