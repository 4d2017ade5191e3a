"""Strip readers on a serial line: a real pseudo-terminal with noise, cut, doubled and late frames."""

import asyncio
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from inksteward_drivers import serial_strip
from inksteward_drivers.serial_strip import build
from inksteward_simulators import framing, line_peer, strip_wires
from inksteward_simulators.framing import Telegram
from inksteward_simulators.line_peer import LineNoise
from inksteward_simulators.pty_port import PtyPort
from inksteward_simulators.strip_wires import bodies_of, head_of
from tests.drivers.behaviours import StripReaderBehaviours, scan_of
from tests.drivers.bench import NOW, Ears, context, running
from tests.drivers.serial_side import SerialSide, telegrams


@pytest.fixture(autouse=True)
def _impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """The instrument repeats a frame after a tenth of a second: nothing on these lines takes longer."""
    monkeypatch.setattr(line_peer, "ANSWER_S", 0.1)


@pytest.fixture
async def side(tmp_path: Path) -> AsyncIterator[SerialSide]:
    made = SerialSide(tmp_path / "strip")
    made.peer.plug()
    async with running(made.peer.run()):
        yield made
    made.peer.port.unplug()


@pytest.fixture
async def ears(side: SerialSide) -> AsyncIterator[Ears]:
    """What comes of the reader, once its line is open."""
    made = Ears()
    async with running(side.reader.run(made.deliver, made.link)):
        await made.until(lambda: made.links)
        yield made


async def _until(condition: Any) -> None:
    async with asyncio.timeout(5):
        while not condition():
            await asyncio.sleep(0.01)


class TestSerialStrip(StripReaderBehaviours):
    """The serial strip reader does what every strip reader does."""


async def test_ids_and_times_are_the_services(side: SerialSide, ears: Ears) -> None:
    """The scan gets an id and a time of the service: an instrument on a line has neither."""
    await side.send(scan_of())
    await ears.until(lambda: ears.came)
    [scan] = ears.objects()
    assert (scan["scan_id"], scan["taken_at"], scan["pulled_at"]) == ("id-1", NOW, None)


