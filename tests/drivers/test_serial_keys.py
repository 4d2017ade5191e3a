"""Key banks on a serial line: a real pseudo-terminal, a real cabinet controller, a simulated press."""

import asyncio
import json
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from inksteward.ports import DriverError, NotSent
from inksteward_drivers import line, serial_keys
from inksteward_drivers.serial_keys import SerialKeys, build
from inksteward_simulators import framing
from inksteward_simulators.cabinet import Cabinet
from inksteward_simulators.cabinet_wires import LineCabinet
from inksteward_simulators.line_peer import LineNoise, LinePeer
from inksteward_simulators.link import BenchLink
from inksteward_simulators.pty_port import PtyPort
from tests.drivers.behaviours import KeyBankBehaviours
from tests.drivers.bench import Ears, context, press, released, running, unit


class SerialSide:
    """A cabinet at the other end of a pseudo-terminal. ``mute``: messages that are heard and never answered."""

    silence = "no answer within"

    def __init__(self, link: BenchLink, path: Path, *, noise: LineNoise | None = None) -> None:
        self.link = link
        self.path = path
        self.cabinet = Cabinet(link, ("u1", "u2"))
        self.asked: list[dict] = []
        self.deaf = self.swapped = self.replies = False
        self.mute: set[str] = set()
        self._serve = LineCabinet(self.cabinet, "cabinet-1").serve
        self.peer = LinePeer(PtyPort(path), self._hear, noise)
        self.bank: SerialKeys = build(context(unit("u1"), unit("u2"), url=str(path)))

    async def _hear(self, body: bytes) -> tuple[int, bytes]:
        message = json.loads(body)
        self.asked.append(message)
        while self.deaf or message["msg"] in self.mute:
            await asyncio.sleep(3600)
        if self.swapped and "unit" in message:
            body = body.replace(b"u1", b"u2")
        kind, answer = await self._serve(body)
        return (framing.REPLY if self.replies else kind), answer

    def moves(self) -> list[str]:
        return [message["command"]["command_id"] for message in self.asked if message["msg"] == "move"]

    async def lose_cabinet(self) -> None:
        self.deaf = True

    async def drop_line(self) -> None:
        self.peer.port.unplug()
        await asyncio.sleep(0.05)  # the reader thread hears of it within a millisecond


