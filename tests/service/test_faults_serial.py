"""Serial lines that are unplugged in mid-command and in mid-frame, and plugged in again."""

import asyncio
import itertools
import json
import os
import random
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from inksteward.events import CommandEnded, CommandReleased, Ended, LinkChanged, Received
from inksteward_drivers import reconnect
from inksteward_simulators import line_peer, pty_port, strip_wires
from tests.drivers.serial_side import telegrams
from tests.service.bench import decision, signed
from tests.service.kill_story import Killed
from tests.service.serial_press import SerialPress, serial_press, until
from tests.service.shift import judge_shift

pytestmark = pytest.mark.broker
_numbers = itertools.count(1)
COMMAND_SPENT_NS = 15 * 10**9
"""A command is valid for 10 s and keys travel for some: after that nothing can carry it out any more."""


@pytest.fixture(autouse=True)
def _impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """An instrument on a line in this machine repeats after less time than one across a hall."""
    monkeypatch.setattr(line_peer, "ANSWER_S", 0.3)
    monkeypatch.setattr(strip_wires, "TRY_AGAIN_S", 0.3)
    monkeypatch.setattr(reconnect, "LONGEST_WAIT_S", 1.0)


def press_of() -> str:
    return f"serial-{os.getpid()}-{next(_numbers)}"


def judged(press: SerialPress) -> None:
    """As ever after a fault; to be called when the service has ended."""
    seen = Killed(press.shop, press.heard.heard, press.cabinet.moves, press.shop.rows())
    judge_shift(seen)


def ups(press: SerialPress, name: str) -> list[bool]:
    return [event.up for event in press.shop.events(LinkChanged) if event.link == name]


async def acknowledged(press: SerialPress, code: str = "fate_unknown") -> dict[str, Any]:
    """Anna looks at the keys and acknowledges; the answer."""
    number = f"r-{len(press.heard.heard)}"
    what = {"kind": "acknowledge", "code": code, "unit": "u2", "operator": "op-anna"}
    await press.heard.say("request", signed({"request_id": number, **what}))
    return await press.heard.answer(number)


async def goes_on(press: SerialPress) -> None:
    """The line is back and the command is spent: once somebody has looked, another proposal moves keys."""
    press.clock.skipped_ns += COMMAND_SPENT_NS
    await press.up("keys")
    spent_ms = press.clock.mono_ns() // 10**6 - 1000
    await until(
        lambda: (seen := press.service.consumer.state.units["u2"].position) and seen.mono_ms > spent_ms
    )
    assert (await acknowledged(press))["accepted"]
    proposal = await press.proposal()
    await press.heard.say("decision", decision(proposal, "d-after"))
    await until(lambda: proposal["proposal_id"] in [move["proposal_id"] for move in press.cabinet.moves])
    await press.print_on(60)
    assert (await press.outcome(proposal))["result"] == "moved"


async def test_the_key_line_is_unplugged_in_mid_command(mosquitto: str, tmp_path: Path) -> None:
    """Unplugged after it took a command and before it answered, the cabinet leaves a command of unknown fate, which is
    told by an alarm and never sent again; when the line is back and somebody has looked, keys move again.
    """
    async with serial_press(tmp_path, mosquitto, press_of()) as press:
        proposal = await press.proposal()
        press.cabinet.deaf = True
        await press.heard.say("decision", decision(proposal))
        await asyncio.wait_for(press.cabinet.asked.wait(), 15)
        press.unplug(press.keys)
        outcome = await press.outcome(proposal)
        await press.up("keys", False)
        assert not (await acknowledged(press))["accepted"]  # it may still be carried out
        press.cabinet.deaf = False
        press.plug(press.keys)
        await goes_on(press)
    assert (outcome["result"], outcome["code"]) == ("failed", "fate_unknown")
    codes = {alarm["code"] for each in press.heard.all("alarm") for alarm in each["alarms"]}
    assert {"fate_unknown", "link_lost"} <= codes
    assert len(press.cabinet.moves) == len(press.shop.events(CommandReleased)) == 2
    assert ups(press, "keys") == [True, False, True]
    judged(press)