async def test_noise_and_cut_frames_lose_nothing(side: SerialSide, ears: Ears) -> None:
    """Noise before a frame and a frame that was cut short are counted by their reason; the repeated frame is taken."""
    first, second, third = telegrams(scan_of())
    side.raw(b"\x00\xffgarbage" + first)
    side.raw(second[: len(second) // 2] + second)
    side.raw(third)
    await ears.until(lambda: ears.came)
    assert side.reader.discarded == {"noise": 1, "check": 1}


async def test_frame_that_stops_half_way_times_out(side: SerialSide, ears: Ears) -> None:
    """A frame that the line goes quiet in is given up, counted, and told in the text of the link."""
    side.raw(telegrams(scan_of())[0][:20])
    await ears.until(lambda: "1 truncated" in ears.links[-1][1])
    assert ears.links[-1][0] is True
    assert side.reader.discarded == {"truncated": 1}


async def test_doubled_frames_are_recognised(side: SerialSide, ears: Ears) -> None:
    """Every frame sent twice gives one scan; the copies are counted and answered again."""
    for wire in telegrams(scan_of()):
        side.raw(wire + wire)
        await asyncio.sleep(0.02)
    await ears.until(lambda: ears.came)
    await _until(lambda: side.reader.discarded["double"] == 3)
    await _until(lambda: side.peer.discarded["stray_answer"] == 6)
    assert len(ears.came) == 1


async def test_scan_sent_again_after_a_restart_is_one_scan(side: SerialSide, ears: Ears) -> None:
    """An instrument that lost the last answer and sends the whole scan again under a new epoch is heard once."""
    for wire in telegrams(scan_of(), epoch=7) + telegrams(scan_of(), epoch=8):
        side.raw(wire)
    await _until(lambda: side.reader.discarded["double_scan"] == 1)
    assert len(ears.came) == 1


async def test_frames_that_never_came_are_counted(side: SerialSide, ears: Ears) -> None:
    """A gap in the numbers is counted as missed frames, and the scan that lacks them is refused, not guessed."""
    first, _, third = telegrams(scan_of())
    side.raw(first + third)
    await _until(lambda: side.reader.discarded["refused"] == 1)
    assert side.reader.discarded == {"missed": 1, "refused": 1, "incomplete_scan": 1}
    assert ears.came == []


async def test_scan_that_stops_is_dropped(
    side: SerialSide, ears: Ears, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A scan whose next part stays away is dropped and counted after the time-out."""
    monkeypatch.setattr(serial_strip, "PART_S", 0.1)
    side.raw(telegrams(scan_of())[0])
    await _until(lambda: side.reader.discarded["incomplete_scan"] == 1)
    assert ears.came == []


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        (b"nonsense", "a JSON object"),
        (b'{"msg":"scam"}', "msg = 'scam': expected scan or patches"),
        (b'{"msg":"patches","scan":1,"first":0,"patches":[]}', "expected scan first"),
        (b'{"msg":"scan","scan":1,"scan":2}', "stands once"),
        (json.dumps(head_of(scan_of(), 1) | {"more": 1}).encode(), "more = 1"),
        (json.dumps(head_of(scan_of(), 1) | {"sheet": None}).encode(), "pulled_ago_s"),
        (json.dumps(head_of(scan_of(), 1) | {"count": 2001}).encode(), "count = 2001"),
        (json.dumps(head_of(scan_of(), 1) | {"sheet": float("nan")}).encode(), "finite"),
    ],
)
async def test_bodies_that_are_not_of_the_protocol(
    side: SerialSide, ears: Ears, body: bytes, reason: str
) -> None:
    """A body that the protocol does not know is refused with the field, its value and what was expected."""
    answer = await side.peer.ask(body)
    assert answer is not None
    assert answer.kind == framing.REFUSED
    assert reason in json.loads(answer.body)["text"]
    assert side.reader.discarded["refused"] == 1


async def test_sheet_unknown_but_pulled_some_seconds_ago(side: SerialSide, ears: Ears) -> None:
    """An instrument that does not know the sheet says how long ago it was pulled; the time is worked out from that."""
    head, *parts = bodies_of(scan_of(), 1)
    told = json.loads(head) | {"sheet": None, "pulled_ago_s": 12.5}
    for body in [json.dumps(told).encode(), *parts]:
        answer = await side.peer.ask(body)
        assert answer is not None
        assert answer.kind == framing.ACK
    [scan] = ears.objects()
    assert (scan["sheet"], scan["pulled_at"]) == (None, "2026-03-02T08:15:17.500Z")


async def test_scan_whose_delivery_failed_comes_again(
    side: SerialSide, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A scan that could not be handed over is not acknowledged: the instrument sends it again from its beginning."""
    monkeypatch.setattr(strip_wires, "TRY_AGAIN_S", 0.05)
    ears = Ears()

    async def fails(*_: Any) -> None:
        raise OSError("no room")

    async with running(side.send(scan_of())) as sent:
        with pytest.raises(OSError, match="no room"):
            await side.reader.run(fails, ears.link)
        async with running(side.reader.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            await sent
    assert len(ears.came) == 1


async def test_line_with_much_noise(tmp_path: Path) -> None:
    """On a line that spoils a third of all frames, every scan arrives once, in order, and every loss is counted."""
    noise = LineNoise(0.33, seed=11)
    side = SerialSide(tmp_path / "strip", noise=noise)
    side.peer.plug()
    ears = Ears()
    async with running(side.peer.run()), running(side.reader.run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        for sheet in range(8):
            await side.send(scan_of(sheet))
        await ears.until(lambda: len(ears.came) == 8)
        await asyncio.sleep(0.4)
    side.peer.port.unplug()
    assert [scan["sheet"] for scan in ears.objects()] == list(range(8))
    assert sum(noise.done.values()) >= 5
    assert (
        sum(side.reader.discarded.values()) >= noise.done["bent"] + noise.done["cut"] + noise.done["doubled"]
    )


async def test_right_device_is_used(tmp_path: Path) -> None:
    """With a device configured, the reader asks for the identity once and goes on when it is the right one."""
    side = SerialSide(tmp_path / "strip", device="strip-1")
    side.peer.plug()
    ears = Ears()
    async with running(side.peer.run()), running(side.reader.run(ears.deliver, ears.link)):
        await side.send(scan_of())
        await ears.until(lambda: ears.came)
    side.peer.port.unplug()
    assert ears.links[0] == (True, f"{tmp_path / 'strip'} is open")


async def test_nothing_is_written_unasked(tmp_path: Path) -> None:
    """Without a device configured, opening the line and hearing a scan writes nothing but answers."""
    port = PtyPort(tmp_path / "strip")
    heard = bytearray()
    port.plug(heard.extend)
    reader = build(context(url=str(tmp_path / "strip")))
    ears = Ears()
    async with running(reader.run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        await asyncio.sleep(0.1)
        assert bytes(heard) == b""
        for wire in telegrams(scan_of()):
            port.write(wire)
        await ears.until(lambda: ears.came)
        await _until(lambda: heard.count(b"\x7e") == 6)
    port.unplug()
    answers = [item for item in framing.Receiver().take(bytes(heard)) if isinstance(item, Telegram)]
    assert [(item.kind, item.epoch, item.seq) for item in answers] == [(framing.ACK, 7, n) for n in range(3)]