@pytest.fixture
async def side(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[SerialSide]:
    monkeypatch.setattr(line, "ANSWER_S", 0.2)
    async with press() as link:
        made = SerialSide(link, tmp_path / "keys")
        made.peer.plug()
        async with running(made.peer.run()):
            yield made
        made.peer.port.unplug()
        await made.cabinet.close()


class TestSerialKeys(KeyBankBehaviours):
    """The serial key bank does what every key bank does, and:"""

    async def test_move_without_an_answer_is_sent_once(self, side: SerialSide) -> None:
        """When the cabinet does not answer a move, its fate is unknown and the frame is not written again."""
        side.mute = {"move"}
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            with pytest.raises(
                DriverError, match="nobody knows whether the cabinet took the command"
            ) as caught:
                await side.bank.move(released("c-1"))
            await asyncio.sleep(0.3)
        assert not isinstance(caught.value, NotSent)
        assert side.moves() == ["c-1"]

    async def test_line_that_breaks_during_a_move(self, side: SerialSide) -> None:
        """When the line goes away between command and answer, its fate is unknown."""
        side.mute = {"move"}
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            move = asyncio.create_task(side.bank.move(released("c-1")))
            while not side.moves():
                await asyncio.sleep(0.01)
            side.peer.port.unplug()
            with pytest.raises(DriverError, match="the line broke while the command was sent") as caught:
                await move
        assert not isinstance(caught.value, NotSent)

    async def test_refusal_is_known_to_move_nothing(self, side: SerialSide) -> None:
        """A command that the cabinet refuses is reported with the cabinet's reason, as one that moves no key."""
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            with pytest.raises(NotSent, match=r"zone 7: expected 1 to 6 \(zone\)"):
                await side.bank.move(released("c-1", targets=((7, 40.0, 41.0),)))

    async def test_duplicate_is_not_taken_for_unmoved(self, side: SerialSide) -> None:
        """A command that the cabinet executed before may have moved keys, so its refusal is no proof of rest."""
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            await side.bank.move(released("c-1"))
            with pytest.raises(DriverError, match="executed before") as caught:
                await side.bank.move(released("c-1"))
        assert not isinstance(caught.value, NotSent)

    async def test_command_that_waited_too_long_is_not_sent(
        self, side: SerialSide, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A command that waited for the line longer than it is valid is not written."""
        monkeypatch.setattr(line, "ANSWER_S", 0.4)
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            side.mute = {"read"}
            blocked = asyncio.create_task(side.bank.read_back("u1"))
            await asyncio.sleep(0.05)
            with pytest.raises(NotSent, match="busy for too long, nothing was written"):
                await side.bank.move(released("c-1", valid_s=0.1))
            with pytest.raises(DriverError, match="no answer within"):
                await blocked
        assert side.moves() == []

    async def test_moving_keys_are_told_twice_a_second(self, side: SerialSide) -> None:
        """While keys move, positions follow each other within half a second; that is the contract's cadence."""
        ears = Ears()
        loop = asyncio.get_running_loop()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            await side.bank.move(released("c-1"))
            start, count = loop.time(), len(ears.came)
            await ears.until(lambda: sum(pos["moving"] for pos in ears.objects()[count:]) >= 4)
            assert loop.time() - start < 3 * 0.5 + 1.0  # a busy machine may be late

    async def test_polls_when_all_stand(self, side: SerialSide, monkeypatch: pytest.MonkeyPatch) -> None:
        """Standing keys are polled at the longer interval, which is the contract's two seconds, and no more often."""
        assert serial_keys.STANDING_S == 2.0
        monkeypatch.setattr(serial_keys, "MOVING_S", 0.05)
        monkeypatch.setattr(serial_keys, "STANDING_S", 0.4)
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: len(ears.came) == 2)
            await asyncio.sleep(0.2)
            assert len(ears.came) == 2, "polled sooner than asked for"
            await ears.until(lambda: len(ears.came) == 4)

    async def test_unit_that_got_a_command_is_looked_at_sooner(self, side: SerialSide) -> None:
        """After a command its unit is polled at the shorter interval at once, moving or not."""
        ears = Ears()
        loop = asyncio.get_running_loop()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: len(ears.came) == 2)
            await side.bank.move(released("c-1", targets=()))
            start = loop.time()
            await ears.until(lambda: sum(pos["command_id"] == "c-1" for pos in ears.objects()) >= 2)
            assert loop.time() - start < 1.8, "two looks at the longer interval take 2 s and more"

    async def test_answer_for_another_unit(self, side: SerialSide) -> None:
        """A cabinet that answers with the position of another unit is not believed."""
        ears = Ears()
        side.swapped = True
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.links)
            with pytest.raises(DriverError, match="u1: the cabinet gave the position of u2"):
                await side.bank.read_back("u1")
        assert ears.came == []

    async def test_position_in_answer_to_a_move(self, side: SerialSide) -> None:
        """A cabinet that answers a move with something else than yes or no leaves its fate open."""
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            side.replies = True
            with pytest.raises(DriverError, match="answered with REPLY: nobody knows what it did") as caught:
                await side.bank.move(released("c-1"))
        assert not isinstance(caught.value, NotSent)

    async def test_unplug_and_back(self, side: SerialSide) -> None:
        """A line that was pulled out is told as lost and why; plugged in again, positions go on."""
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            side.peer.port.unplug()
            await ears.until(lambda: not ears.links[-1][0])
            count = len(ears.came)
            side.peer.plug()
            await ears.until(lambda: len(ears.came) > count)
        assert ears.links[0][0] is True
        assert ears.links[-1] == (True, f"{side.path} is open")
        lost = [text for up, text in ears.links if not up]
        assert len(lost) == len(set(lost)), "the same loss is told once"

    async def test_silent_line_is_opened_again(
        self, side: SerialSide, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A cabinet that answers no poll any more is told as a lost link."""
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            monkeypatch.setattr(line, "ANSWER_S", 0.05)
            monkeypatch.setattr(serial_keys, "MOVING_S", 0.05)
            side.deaf = True
            side.bank._due = dict.fromkeys(side.bank._due, 0.0)  # or it would look after two seconds
            side.bank._hurry.set()
            await ears.until(lambda: not ears.links[-1][0])
        assert "no position of any unit: " in ears.links[-1][1]
        assert side.bank.discarded["unanswered_poll"] >= serial_keys.SILENT_AFTER * 2

    async def test_frames_that_nobody_asked_for(self, side: SerialSide) -> None:
        """A cabinet that asks the host something is refused, and the frame counted."""
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            answer = await side.peer.ask(b'{"msg":"position"}')
        assert answer is not None
        assert answer.kind == framing.REFUSED
        assert side.bank.discarded["unasked"] == 1


async def test_polling_lives_with_noise(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a line that spoils a third of the cabinet's frames, positions still come and every spoilt frame is counted."""
    monkeypatch.setattr(line, "ANSWER_S", 0.1)
    monkeypatch.setattr(serial_keys, "STANDING_S", 0.02)
    monkeypatch.setattr(serial_keys, "MOVING_S", 0.02)
    noise = LineNoise(0.35, seed=4)
    async with press() as link:
        side = SerialSide(link, tmp_path / "keys", noise=noise)
        side.peer.plug()
        ears = Ears()
        async with running(side.peer.run()), running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: len(ears.came) >= 40)
            await asyncio.sleep(0.4)
        side.peer.port.unplug()
        await side.cabinet.close()
    assert sum(noise.done.values()) >= 10
    spoilt = sum(side.bank.discarded[why] for why in side.bank.discarded if why != "unanswered_poll")
    assert spoilt >= sum(noise.done.values()) - noise.done["garbage"] - 1
    assert any("discarded so far" in text for up, text in ears.links if up)


async def test_wrong_device_is_not_polled(tmp_path: Path) -> None:
    """With a device configured, another one that answers is named and gets no poll and no command."""
    async with press() as link:
        side = SerialSide(link, tmp_path / "keys")
        bank = build(context(unit("u1"), url=str(side.path), device="cabinet-9"))
        side.peer.plug()
        ears = Ears()
        async with running(side.peer.run()), running(bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.links)
            with pytest.raises(NotSent, match="is not open"):
                await bank.move(released())
        side.peer.port.unplug()
    assert ears.links[0] == (
        False,
        f"{side.path}: 'cabinet-1' on a keys line answers, expected 'cabinet-9' on a keys line",
    )
    assert {message["msg"] for message in side.asked} == {"identify"}
