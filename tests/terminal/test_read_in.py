"""``inksteward read-in``: a hand-held reading without a screen, over a real broker."""

from __future__ import annotations

import asyncio
import itertools
import json
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from inksteward import cli
from inksteward.authority_file import write_private_key
from inksteward.service.app import Service
from inksteward.terminal import reading_in
from tests.page.stage import Crew
from tests.service.bench import ANNA, Shop, serving, set_up_shop
from tests.service.floor import Floor
from tests.service.listener import Probe, probe
from tests.service.shift import working

_numbers = itertools.count(1)
UNIT = "u2"


@dataclass
class Cell:
    """A press that prints, and the service that knows its zones."""

    shop: Shop
    service: Service
    heard: Probe

    async def read_in(self, *words: str, operator: str = "op-anna") -> tuple[int, str, str]:
        """The command: its exit code, output and errors."""
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "inksteward.cli", "read-in", *words),
            *("--operator", operator, "--key", str(self.shop.folder / "anna.pem")),
            *("--broker", self.shop.url, "--press", self.shop.press),
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
        )
        out, errors = await asyncio.wait_for(process.communicate(), 60)
        return process.returncode or 0, out.decode(), errors.decode()

    def scans(self) -> int:
        """How many sheets and readings the unit's estimate has taken in."""
        estimate = self.service.consumer.state.units[UNIT].estimate
        assert estimate is not None
        return estimate.scans


@asynccontextmanager
async def cell(folder: Path, url: str) -> AsyncIterator[Cell]:
    """Up to sheet 100 and one scan."""
    shop = set_up_shop(folder, url, f"read-in-{next(_numbers)}")
    write_private_key(folder / "anna.pem", ANNA)
    async with probe(shop) as heard, serving(shop.options()) as service:
        crew = Crew(heard, Floor(shop.scenario))
        crew.scanning = False
        async with working(crew):
            await crew.print_to(100)
            await crew.pull()
            yield Cell(shop, service, heard)


@pytest.mark.broker
async def test_readings_are_taken_one_by_one(tmp_path: Path, mosquitto: str) -> None:
    """Each goes out as a signed request of its own and is told; the service's estimate has it."""
    async with cell(tmp_path, mosquitto) as at:
        before = at.scans()
        code, out, errors = await at.read_in(UNIT, "4=1.35", "5=1.36")
        assert (code, errors) == (0, "")
        assert out == "u2 zone 4: 1.35 D taken\nu2 zone 5: 1.36 D taken\n"
        sent = [json.loads(raw) for topic, raw, _ in at.heard.heard if topic == "request"]
        assert [(one["kind"], one["zone"], one["density"], one["press"]) for one in sent] == [
            ("reading", 4, 1.35, at.shop.press),
            ("reading", 5, 1.36, at.shop.press),
        ]
        assert at.scans() == before + 2


@pytest.mark.broker
async def test_what_the_service_refuses(tmp_path: Path, mosquitto: str) -> None:
    """A zone that is not there and a reading beyond belief come back with what was expected; the good one counts."""
    async with cell(tmp_path, mosquitto) as at:
        code, out, errors = await at.read_in(UNIT, "96=1.35", "4=1.35", "5=5.9")
        assert code == 1
        assert out == "u2 zone 4: 1.35 D taken\n"
        assert "u2 zone 96: 1.35 D refused: zone: 96: expected 1 to " in errors
        assert "u2 zone 5: 5.9 D refused: density: 5.9: expected near " in errors
        code, _, errors = await at.read_in("u9", "4=1.35")
        assert code == 1
        assert "unit: u9: expected a unit of the press" in errors
        code, _, errors = await at.read_in(UNIT, "4=1.35", operator="op-bert")
        assert code == 1
        assert "refused: operator" in errors


@pytest.mark.parametrize(
    "word", ["4", "4=", "=1.3", "four=1.3", "4=nan", "4=inf", "0=1.3", "97=1.3", "4=1,3"]
)
def test_what_is_no_reading(tmp_path: Path, capsys: pytest.CaptureFixture[str], word: str) -> None:
    """Anything but a zone and a density is told before anything is sent, or a key is looked at."""
    words = [
        "read-in",
        UNIT,
        "5=1.3",
        word,
        "--press",
        "p",
        "--operator",
        "a",
        "--key",
        str(tmp_path / "none"),
    ]
    assert cli.main(words) == 2
    assert capsys.readouterr().err == f"inksteward read-in: {word}: expected ZONE=DENSITY, such as 7=1.42\n"


def test_a_key_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a key nothing is sent."""
    key = str(tmp_path / "none.pem")
    assert cli.main(["read-in", UNIT, "5=1.3", "--press", "p", "--operator", "a", "--key", key]) == 2
    assert "none.pem" in capsys.readouterr().err


@pytest.mark.broker
def test_nobody_answers(
    tmp_path: Path, mosquitto: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where no service answers, what went out is told as not known, and the rest is not sent."""
    monkeypatch.setattr(reading_in, "ANSWER_S", 0.5)
    write_private_key(tmp_path / "anna.pem", ANNA)
    words = [
        "read-in",
        UNIT,
        "4=1.35",
        "5=1.3",
        "--press",
        f"read-in-{next(_numbers)}",
        "--broker",
        mosquitto,
    ]
    assert cli.main([*words, "--operator", "op-anna", "--key", str(tmp_path / "anna.pem")]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert (
        "nothing came under answer within 0.5 s; whether u2 zone 4: 1.35 D was taken is not known" in said.err
    )


def test_no_broker(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where there is no broker nothing is sent, and that is what the exit code says."""
    write_private_key(tmp_path / "anna.pem", ANNA)
    words = ["read-in", UNIT, "4=1.35", "--press", "p", "--broker", "mqtt://127.0.0.1:9"]
    assert cli.main([*words, "--operator", "op-anna", "--key", str(tmp_path / "anna.pem")]) == 2
    assert "the broker at 127.0.0.1:9 cannot be used" in capsys.readouterr().err