async def test_the_key_line_is_unplugged_in_mid_frame(
    mosquitto: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Unplugged while the frame of a command is on the wire, the line has brought the cabinet no command at all; the
    service, which cannot know that, says that the fate is unknown and does not write the frame again.
    """
    monkeypatch.setattr(pty_port, "READ_BYTES", 16)
    async with serial_press(tmp_path, mosquitto, press_of()) as press:
        proposal = await press.proposal()
        came, port = bytearray(), press.keys.port
        on_bytes = port._on_bytes

        def some(data: bytes) -> None:
            came.extend(data)
            on_bytes(data)
            if b'"msg":"move"' in came:
                press.unplug(press.keys)

        port._on_bytes = some
        await press.heard.say("decision", decision(proposal))
        outcome = await press.outcome(proposal)
        assert press.cabinet.moves == []
        press.plug(press.keys)
        await goes_on(press)
    assert (outcome["result"], outcome["code"]) == ("failed", "fate_unknown")
    (first, second) = press.shop.events(CommandEnded)
    assert (first.ended, second.ended) == (Ended.FATE_UNKNOWN, Ended.DONE)
    assert [move["command_id"] for move in press.cabinet.moves] == [second.command_id]
    judged(press)


async def test_a_proposal_ends_with_its_key_line(mosquitto: str, tmp_path: Path) -> None:
    """A proposal that stands when its key line is unplugged lapses; a decision on it moves nothing then, nor when the
    line is back.
    """
    async with serial_press(tmp_path, mosquitto, press_of()) as press:
        proposal = await press.proposal()
        press.unplug(press.keys)
        outcome = await press.outcome(proposal)
        await press.heard.say("decision", decision(proposal))
        answer = await press.heard.answer("d-1")
        press.plug(press.keys)
        await press.up("keys")
        await press.heard.say("decision", decision(proposal, "d-2"))
        later = await press.heard.answer("d-2")
    assert (outcome["result"], outcome["code"]) == ("lapsed", "link_lost")
    assert not answer["accepted"]
    assert not later["accepted"]
    assert not press.cabinet.moves
    judged(press)


async def test_the_strip_reader_is_unplugged_in_mid_frame(mosquitto: str, tmp_path: Path) -> None:
    """A scan that was cut off in the middle of a frame is not read; sent again when the reader is back it is read once,
    and sent once more by a reader that missed the last answer it is not read again.
    """
    async with serial_press(tmp_path, mosquitto, press_of()) as press:
        await press.print_on(150)
        scan = json.loads(press.floor.scanned())
        first, second, *_ = telegrams(scan)
        press.strip.port.write(first)
        await until(lambda: press.strip.discarded["stray_answer"] == 1)  # it was answered
        press.strip.port.write(second[: len(second) // 2])
        await asyncio.sleep(0.05)
        press.unplug(press.strip)
        await press.up("strip", False)
        assert not press.heard.all("reading")
        press.plug(press.strip)
        await press.up("strip")
        await asyncio.wait_for(strip_wires.LineWire(press.strip).send(scan), 15)
        await press.heard.next("reading")
        press.strip._epoch, press.strip._seq = 99, -1  # switched off and on, it counts anew
        await asyncio.wait_for(strip_wires.LineWire(press.strip).send(scan), 15)
        await until(lambda: "double_scan" in _links(press, "strip")[-1])
        await press.hold()
    assert len(press.heard.all("reading")) == len(_scans(press)) == 1
    assert "truncated" in " ".join(_links(press, "strip")) or "incomplete_scan" in " ".join(
        _links(press, "strip")
    )
    judged(press)


@pytest.mark.soak
@pytest.mark.timeout(3600)
async def test_lines_are_unplugged_again_and_again(
    mosquitto: str, tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    """Forty proposals, approved while a line is unplugged at a drawn instant and plugged in again: no command goes
    twice, every proposal ends once, and the press goes on.
    """
    dice, ends = random.Random(11), []
    async with serial_press(tmp_path, mosquitto, press_of()) as press:
        for number in range(40):
            press.floor.press.unit("u2").disturbance.feed(0.25 * (-1) ** number)
            proposal = await press.proposal()
            peer = dice.choice((press.keys, press.keys, press.strip))
            asyncio.get_running_loop().call_later(dice.uniform(0.0, 0.15), press.unplug, peer)
            await press.heard.say("decision", decision(proposal, f"d-{number}"))
            await asyncio.sleep(0.5)
            press.plug(peer)
            for name in ("keys", "strip"):
                await press.up(name)
            await press.print_on(60)
            ends.append((await press.outcome(proposal))["result"])
            press.clock.skipped_ns += COMMAND_SPENT_NS
            while press.service.consumer.state.units["u2"].suspended:
                await asyncio.sleep(0.5)
                for code in ("fate_unknown", "move_failed"):
                    await acknowledged(press, code)
        await press.hold()
    record_property("ends", dict(Counter(ends)))
    assert len(ends) == 40
    assert ends.count("moved") >= 5
    judged(press)


def _links(press: SerialPress, name: str) -> list[str]:
    return [event.text for event in press.shop.events(LinkChanged) if event.link == name]


def _scans(press: SerialPress) -> list[Received]:
    return [event for event in press.shop.events(Received) if event.topic == "scan"]
