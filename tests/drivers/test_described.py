"""Described strip readers on a real pseudo-terminal: spoiled scans, cut lines, answers, taps."""

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from inksteward.ports import Heard, Overheard
from inksteward_drivers.described import build
from tests.drivers.behaviours import StripReaderBehaviours, scan_of
from tests.drivers.bench import NOW, Ears, context, running
from tests.drivers.described_side import DescribedSide
from tests.drivers.descriptions import described, framed, messages_of, wire_of


@pytest.fixture
async def side(tmp_path: Path) -> AsyncIterator[DescribedSide]:
    made = DescribedSide(tmp_path / "strip")
    made.plug()
    yield made
    made.port.unplug()


@pytest.fixture
async def ears(side: DescribedSide) -> AsyncIterator[Ears]:
    made = Ears()
    async with running(side.reader.run(made.deliver, made.link)):
        await made.until(lambda: made.links)
        yield made


async def until(condition: Any) -> None:
    async with asyncio.timeout(10):
        while not condition():
            await asyncio.sleep(0.01)


class TestDescribedStrip(StripReaderBehaviours):
    """A described strip reader does what every strip reader does."""


async def test_what_the_service_adds(side: DescribedSide, ears: Ears) -> None:
    """Id and time are the service's, basis and extent the description's."""
    await side.send(scan_of())
    await ears.until(lambda: ears.came)
    [scan] = ears.objects()
    assert (scan["scan_id"], scan["taken_at"], scan["pulled_at"], scan["extent"]) == (
        "id-1",
        NOW,
        None,
        "full",
    )
    assert scan["instrument"] == scan_of()["instrument"] | {"dry": False, "measured": None}


async def test_nothing_is_written(side: DescribedSide, ears: Ears) -> None:
    """Without a request and an acknowledgement in the description the device hears nothing at all."""
    await side.send(scan_of())
    await ears.until(lambda: ears.came)
    assert bytes(side.heard) == b""


async def test_a_spoiled_scan_is_told_with_its_reason(side: DescribedSide, ears: Ears) -> None:
    """A scan with one bent byte is not delivered; count and reason stand in the text of the link."""
    side.raw(wire_of(scan_of(1209)).replace(b"1.41", b"1.42", 1))
    await ears.until(lambda: "refused_scan" in ears.links[-1][1])
    assert ears.links[-1][0] is True
    assert "the last: scan of sheet 1209: checksum" in ears.links[-1][1]
    await side.send(scan_of(1210))
    await ears.until(lambda: ears.came)
    assert [scan["sheet"] for scan in ears.objects()] == [1210]
    assert side.reader.discarded == {"check": 1, "refused_scan": 1}


async def test_what_the_contract_does_not_allow(side: DescribedSide, ears: Ears) -> None:
    """A scan whose values the contract refuses is refused here, in the contract's words."""
    scan = scan_of(patches=2)
    scan["patches"][0] = scan["patches"][0] | {"tone_pct": 140}
    await side.send(scan)
    await ears.until(lambda: side.reader.discarded["refused_scan"])
    await ears.until(lambda: "patches.0.tone_pct: 140" in ears.links[-1][1])
    assert ears.came == []


