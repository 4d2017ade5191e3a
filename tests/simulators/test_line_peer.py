"""The instruments' half of the line: pseudo-terminals, repetition, doubles, and noise by seed."""

import asyncio
import os
import tty
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from inksteward_simulators import framing, line_peer
from inksteward_simulators.framing import Discarded, Receiver, Telegram, to_wire
from inksteward_simulators.line_peer import DATA_HELD, LineNoise, LinePeer
from inksteward_simulators.pty_port import PtyPort
from tests.drivers.bench import running


class Host:
    """The other side of the port: a bare file descriptor."""

    def __init__(self, path: str) -> None:
        self.fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self.fd)
        self.receiver = Receiver()
        self.heard: list[Telegram | Discarded] = []

    def send(self, *telegrams: Telegram) -> None:
        for telegram in telegrams:
            os.write(self.fd, to_wire(telegram))

    async def hear(self, count: int) -> list[Telegram | Discarded]:
        async with asyncio.timeout(5):
            while len(self.heard) < count:
                try:
                    self.heard += self.receiver.take(os.read(self.fd, 4096))
                except BlockingIOError:
                    await asyncio.sleep(0.005)
        return self.heard


class Bench:
    def __init__(self, link: Path) -> None:
        self.served: list[bytes] = []
        self.peer = LinePeer(PtyPort(link), self._serve)
        self.host = Host(self.peer.plug())

    async def _serve(self, body: bytes) -> tuple[int, bytes]:
        self.served.append(body)
        return framing.REPLY, b"to " + body


@pytest.fixture
async def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Bench]:
    monkeypatch.setattr(line_peer, "ANSWER_S", 0.05)
    monkeypatch.setattr(line_peer, "QUIET_S", 0.05)
    made = Bench(tmp_path / "port")
    async with running(made.peer.run()):
        yield made
    os.close(made.host.fd)
    made.peer.port.unplug()


async def test_question_is_answered_once_acted_on_once(bench: Bench) -> None:
    """A data frame that comes twice is acted on once and answered twice, both times alike."""
    ask = Telegram(framing.DATA, 5, 0, b"who")
    bench.host.send(ask, ask)
    answer = Telegram(framing.REPLY, 5, 0, b"to who")
    assert await bench.host.hear(2) == [answer, answer]
    assert bench.served == [b"who"]
    assert bench.peer.discarded == {"double": 1}


async def test_unanswered_frame_is_repeated_with_its_number(bench: Bench) -> None:
    """An unanswered frame is sent three times with the same number, and then given up."""
    assert await bench.peer.ask(b"part") is None
    heard = await bench.host.hear(3)
    assert len({item for item in heard if isinstance(item, Telegram)}) == 1
    assert isinstance(heard[0], Telegram)
    assert (heard[0].kind, heard[0].seq, heard[0].body) == (framing.DATA, 0, b"part")
    await asyncio.sleep(0.1)
    assert len(await bench.host.hear(3)) == 3


async def test_answer_ends_the_waiting(bench: Bench) -> None:
    """The answer with the right epoch and number is taken; any other one is counted as stray."""
    asked = asyncio.create_task(bench.peer.ask(b"part"))
    [sent] = await bench.host.hear(1)
    assert isinstance(sent, Telegram)
    bench.host.send(
        Telegram(framing.ACK, sent.epoch ^ 1, sent.seq), Telegram(framing.ACK, sent.epoch, sent.seq + 1)
    )
    bench.host.send(Telegram(framing.ACK, sent.epoch, sent.seq))
    assert await asked == Telegram(framing.ACK, sent.epoch, sent.seq)
    assert bench.peer.discarded["stray_answer"] == 2


async def test_numbers_go_on(bench: Bench) -> None:
    """Each new data frame has the next number."""
    for seq in range(3):
        asked = asyncio.create_task(bench.peer.ask(b"part"))
        *_, sent = await bench.host.hear(seq + 1)
        assert isinstance(sent, Telegram)
        assert sent.seq == seq
        bench.host.send(Telegram(framing.ACK, sent.epoch, sent.seq))
        await asked


async def test_cut_frame_times_out(bench: Bench) -> None:
    """A frame that stops half way is given up after the frame time-out."""
    os.write(bench.host.fd, to_wire(Telegram(framing.DATA, 5, 0, b"who"))[:9])
    await asyncio.sleep(0.1)
    assert bench.peer.discarded == {"truncated": 1}


async def test_flood_is_bounded(bench: Bench) -> None:
    """Data frames that come faster than they are served are counted as overrun, not piled up."""
    for seq in range(DATA_HELD + 10):
        bench.peer._sort([Telegram(framing.DATA, 9, seq, b"x")])
    assert bench.peer.discarded["overrun"] == 10


async def test_port_that_is_pulled_out_and_plugged_in(tmp_path: Path) -> None:
    """A port has a fixed name while it is plugged in, and none while it is not."""
    port = PtyPort(tmp_path / "port")
    heard = bytearray()
    path = port.plug(heard.extend)
    assert (tmp_path / "port").resolve() == Path(path)
    port.unplug()
    port.unplug()
    assert not (tmp_path / "port").exists()
    assert port.write(b"x") == 0
    port.plug(heard.extend)
    host = Host(str(tmp_path / "port"))
    os.write(host.fd, b"hello")
    async with asyncio.timeout(5):
        while heard != b"hello":
            await asyncio.sleep(0.005)
    os.close(host.fd)
    port.unplug()


async def test_nobody_reads(tmp_path: Path) -> None:
    """Writing to a port that nobody reads loses bytes and never blocks."""
    port = PtyPort()
    port.plug(lambda _: None)
    written = [port.write(b"x" * 4096) for _ in range(64)]
    assert written[0] == 4096
    assert written[-1] == 0
    port.unplug()


def test_noise_by_seed() -> None:
    """The same seed spoils the same frames in the same way; a rate of 0 spoils none, a rate of 1 all."""
    wire = to_wire(Telegram(framing.DATA, 1, 2, b"body"))
    one, other = LineNoise(0.5, 3), LineNoise(0.5, 3)
    assert [one.on_wire(wire) for _ in range(200)] == [other.on_wire(wire) for _ in range(200)]
    assert set(one.done) == {"bent", "cut", "doubled", "garbage"}
    assert sum(one.done.values()) == pytest.approx(100, abs=30)
    assert all(LineNoise(0.0, 3).on_wire(wire) == wire for _ in range(50))
    spoilt = LineNoise(1.0, 3)
    assert all(spoilt.on_wire(wire) != wire for _ in range(200))
