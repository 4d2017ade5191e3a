"""The press side and the key side in real time: sheets, counter, keys, read-back, pulled sheets."""

from __future__ import annotations

import asyncio
import random
import time
from collections.abc import Sequence
from dataclasses import dataclass

from tests.outside.rig_json import NotAnObject, now_text, parse_object
from tests.outside.rig_keys import KeyBank
from tests.outside.rig_ledger import Ledger
from tests.outside.rig_press import FilmTrain, gaps_um
from tests.outside.rig_strip import UnitPlan
from tests.outside.rig_wire import Wire

TICK_S = 0.025
COUNTER_S, COUNTER_SHEETS = 1.0, 20
MOVING_POSITION_S, RESTING_POSITION_S = 0.25, 2.0


@dataclass
class UnitState:
    """One printing unit of the shop."""

    plan: UnitPlan
    keys: KeyBank
    train: FilmTrain
    zero_um: list[float]
    published_s: float = float("-inf")
    must_publish: bool = True

    def gaps(self) -> list[float]:
        """True zone gaps in um now."""
        geometry = self.plan.geometry
        return gaps_um(self.keys.opening, geometry.travel_um, geometry.blade, self.zero_um)

    def density(self) -> list[float]:
        """True solid density a zone on the sheet that leaves the press now."""
        return [self.plan.truth.density(film) for film in self.train.printed_um()]


@dataclass(frozen=True)
class Pulled:
    """A sheet out of the delivery: true density a zone by unit."""

    sheet: int
    density: dict[str, list[float]]


def build_units(
    plans: Sequence[UnitPlan], rng: random.Random, *, key_speed_pct_s: float, spread: float
) -> dict[str, UnitState]:
    """Units with feed and lag off nominal, keys at their preset, rollers empty."""
    units = {}
    # read by the service across restarts of the rig: never smaller than in an earlier life
    first_seq = int(time.time() * 10)
    for plan in plans:
        bank = KeyBank(plan.geometry.unit, list(plan.preset_pct), plan.sweep_pct, key_speed_pct_s, first_seq)
        feed, lag = rng.choice((0.90, 1.10)) * rng.uniform(0.97, 1.03), rng.uniform(0.85, 1.25)
        train = FilmTrain(plan.coverage, feed=feed, lag=lag, spread=spread)
        zero = [rng.uniform(-1.5, 1.5) for _ in plan.coverage]
        units[plan.geometry.unit] = UnitState(plan, bank, train, zero)
    return units


class Shop:
    """Runs the press; `printing` starts and stops the sheets."""

    def __init__(self, wire: Wire, ledger: Ledger, units: dict[str, UnitState], sheets_per_s: float) -> None:
        self.wire, self.ledger, self.units = wire, ledger, units
        self.sheets_per_s = sheets_per_s
        self.printing = False
        self.good = False
        self.counting = True
        self.sheet = 0
        self._part_sheet = 0.0
        self._pulls: list[tuple[int, asyncio.Future[Pulled]]] = []
        self._counted_s, self._counted_sheet = float("-inf"), 0

    async def run(self) -> None:
        """Tick until cancelled."""
        before = time.monotonic()
        while True:
            await asyncio.sleep(TICK_S)
            now = time.monotonic()
            self._advance(now - before)
            before = now
            await self._publish_counter(now)
            for unit in self.units.values():
                await self._publish_position(unit, now)

    def _advance(self, seconds: float) -> None:
        for unit in self.units.values():
            if unit.keys.advance(seconds):
                unit.must_publish = True
        gaps = {name: unit.gaps() for name, unit in self.units.items()}
        self.ledger.min_true_gap_um = min(self.ledger.min_true_gap_um, *(min(g) for g in gaps.values()))
        if not self.printing:
            return
        self._part_sheet += seconds * self.sheets_per_s
        while self._part_sheet >= 1.0:
            self._part_sheet -= 1.0
            self._print_sheet(gaps)

    def _print_sheet(self, gaps: dict[str, list[float]]) -> None:
        self.sheet += 1
        self.ledger.sheet = self.sheet
        for name, unit in self.units.items():
            unit.train.step(gaps[name], unit.keys.sweep)
        due = [item for item in self._pulls if self.sheet >= item[0]]
        if due:
            pulled = Pulled(self.sheet, {name: unit.density() for name, unit in self.units.items()})
            self._pulls = [item for item in self._pulls if item not in due]
            for _, future in due:
                if not future.done():
                    future.set_result(pulled)

    async def pull(self, from_sheet: int) -> Pulled:
        """The first sheet from a number on."""
        future: asyncio.Future[Pulled] = asyncio.get_running_loop().create_future()
        self._pulls.append((max(from_sheet, self.sheet + 1), future))
        return await future

    async def _publish_counter(self, now: float) -> None:
        if not self.counting:
            return
        if now - self._counted_s < COUNTER_S and self.sheet - self._counted_sheet < COUNTER_SHEETS:
            return
        self._counted_s, self._counted_sheet = now, self.sheet
        speed = round(self.sheets_per_s * 3600) if self.printing else 0
        payload = {
            "run_id": self.ledger.run_id,
            "sheet": self.sheet,
            "speed_sph": speed,
            "printing": self.printing,
        }
        payload |= {"fountain_turning": True, "good": self.good, "at": now_text()}
        await self.wire.send("counter", payload, qos=0)

    async def _publish_position(self, unit: UnitState, now: float) -> None:
        pause = MOVING_POSITION_S if unit.keys.moving else RESTING_POSITION_S
        if not unit.must_publish and now - unit.published_s < pause:
            return
        unit.must_publish, unit.published_s = False, now
        name = unit.plan.geometry.unit
        await self.wire.send(f"keys/{name}/position", unit.keys.position(self.sheet), retain=True)

    def take_command(self, name: str, raw: bytes, retained: bool, expiry_s: int | None) -> None:
        """The key side's mailbox: check a command as the contract asks and start it, or refuse it."""
        unit = self.units.get(name)
        if unit is None or raw == b"":
            self.ledger.say(
                "commands_go_to_keys_that_are", raw == b"", f"keys/{name}/command: no such unit here"
            )
            return
        try:
            command = parse_object(raw)
        except NotAnObject as error:
            self.ledger.say("key_side_takes_every_command", False, f"{name}: {error}")
            return
        if expiry_s is not None and isinstance(command.get("valid_s"), int | float):
            words = f"message expiry {expiry_s} s, valid_s {command['valid_s']}"
            self.ledger.say("command_expires_after_valid_s", expiry_s <= command["valid_s"] + 1, words)
        reason = unit.keys.take(command, retained=retained)
        if reason is not None:
            self.ledger.key_refusals.append(f"{name} {command.get('command_id')}: {reason}")
        if reason != "already_executed":  # an at-least-once copy is no fault of the sender
            self.ledger.say("key_side_takes_every_command", reason is None, f"{name}: {reason or 'taken'}")
        unit.must_publish = True

    def disturb(self, name: str, factor: float, share: float) -> None:
        """From now on gaps let `factor` times as much ink through, on the first `share` of the unit's zones."""
        feed = self.units[name].train.feed
        for zone in range(round(share * len(feed))):
            feed[zone] *= factor