async def test_a_scan_that_stops(tmp_path: Path) -> None:
    """A scan whose end stays away is refused when the line has been quiet for the described time."""
    side = DescribedSide(tmp_path / "strip", ("scan.quiet_s", 0.5), ("frame.gap_s", 0.1))
    side.plug()
    ears = Ears()
    async with running(side.reader.run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        side.raw(wire_of(scan_of())[:-8])
        await ears.until(lambda: side.reader.discarded["refused_scan"] == 1)
    side.port.unplug()
    assert ears.came == []


async def test_a_cut_line_refuses_what_was_begun(side: DescribedSide, ears: Ears) -> None:
    """A scan that the line broke in is refused, not glued to what comes after."""
    side.raw(wire_of(scan_of())[:200])
    await asyncio.sleep(0.1)
    await side.break_link()
    await ears.until(lambda: not ears.links[-1][0])
    assert side.reader.discarded["refused_scan"] == 1
    await side.mend_link()
    await ears.until(lambda: ears.links[-1][0])
    await side.send(scan_of(1300))
    await ears.until(lambda: ears.came)
    assert [scan["sheet"] for scan in ears.objects()] == [1300]


async def test_a_whole_scan_outlives_its_line(side: DescribedSide) -> None:
    """A scan that was complete when the line broke is delivered, however long the delivery takes."""
    may = asyncio.Event()
    ears = Ears()

    async def slow(topic: str, payload: bytes, retained: bool) -> None:
        await may.wait()
        await ears.deliver(topic, payload, retained)

    async with running(side.reader.run(slow, ears.link)):
        await ears.until(lambda: ears.links)
        await side.send(scan_of(1))
        await side.send(scan_of(2))
        await asyncio.sleep(0.2)
        await side.break_link()
        await asyncio.sleep(0.2)
        may.set()
        await ears.until(lambda: len(ears.came) == 2)
    assert [scan["sheet"] for scan in ears.objects()] == [1, 2]


async def test_scans_that_come_faster_than_they_are_taken(
    side: DescribedSide, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What comes while too many scans wait to be delivered is counted, and those that wait are delivered."""
    monkeypatch.setattr("inksteward_drivers.described.OUTCOMES_HELD", 1)
    may = asyncio.Event()
    ears = Ears()

    async def slow(topic: str, payload: bytes, retained: bool) -> None:
        await may.wait()
        await ears.deliver(topic, payload, retained)

    async with running(side.reader.run(slow, ears.link)):
        await ears.until(lambda: ears.links)
        for sheet in (1, 2, 3):
            await side.send(scan_of(sheet, patches=2))
            await asyncio.sleep(0.1)
        await until(lambda: side.reader.discarded["overrun"] == 1)
        may.set()
        await ears.until(lambda: len(ears.came) == 2)
    assert [scan["sheet"] for scan in ears.objects()] == [1, 2]


async def test_a_line_that_breaks_under_its_answers(tmp_path: Path) -> None:
    """With requests and acknowledgements described, a line that goes away is told, and comes back."""
    side = DescribedSide(
        tmp_path / "strip",
        ("acknowledge", {"of": "scan", "good": "06"}),
        ("request", {"bytes": "05", "every_s": 0.2}),
    )
    side.plug()
    may = asyncio.Event()
    ears = Ears()

    async def slow(topic: str, payload: bytes, retained: bool) -> None:
        await may.wait()
        await ears.deliver(topic, payload, retained)

    async with running(side.reader.run(slow, ears.link)):
        await until(lambda: side.heard)
        await side.send(scan_of(1, patches=2))
        side.raw(wire_of(scan_of(2))[:100])
        await asyncio.sleep(0.3)
        await side.break_link()
        await asyncio.sleep(0.3)
        may.set()
        await ears.until(lambda: ears.came and not ears.links[-1][0])
        assert side.reader.discarded["refused_scan"] == 1
        await side.mend_link()
        await ears.until(lambda: ears.links[-1][0])
        await side.send(scan_of(3, patches=2))
        await ears.until(lambda: len(ears.came) == 2)
    side.port.unplug()
    assert [scan["sheet"] for scan in ears.objects()] == [1, 3]


async def test_frames_are_acknowledged_and_known_again(tmp_path: Path) -> None:
    """Each frame is answered as described; one that comes once more because its answer was lost counts once."""
    side = DescribedSide(tmp_path / "strip", ("acknowledge", {"of": "frame", "good": "06", "bad": "15"}))
    side.plug()
    ears = Ears()
    async with running(side.reader.run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        head, *rest = [framed(text) for text in messages_of(scan_of(patches=2))]
        for wire in (head, head, rest[0].replace(b"1.41", b"1.42"), *rest):
            side.raw(wire)
        await until(lambda: len(side.heard) == 6)
        assert bytes(side.heard) == b"\x06\x06\x15\x06\x06\x06"
    side.port.unplug()
    assert side.reader.discarded == {"double": 1, "check": 1, "refused_scan": 1}


async def test_scans_are_acknowledged_when_they_are_delivered(tmp_path: Path) -> None:
    """A scan is answered after it was handed over, a refused one as bad."""
    side = DescribedSide(tmp_path / "strip", ("acknowledge", {"of": "scan", "good": "06", "bad": "15"}))
    side.plug()
    ears = Ears()
    async with running(side.reader.run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        side.raw(wire_of(scan_of(patches=2)))
        await until(lambda: bytes(side.heard) == b"\x06")
        assert len(ears.came) == 1
        side.raw(wire_of(scan_of(patches=2)).replace(b"1.41", b"1.42", 1))
        await until(lambda: bytes(side.heard) == b"\x06\x15")
    side.port.unplug()


async def test_a_device_that_is_asked(tmp_path: Path) -> None:
    """With a request described, it is sent again and again."""
    side = DescribedSide(tmp_path / "strip", ("request", {"bytes": "05 0D", "every_s": 0.2}))
    side.plug()
    ears = Ears()
    async with running(side.reader.run(ears.deliver, ears.link)):
        await until(lambda: bytes(side.heard).startswith(b"\x05\r\x05\r"))
    side.port.unplug()


async def test_a_tap_hears_everything(side: DescribedSide) -> None:
    """A tap is told the very bytes, each frame, and what became of it."""
    heard: list[Overheard] = []
    made = context(**described(("url", str(side.port._link))))
    reader = build(
        type(made)(
            made.name,
            made.press,
            made.units,
            made.settings,
            None,
            made.now_rfc3339,
            made.new_id,
            heard.append,
        )
    )
    ears = Ears()
    async with running(reader.run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        side.raw(b"?" + wire_of(scan_of(patches=2)))
        await ears.until(lambda: ears.came)
    received = b"".join(item.data for item in heard if item.what is Heard.RECEIVED)
    assert received == b"?" + wire_of(scan_of(patches=2))
    frames = [item.text for item in heard if item.what is Heard.FRAME]
    assert frames == messages_of(scan_of(patches=2))
    assert [item.text for item in heard if item.what is Heard.REFUSED] == ["1 bytes discarded: noise"]
