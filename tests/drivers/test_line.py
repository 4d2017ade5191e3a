"""One open line: whose answer is whose, how much is held, how often it is opened again."""

import asyncio
import json
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from inksteward_drivers import line as module
from inksteward_drivers import reconnect
from inksteward_drivers.framing import Frame, Kind
from inksteward_drivers.line import FRAMES_HELD, Ledger, Line, LineLost, NoAnswer, NotWritten
from inksteward_drivers.reconnect import back_off
from inksteward_drivers.serial_keys import build as build_keys
from inksteward_drivers.serial_strip import build as build_strip
from inksteward_simulators.framing import ACK, DATA, Receiver, Telegram, to_wire
from inksteward_simulators.line_peer import LinePeer
from inksteward_simulators.pty_port import PtyPort
from inksteward_simulators.strip_wires import strip_host_questions
from tests.drivers.bench import Ears, context, running, unit


class Wire:
    """The far end of a line that the test opened."""

    def __init__(self, path: Path) -> None:
        self.port = PtyPort(path)
        self.heard: list[Telegram] = []
        self._receiver = Receiver()
        self.port.plug(self._bytes)
        self.ledger = Ledger()

    def _bytes(self, data: bytes) -> None:
        self.heard += [item for item in self._receiver.take(data) if isinstance(item, Telegram)]

    async def asked(self, count: int) -> Telegram:
        async with asyncio.timeout(5):
            while len(self.heard) < count:
                await asyncio.sleep(0.005)
        return self.heard[count - 1]

    def send(self, *telegrams: Telegram) -> None:
        for telegram in telegrams:
            self.port.write(to_wire(telegram))

    async def counted(self, why: str, number: int) -> None:
        async with asyncio.timeout(5):
            while self.ledger.discarded[why] < number:
                await asyncio.sleep(0.005)
        assert self.ledger.discarded[why] == number


@pytest.fixture
async def wire(tmp_path: Path) -> AsyncIterator[Wire]:
    made = Wire(tmp_path / "port")
    yield made
    made.port.unplug()


@pytest.fixture
async def line(wire: Wire, tmp_path: Path) -> AsyncIterator[Line]:
    made = await Line.open(str(tmp_path / "port"), 115200, wire.ledger)
    yield made
    await made.close()


