"""A press that stands, with its keys, its service and two people who answer what they are asked from what is true."""

from __future__ import annotations

import asyncio
import json
import re
import signal
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from inksteward.authority import Key, Operator, Operators, new_key, public_x, thumbprint
from inksteward.authority_file import OperatorsFile, save, write_private_key
from inksteward.config import load
from inksteward.control.gaps import gap_um
from inksteward.pins import hash_pin
from inksteward_simulators.scenario import load_scenario
from inksteward_simulators.scenario_forms import Scenario
from tests.service.bench import ANNA, ANNA_PUBLIC, Shop, serving, set_up_shop
from tests.service.floor import Floor
from tests.service.listener import Probe, probe

ZONES, UNIT = 4, "u1"
BEN = new_key()
BEN_PIN = "314159"
PEOPLE = Operators(
    (*ANNA_PUBLIC.all, Operator("op-ben", "Ben", (Key(thumbprint(public_x(BEN)), public_x(BEN)),)))
)
HURRY = 10.0
LEAF_UM = 5.0
"""Step between the gauges."""
PATIENCE_S = 60.0


def small(zones: int = ZONES, start_pct: float = 20.0, **spread: Any) -> Scenario:
    """One unit of few keys that stand at 20 % unless said otherwise, whose truth is drawn as usual."""
    whole = load_scenario("makeready")
    form = {
        "zones": zones,
        "coverage": (0.3,) * zones,
        "start_openings_pct": (start_pct,) * zones,
        "blade": "segmented",
    }
    unit = whole.units[0].model_copy(update=form)
    spreads = whole.spread.model_copy(update=spread)
    return whole.model_copy(update={"units": (unit,), "spread": spreads})


class Keys:
    """The key cabinet and the counter of a press that stands."""

    def __init__(self, heard: Probe, floor: Floor, take_up_pct: float = 1.0) -> None:
        self.heard, self.floor, self.take_up_pct = heard, floor, take_up_pct
        self.commands: list[dict[str, Any]] = []
        self.order = list(range(1, ZONES + 1))
        """Which key the motor of each zone really turns, from 1."""
        self.turning: bool | None = True
        self.silent = False
        self.blade_id: str | None = None
        self.over = False

    def gap_um(self, zone: int) -> float:
        """The true gap at a key's tip."""
        there = self.floor.press.unit(UNIT)
        return float(there.opening_um(there.keys.screw_pct)[zone - 1])

    async def work(self) -> None:
        """Until told to end."""
        self.floor.press.stop()
        read, last = 0, asyncio.get_running_loop().time()
        while not self.over:
            for topic, raw, _ in self.heard.heard[read:]:
                if topic == f"keys/{UNIT}/command":
                    self._drive(json.loads(raw))
            read = len(self.heard.heard)
            now = asyncio.get_running_loop().time()
            self.floor.press.advance((now - last) * HURRY)
            last = now
            self.floor.count()
            self.floor.position(UNIT)
            for topic, raw in self.floor.take():
                if self.silent and topic.startswith("keys/"):
                    continue
                await self.heard.say(topic, self._told(topic, raw), retain=topic != "counter", qos=0)
            await asyncio.sleep(0.05)

    def _drive(self, command: dict[str, Any]) -> None:
        self.commands.append(command)
        targets = {row["zone"]: row["to_pct"] for row in command["targets"]}
        self.floor.press.drive(command["unit"], targets, command["sweep_pct"], self.take_up_pct)

    def _told(self, topic: str, raw: bytes) -> bytes:
        data = json.loads(raw)
        if topic == "counter":
            data["fountain_turning"] = self.turning
        elif topic.startswith("keys/"):
            data["blade_id"] = self.blade_id or data["blade_id"]
            data["command_id"] = (
                self.commands[-1]["command_id"] if self.commands and not data["moving"] else None
            )
        return json.dumps(data).encode()


Answer = Callable[[re.Match[str]], str | None]


@dataclass
class Pair:
    """Anna and Ben. ``ways`` come before the usual answers: pattern and what is said then; None: nothing at all."""

    keys: Keys
    ways: list[tuple[str, Answer]] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def answer(self, prompt: str) -> str | None:
        """What they say to a prompt. Fails for one that they do not know."""
        self.asked.append(prompt)
        for pattern, say in self.ways:
            found = re.search(pattern, prompt)
            if found is not None:
                return say(found)
        return self.usual(prompt)

    def usual(self, prompt: str) -> str:
        """What they say when nothing special happens."""
        for pattern, say in self._usual():
            found = re.search(pattern, prompt)
            if found is not None:
                return say(found) or ""
        raise AssertionError(f"nobody knows what to say to: {prompt}")

    def _usual(self) -> list[tuple[str, Answer]]:
        fixed = {
            r"how many keys": str(ZONES),
            r"at which side": "operator",
            r"type (clear|isolated|release|mended) ": None,
            r"move these keys\?": "yes",
            r"yes, or the zones": "yes",
            r"Ben, your PIN": BEN_PIN,
            r"type scan": "skip",
            r"why is .* left out": "the press stands",
            r"write this calibration": "yes",
        }
        found: list[tuple[str, Answer]] = [
            (pattern, lambda match, said=said: said if said is not None else match[1])  # type: ignore[misc]
            for pattern, said in fixed.items()
        ]
        found.append((r"such as (\d+) opened", lambda match: f"{self.keys.order[int(match[1]) - 1]} opened"))
        found.append((r"zone (\d+) at [\d.]+ %", lambda match: f"{self.gauge(int(match[1])):g}"))
        return found

    def gauge(self, zone: int) -> float:
        """The gauge that fits: the nearest of the set."""
        return round(self.keys.gap_um(zone) / LEAF_UM) * LEAF_UM


