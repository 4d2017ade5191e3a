"""One round of the operator's work: pull a sheet, scan it, wait for the reading, decide what is proposed."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Sequence
from dataclasses import dataclass

from tests.outside.rig_decide import request_for
from tests.outside.rig_desk import Desk
from tests.outside.rig_json import Json, new_id
from tests.outside.rig_ledger import Heard, Ledger, Pull
from tests.outside.rig_shop import Pulled, Shop
from tests.outside.rig_strip import TOLERANCE_D, Patch, UnitPlan, scan_payload, scanned_patches
from tests.outside.rig_wire import Missing, Wire

READING_S = 10.0
SILENT_S = 11.5


@dataclass(frozen=True)
class Options:
    """How the play is played; see the command line for meanings."""

    operator: str
    seed: int = 1
    sheets_per_s: float = 40.0
    scan_every: int = 100
    scan_delay_s: float = 0.5
    think_s: float = 0.3
    noise_d: float = 0.015
    key_speed_pct_s: float = 25.0
    spread: float = 0.004
    max_sheets: int = 1500
    film_slack_d: float = 0.01
    strip_given: bool = True
    ask_opening: bool = False
    opening_s: float = 3.0


class Rounds:
    """Scans of one run. `strips` by side; `last_scan` holds the last accepted scan of each side."""

    def __init__(
        self,
        wire: Wire,
        desk: Desk,
        shop: Shop,
        options: Options,
        strips: dict[str, list[Patch]],
        rng: random.Random,
    ) -> None:
        self.wire, self.desk, self.shop, self.options = wire, desk, shop, options
        self.ledger: Ledger = desk.ledger
        self.strips, self.rng = strips, rng
        self.plans = [unit.plan for unit in shop.units.values()]
        self.last_scan: dict[str, Json] = {}
        self.unread = 0
        self._next_pull = options.scan_every

    async def cycle(self, *, decide: bool = True) -> Pull:
        """Pull a sheet, scan it, decide what is proposed."""
        every, rate = self.options.scan_every, self.options.sheets_per_s
        self._next_pull = max(self._next_pull, (self.shop.sheet // every + 1) * every)
        wait_s = (self._next_pull - self.shop.sheet) / rate * 3 + 10
        pulled = await asyncio.wait_for(self.shop.pull(self._next_pull), wait_s)
        self._next_pull += every
        await asyncio.sleep(self.options.scan_delay_s)
        read_in = [await self._scan(side, pulled) for side in self.strips]
        truly_in, worst = self._truth(pulled)
        pull = Pull(pulled.sheet, truly_in, all(read_in), worst)
        self.ledger.pulls.append(pull)
        self.ledger.tell(f"sheet {pulled.sheet}: truly farthest {worst}, read in tolerance {pull.read_in}")
        await self._release_if_held()
        if decide:
            await self.decide_all()
        return pull

    async def decide_all(self) -> None:
        """Decide every proposal that stands and was not looked at before."""
        fresh = [p for p in self.ledger.standing_payloads() if p["proposal_id"] not in self.desk.handled]
        await asyncio.gather(*(self.desk.handle(proposal) for proposal in fresh))

    async def leave_standing(self, what: str, *, first_disturbed: int) -> list[Json]:
        """Scan without deciding until a proposal stands; an empty list when none comes in nine scans.

        The press is disturbed before the scan `first_disturbed` (from 0) and every third one after it.
        """
        for turn in range(9):
            if turn >= first_disturbed and (turn - first_disturbed) % 3 == 0:
                self.disturb(turn // 3)
            await self.cycle(decide=False)
            if self.ledger.standing_payloads():
                return self.ledger.standing_payloads()
        self.ledger.tell(f"nothing was proposed: no {what}")
        return []

    def disturb(self, turn: int) -> None:
        """Weaker feeding over half the width (cold ink), then stronger over all of it (a new ink), unit by unit."""
        name = self.plans[turn % len(self.plans)].geometry.unit
        factor, share = (0.80, 0.5) if turn % 2 == 0 else (1.20, 1.0)
        self.ledger.tell(f"disturbance: {share:.0%} of {name} now feeds {factor} times as much ink")
        self.shop.disturb(name, factor, share)

    async def silent_counter(self) -> None:
        """Without a counter for more than 10 s a scan leads to no proposal, whatever else it leads to."""
        self.disturb(0)
        self.shop.counting = False
        await asyncio.sleep(SILENT_S)
        known = set(self.ledger.proposals)
        pulled = await asyncio.wait_for(self.shop.pull(self.shop.sheet + 1), 10)
        for side in self.strips:
            scan = self._scan_of(side, pulled)
            answer = await self.desk.send("scan", scan, "scan_id")
            if answer is not None and answer.payload["accepted"] is True:
                self.ledger.scans_accepted.append(scan["scan_id"])
        await asyncio.sleep(2.0)
        made = [pid for pid in self.ledger.proposals if pid not in known]
        words = f"{len(made)} proposals after {SILENT_S:g} s without a counter"
        self.ledger.say("no_counter_no_proposals", not made, words)
        self.shop.counting = True

    def _scan_of(self, side: str, pulled: Pulled) -> Json:
        plans = [plan for plan in self.plans if plan.geometry.side == side]
        patches = scanned_patches(self.strips[side], plans, pulled.density, self.options.noise_d, self.rng)
        return scan_payload(new_id("s"), self.ledger.run_id, side, pulled.sheet, patches)

    async def _scan(self, side: str, pulled: Pulled) -> bool:
        """Publish one side's scan, see answer, proposals and reading; True when all zones read in tolerance."""
        plans = [plan for plan in self.plans if plan.geometry.side == side]
        scan = self._scan_of(side, pulled)
        answer = await self.desk.send("scan", scan, "scan_id")
        accepted = answer is not None and answer.payload["accepted"] is True
        words = (
            ""
            if accepted or answer is None
            else f"scan of sheet {pulled.sheet}: {answer.payload['errors']!r:.300}"
        )
        self.ledger.say("sound_input_accepted", accepted, words)
        if accepted:
            self.ledger.scans_accepted.append(scan["scan_id"])
            self.last_scan[side] = scan
            if await self._reading_comes(scan["scan_id"]):
                self.unread = 0
                return self._look_at_reading(self.ledger.readings[scan["scan_id"]][0], plans)
        self.unread += 1
        if self.unread >= 3:
            raise Missing(f"three scans in a row got no reading; {self.ledger.state_words()}")
        return False

    async def _reading_comes(self, scan_id: str) -> bool:
        try:
            await self.wire.until(
                lambda: bool(self.ledger.readings[scan_id]), READING_S, f"reading of scan {scan_id}"
            )
        except Missing as missing:
            self.ledger.say("one_reading_per_scan", False, f"{missing}; {self.ledger.state_words()}")
            return False
        return True

    def _look_at_reading(self, reading: Heard, plans: Sequence[UnitPlan]) -> bool:
        units: Json = reading.payload["units"]
        missing = [p.geometry.unit for p in plans if p.geometry.unit not in units]
        words = f"scan {reading.payload['scan_id']}: {missing} left out" if missing else ""
        self.ledger.say("reading_lists_controlled_units", not missing, words)
        told = []
        for unit, part in units.items():
            self._look_at_proposal_id(reading, unit, part)
            inside = sum(value is True for value in part["in_tolerance"])
            told.append(f"{unit} {inside}/{len(part['in_tolerance'])} {part['no_proposal'] or 'proposal'}")
        self.ledger.tell(f"reading: in tolerance {', '.join(told)}")
        return not missing and all(
            inside is True for plan in plans for inside in units[plan.geometry.unit]["in_tolerance"]
        )

    def _look_at_proposal_id(self, reading: Heard, unit: str, part: Json) -> None:
        pid = part["proposal_id"]
        if pid is None:
            why = part["no_proposal"]
            self.ledger.say("reading_says_why_no_proposal", why is not None, f"{unit}: no_proposal {why}")
            return
        item = self.ledger.proposals.get(pid)
        before = item is not None and item.order < reading.order and item.payload["unit"] == unit
        self.ledger.say("reading_after_its_proposals", before, f"{unit}: proposal {pid}")

    def _truth(self, pulled: Pulled) -> tuple[bool, str]:
        # no reading of noisy patches can place a zone to better than about a point
        low, high = TOLERANCE_D[0] - self.options.film_slack_d, TOLERANCE_D[1] + self.options.film_slack_d
        offs = [
            (density - plan.aim, f"{plan.geometry.unit} zone {zone}")
            for plan in self.plans
            for zone, density in enumerate(pulled.density[plan.geometry.unit], start=1)
        ]
        off, where = max(offs, key=lambda item: abs(item[0]))
        return all(low <= one <= high for one, _ in offs), f"{where} {off:+.3f} D"

    async def _release_if_held(self) -> None:
        held = self.ledger.now_shows("state") != "online"
        self.ledger.say("stays_online", not held, self.ledger.state_words() if held else "")
        if held:
            await self.desk.ask(request_for("release", self.options.operator))