async def test_late_answer_is_not_taken_for_the_next_question(
    wire: Wire, line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An answer that comes after its question was given up, or of another epoch, answers nothing: it is stray."""
    monkeypatch.setattr(module, "ANSWER_S", 0.05)
    with pytest.raises(NoAnswer, match=r"no answer within 0\.05 s"):
        await line.ask(b"first")
    first = await wire.asked(1)
    monkeypatch.setattr(module, "ANSWER_S", 5.0)
    second = asyncio.create_task(line.ask(b"second"))
    asked = await wire.asked(2)
    wire.send(Telegram(ACK, first.epoch, first.seq), Telegram(ACK, asked.epoch ^ 1, asked.seq))
    await wire.counted("stray_answer", 2)
    assert not second.done()
    wire.send(Telegram(ACK, asked.epoch, asked.seq))
    assert await second == Frame(Kind.ACK, asked.epoch, asked.seq)
    assert asked.seq == first.seq + 1


async def test_answer_without_a_question(wire: Wire, line: Line) -> None:
    """An answer that nobody asked for is counted."""
    wire.send(Telegram(ACK, 1, 1))
    await wire.counted("stray_answer", 1)


async def test_one_question_at_a_time(wire: Wire, line: Line) -> None:
    """A second question waits until the first one is answered."""
    one, other = asyncio.create_task(line.ask(b"one")), asyncio.create_task(line.ask(b"other"))
    asked = await wire.asked(1)
    await asyncio.sleep(0.02)
    assert len(wire.heard) == 1
    wire.send(Telegram(ACK, asked.epoch, asked.seq))
    await one
    asked = await wire.asked(2)
    wire.send(Telegram(ACK, asked.epoch, asked.seq))
    await other


async def test_frames_that_nobody_takes_are_bounded(wire: Wire, line: Line) -> None:
    """Frames that come faster than they are taken are counted as overrun beyond a number, not piled up."""
    for seq in range(FRAMES_HELD + 3):
        wire.send(Telegram(DATA, 9, seq, b"x"))
    await wire.counted("overrun", 3)
    assert (await line.receive()).seq == 0


async def test_lost_line_ends_everything(wire: Wire, line: Line) -> None:
    """When the line goes away, who waits for a frame or an answer is told so, and nothing more is written."""
    waiting, asking = asyncio.create_task(line.receive()), asyncio.create_task(line.ask(b"q"))
    await wire.asked(1)
    wire.port.unplug()
    for task in (waiting, asking):
        with pytest.raises(LineLost, match="went away"):
            await asyncio.wait_for(task, 5)
    with pytest.raises(NotWritten, match="nothing was written"):
        await line.ask(b"q")
    with pytest.raises(LineLost):
        await line.receive()


async def test_two_cannot_share_a_line(line: Line, tmp_path: Path) -> None:
    """A line that is open is not opened a second time: two hosts on one key line would mix their answers."""
    with pytest.raises(LineLost, match="another program has it open"):
        await Line.open(str(tmp_path / "port"), 115200, Ledger())


@pytest.mark.parametrize("url", ["/nonexistent", "socket://127.0.0.1:1", "nonsense://x", "socket://nowhere"])
async def test_line_that_cannot_be_opened(url: str) -> None:
    """A line that cannot be opened says so with its name, whatever kind of address it has."""
    with pytest.raises(LineLost, match="cannot be opened"):
        await Line.open(url, 115200, Ledger())


def test_waits_grow_and_end() -> None:
    """The waits between two openings double from 0.1 s and stay at 10 s."""
    assert [back_off(n) for n in (1, 2, 3, 7, 8, 9, 1000)] == [0.1, 0.2, 0.4, 6.4, 10.0, 10.0, 10.0]


@pytest.mark.parametrize("steady_s", [5.0, 0.0])
async def test_same_failure_is_told_once(monkeypatch: pytest.MonkeyPatch, steady_s: float) -> None:
    """A line that cannot be opened is tried again and again, with waits that grow however long each failure took
    (longer than a line must be open to count as steady, in the second case), and told as lost once.
    """
    tries: list[float] = []

    def hardly_any(failures: int) -> float:
        tries.append(failures)
        return 0.001

    monkeypatch.setattr(reconnect, "back_off", hardly_any)
    monkeypatch.setattr(reconnect, "STEADY_S", steady_s)
    reader = build_strip(context(url="/nonexistent"))
    ears = Ears()
    async with running(reader.run(ears.deliver, ears.link)):
        async with asyncio.timeout(5):
            while len(tries) < 5:
                await asyncio.sleep(0.005)
    assert tries[:5] == [1, 2, 3, 4, 5]
    assert [up for up, _ in ears.links] == [False]


async def test_strip_reader_on_the_key_line(tmp_path: Path) -> None:
    """A strip reader that answers where a key cabinet of that very id was expected is not used."""
    peer = LinePeer(PtyPort(tmp_path / "port"), strip_host_questions("cabinet-1"))
    peer.plug()
    bank = build_keys(context(unit(), url=str(tmp_path / "port"), device="cabinet-1"))
    ears = Ears()
    async with running(peer.run()), running(bank.run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
    peer.port.unplug()
    assert "'cabinet-1' on a strip line answers, expected 'cabinet-1' on a keys line" in ears.links[0][1]


async def test_device_that_gives_no_identity(wire: Wire, tmp_path: Path) -> None:
    """A device that answers `identify` with something else is not used."""
    bank = build_keys(context(unit(), url=str(tmp_path / "port"), device="cabinet-1"))
    ears = Ears()
    async with running(bank.run(ears.deliver, ears.link)):
        asked = await wire.asked(1)
        assert json.loads(asked.body) == {"msg": "identify"}
        wire.send(Telegram(ACK, asked.epoch, asked.seq))
        await ears.until(lambda: ears.links)
    assert "what answers does not give its identity" in ears.links[0][1]