def set_up(
    folder: Path,
    url: str,
    press: str,
    form: Scenario | None = None,
    uncertainty_um: float = 3.0,
    **sections: Any,
) -> Shop:
    """Configuration, operators and keys on disk."""
    shop = set_up_shop(folder, url, press, form or small(), **sections)
    text = shop.config.read_text()
    assert "uncertainty_um = 3.0" in text
    shop.config.write_text(text.replace("uncertainty_um = 3.0", f"uncertainty_um = {uncertainty_um!r}"))
    save(folder / "operators.toml", OperatorsFile(PEOPLE, {"op-ben": hash_pin(BEN_PIN)}))
    write_private_key(folder / "anna.pem", ANNA)
    write_private_key(folder / "ben.pem", BEN)
    return shop


def command_line(shop: Shop) -> list[str]:
    """What the two people type."""
    folder = shop.folder
    return [
        *("commission", str(shop.config), UNIT, "--operator", "op-anna", "--key", str(folder / "anna.pem")),
        *("--second", "op-ben", "--second-key", str(folder / "ben.pem"), "--gauge-tolerance-um", "1"),
        *("--broker", shop.url),
    ]


@dataclass
class Hall:
    """Everything at once."""

    shop: Shop
    heard: Probe
    keys: Keys

    def words(self, *more: str) -> list[str]:
        """The command line."""
        return [*command_line(self.shop), *more]

    async def commission(self, pair: Pair, *more: str) -> tuple[int, str, str]:
        """Run the command with these two; its exit code, output and errors. An answer None kills it on the spot."""
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "inksteward.cli", *self.words(*more)),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
        )
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stderr is not None
        told = ""
        try:
            while piece := await asyncio.wait_for(process.stdout.read(4096), PATIENCE_S):
                told += piece.decode()
                last = told.rpartition("\n")[2]
                if not last.endswith(": "):
                    continue
                said = pair.answer(last)
                if said is None:
                    process.send_signal(signal.SIGKILL)
                else:
                    told += "\n"
                    process.stdin.write(f"{said}\n".encode())
                    await process.stdin.drain()
        finally:
            if process.returncode is None and process.stdout.at_eof() is False:
                process.kill()
        errors = (await process.stderr.read()).decode()
        return await process.wait(), told, errors

    @property
    def session(self) -> dict[str, Any]:
        """The session file."""
        data: dict[str, Any] = json.loads((self.shop.folder / f"{UNIT}.commissioning.json").read_text())
        return data


@asynccontextmanager
async def hall(
    folder: Path,
    url: str,
    press: str,
    form: Scenario | None = None,
    take_up_pct: float = 1.0,
    **sections: Any,
) -> AsyncIterator[Hall]:
    """The service at a press that stands, with two operators; Ben has a PIN."""
    shop = set_up(folder, url, press, form, **sections)
    async with probe(shop) as heard, serving(shop.options()):
        await heard.online()
        keys = Keys(heard, Floor(shop.scenario), take_up_pct)
        working = asyncio.create_task(keys.work())
        try:
            yield Hall(shop, heard, keys)
            assert not working.done(), working.exception()
        finally:
            keys.over = True
            await asyncio.gather(working, return_exceptions=True)


def true_within(at: Hall, config: Path) -> list[tuple[int, float, float]]:
    """(zone, opening, by how much) wherever the true gap lies farther from the calibration than it says."""
    unit = load(config).press.unit(UNIT)
    assert unit is not None
    there = at.keys.floor.press.unit(UNIT)
    wrong = []
    for pct in range(0, 101, 5):
        true = there.opening_um(0.0 * there.keys.screw_pct + pct)
        for zone, key in enumerate(unit.calibration.keys):
            off = abs(gap_um(key, float(pct)) - max(float(true[zone]), 0.0)) - key.uncertainty_nm / 1000.0
            if off > 0.0 and true[zone] > unit.min_gap_um:
                wrong.append((zone + 1, float(pct), off))
    return wrong
