"""``inksteward watch`` and ``decide``: a cell without a screen, over a real broker."""

from __future__ import annotations

import asyncio
import itertools
import json
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from inksteward.authority_file import write_private_key
from inksteward.events import CommandReleased
from tests.page.stage import Crew
from tests.service.bench import ANNA, Shop, serving, set_up_shop
from tests.service.floor import Floor
from tests.service.listener import Probe, probe
from tests.service.shift import working

pytestmark = pytest.mark.broker
_numbers = itertools.count(1)
UNIT = "u2"


@dataclass
class Cell:
    """A press that prints and follows commands, with a proposal that stands."""

    shop: Shop
    heard: Probe
    proposal: dict[str, Any]

    @property
    def decisions(self) -> list[dict[str, Any]]:
        """What was sent as a decision; the crew's own fences are no objects."""
        return [
            json.loads(raw) for topic, raw, _ in self.heard.heard if topic == "decision" and raw[:1] == b"{"
        ]

    async def run(self, *words: str, typed: str = "") -> tuple[int, str, str]:
        """A command of inksteward: its exit code, output and errors."""
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "inksteward.cli", *words),
            *("--broker", self.shop.url, "--press", self.shop.press),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
        )
        out, errors = await asyncio.wait_for(process.communicate(typed.encode()), 30)
        return process.returncode or 0, out.decode(), errors.decode()

    async def decide(self, *words: str, typed: str = "") -> tuple[int, str, str]:
        """``decide`` as Anna."""
        who = ("--operator", "op-anna", "--key", str(self.shop.folder / "anna.pem"))
        return await self.run("decide", UNIT, *who, *words, typed=typed)


@asynccontextmanager
async def cell(folder: Path, url: str) -> AsyncIterator[Cell]:
    """Up to the proposal."""
    shop = set_up_shop(folder, url, f"cell-{next(_numbers)}")
    write_private_key(folder / "anna.pem", ANNA)
    async with probe(shop) as heard, serving(shop.options()):
        crew = Crew(heard, Floor(shop.scenario))
        crew.scanning, crew.sheets = False, 12
        async with working(crew):
            (made,) = await crew.propose()
            yield Cell(shop, heard, made)


async def test_a_yes_with_the_digest(tmp_path: Path, mosquitto: str) -> None:
    """With the digest that was shown a decision goes out without a question, and the keys move as it says."""
    async with cell(tmp_path, mosquitto) as at:
        zone = at.proposal["moves"][0]["zone"]
        code, out, errors = await at.decide("--digest", at.proposal["digest"][:20], "--leave", str(zone))
        assert (code, errors) == (0, "")
        outcome = await at.heard.next("outcome")
        assert (outcome["result"], outcome["operator"], outcome["via"]) == ("moved", "op-anna", "mqtt")
        assert {row["zone"] for row in outcome["moved"]} == {row["zone"] for row in at.proposal["moves"]} - {
            zone
        }
        assert f"{UNIT}: moved by op-anna" in out


async def test_asked_before_it_is_sent(tmp_path: Path, mosquitto: str) -> None:
    """Without a digest it shows the proposal and asks; anything but yes sends nothing."""
    async with cell(tmp_path, mosquitto) as at:
        code, out, errors = await at.decide(typed="no\n")
        assert code == 2
        assert "nothing was sent" in errors
        assert at.proposal["digest"] in out
        assert at.decisions == []
        code, out, _ = await at.decide("--reject", "paper changed", typed="yes\n")
        assert code == 0
        assert f"{UNIT}: rejected by op-anna" in out
        await at.heard.until(lambda: at.decisions)
        assert at.decisions[0]["reason"] == "paper changed"
    assert at.shop.events(CommandReleased) == []


@pytest.mark.parametrize(
    ("words", "code", "text"),
    [
        (("--digest", "sha256:00000000"), 2, "another proposal stands now"),
        (("--digest", "sha256:"), 2, "another proposal stands now"),
        (("--change", "seven=4"), 2, "expected ZONE=PCT"),
        (("--reject", "no", "--leave", "3"), 2, "nothing can be left out"),
    ],
)
async def test_what_is_not_sent(
    tmp_path: Path, mosquitto: str, words: tuple[str, ...], code: int, text: str
) -> None:
    """Another digest than that of the proposal that stands, and options that make no sense, send nothing."""
    async with cell(tmp_path, mosquitto) as at:
        found, _, errors = await at.decide(*words, typed="yes\n")
        assert (found, text in errors) == (code, True), errors
        assert at.decisions == []


async def test_an_edit_that_is_refused(tmp_path: Path, mosquitto: str) -> None:
    """A target below the minimum gap comes back with the interlock's reason, exit code 1, and nothing moves."""
    async with cell(tmp_path, mosquitto) as at:
        zone = at.proposal["moves"][0]["zone"]
        code, _, errors = await at.decide("--digest", at.proposal["digest"], "--change", f"{zone}=0")
        assert code == 1
        assert "least permitted" in errors
    assert at.shop.events(CommandReleased) == []


async def test_watch_tells_the_same_facts(tmp_path: Path, mosquitto: str) -> None:
    """``watch`` shows state, reading and ledger as text, with the digest to decide on, and what became of it."""
    async with cell(tmp_path, mosquitto) as at:
        process = await asyncio.create_subprocess_exec(
            *(
                sys.executable,
                "-m",
                "inksteward.cli",
                "watch",
                "--broker",
                at.shop.url,
                "--press",
                at.shop.press,
            ),
            stdout=asyncio.subprocess.PIPE,
        )
        assert process.stdout is not None
        told = ""
        wanted = ["service online", f"digest {at.proposal['digest']}", "zone ", "settles at", "read"]
        async with asyncio.timeout(20):
            while not all(word in told for word in wanted):
                told += (await process.stdout.readline()).decode()
            await at.decide("--digest", at.proposal["digest"])
            while f"{UNIT}: moved by op-anna" not in told:
                told += (await process.stdout.readline()).decode()
        process.terminate()
        await process.communicate()
    assert json.dumps(at.proposal["moves"][0]["zone"]) in told
