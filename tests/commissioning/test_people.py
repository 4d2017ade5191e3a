"""What people answer, at a pipe and at a terminal, and what happens around them, by the real command."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import os
import re
import signal
import sys
from pathlib import Path

import pytest

from tests.commissioning.press import ZONES, Answer, Pair, hall

pytestmark = pytest.mark.broker
_numbers = itertools.count(101)


def name() -> str:
    """A press of the test's own at the shared broker."""
    return f"hall-{next(_numbers)}"


async def test_a_key_in_another_place_is_named(tmp_path: Path, mosquitto: str) -> None:
    """Keys counted from the other end stop the session with what to change; mended, it goes on with that key."""
    async with hall(tmp_path, mosquitto, name()) as at:
        at.keys.order = [4, 3, 2, 1]
        code, _, errors = await at.commission(Pair(at.keys))
        assert code == 1
        assert "counted from the other end" in errors
        at.keys.order = [1, 2, 3, 4]
        pair = Pair(at.keys, [(r"move these keys", lambda match: "stop")])
        code, _, errors = await at.commission(pair)
        assert code == 1
        assert any("type mended" in prompt for prompt in pair.asked)


async def test_bad_answers_are_told_and_asked_again(tmp_path: Path, mosquitto: str) -> None:
    """A wrong count, millimetres, words that are no answer, a wrong PIN: each is told, nothing of it is kept."""
    async with hall(tmp_path, mosquitto, name()) as at:
        bad = {
            "how many keys": ["5", "four"],
            "at which side": ["left"],
            "which key moved": ["1", "9 opened", "x opened"],
            "move these keys": ["y"],
            "type isolated": ["yes"],
            "zone 1 at 28 %": ["0.05", "thin", "2"],
            "yes, or the zones": ["9", "2"],
            "Ben, your PIN": ["000000"],
        }

        def first_badly(match: re.Match[str]) -> str:
            for start, words in bad.items():
                if match[0].startswith(start) and words:
                    return words.pop(0)
            return pair.usual(match[0])

        pair = Pair(at.keys, [(r"zone 1 at 5\d", lambda match: "stop"), (r".+", first_badly)])
        code, told, errors = await at.commission(pair)
        assert code == 1
        assert "the same command goes on" in errors
        assert not any(bad.values()), bad
        for text in (
            "count again",
            "expected operator or drive",
            "expected um, not mm",
            "not the PIN",
            "5 to 1000 um",
        ):
            assert text in told
        assert (
            pair.asked.count("zone 2 at 28 %: the thickest gauge that goes through with light drag, um: ")
            == 2
        )
        gauge = [row["evidence"] for row in at.session["entries"] if row["step"] == "gauge"]
        assert [len(row["readings"]) for row in gauge] == [ZONES]


async def test_at_a_terminal_the_pin_is_not_shown(tmp_path: Path, mosquitto: str) -> None:
    """On a real terminal what is typed shows, but for the PIN; an interrupt ends at once and nothing is lost."""
    async with hall(tmp_path, mosquitto, name()) as at:
        first, second = os.openpty()
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "inksteward.cli", *at.words()), stdin=second, stdout=second, stderr=second
        )
        os.close(second)
        pair, told, answered = Pair(at.keys), "", 0
        while "not the PIN" not in told:
            piece = await asyncio.to_thread(os.read, first, 4096)
            told += piece.decode()
            last = told.replace("\r", "").rpartition("\n")[2]
            if last.endswith(": ") and len(told) > answered:
                said = "998877" if "your PIN" in last else pair.answer(last)
                answered = len(told) + len(said or "")
                os.write(first, f"{said}\n".encode())
        process.send_signal(signal.SIGINT)
        draining = asyncio.create_task(asyncio.to_thread(drained, first))
        try:
            assert await asyncio.wait_for(process.wait(), 20) == 1
        finally:
            if process.returncode is None:
                process.kill()  # or nothing would ever end what is drained
            rest = await draining
        os.close(first)
        assert "998877" not in told
        assert "operator\r\n" in told
        assert "interrupted" in rest
        assert at.session["entries"][0]["step"] == "count"


def drained(descriptor: int) -> str:
    """What is still said at a terminal until its other side is closed."""
    told = b""
    with contextlib.suppress(OSError):
        while piece := os.read(descriptor, 4096):
            told += piece
    return told.decode()


async def test_a_cabinet_without_power_loses_no_reading(tmp_path: Path, mosquitto: str) -> None:
    """Isolated, the cabinet may say nothing for a while, and another blade is not gone on with."""
    async with hall(tmp_path, mosquitto, name()) as at:

        def isolated(match: re.Match[str]) -> str:
            at.keys.silent = True
            return "isolated"

        def again(match: re.Match[str]) -> str:
            at.keys.silent = False
            return "again"

        ways: list[tuple[str, Answer]] = [
            (r"type isolated", isolated),
            (r"type again", again),
            (r"zone 1 at 5\d", lambda match: "stop"),
        ]
        pair = Pair(at.keys, ways)
        code, told, errors = await at.commission(pair)
        assert (code, "the same command goes on" in errors) == (1, True), told[-2000:]
        assert any("type again" in prompt for prompt in pair.asked)
        assert [
            len(row["evidence"]["readings"]) for row in at.session["entries"] if row["step"] == "gauge"
        ] == [ZONES]
        at.keys.silent, at.keys.blade_id = False, "blade-other"
        code, _, errors = await at.commission(Pair(at.keys))
        assert code == 1
        assert "blade blade-other is in" in errors
