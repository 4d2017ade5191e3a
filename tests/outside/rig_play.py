"""The play: a job from opening over makeready and OK sheet to run and stop, all outside parts by the rig."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Coroutine
from typing import Any

from tests.outside.rig_decide import request_for
from tests.outside.rig_desk import ANSWER_S, Desk
from tests.outside.rig_json import Json, new_id
from tests.outside.rig_ledger import Ledger
from tests.outside.rig_rounds import Options, Rounds
from tests.outside.rig_shop import Shop, build_units
from tests.outside.rig_sign import Signer
from tests.outside.rig_strip import Patch, UnitPlan, geometries, job_payload, lay_strip, plan_press
from tests.outside.rig_trials import Trials
from tests.outside.rig_wire import Missing, Wire

OPTIONAL_ACTS = {"leave_sweep"}
LONGEST_WAIT_S = 60.0


class Play:
    """Runs the whole play against one service; `stage` tells where it is."""

    def __init__(self, wire: Wire, ledger: Ledger, options: Options, signer: Signer | None) -> None:
        self.wire, self.ledger, self.options = wire, ledger, options
        self.desk = Desk(wire, ledger, options.operator, signer, options.think_s)
        self.trials = Trials(wire, ledger, self.desk)
        self.rng = random.Random(options.seed)
        self.job_id = new_id("job")
        self.stage = "starting"
        self.tasks: list[asyncio.Task[None]] = []
        self.failure: str | None = None
        self._player: asyncio.Task[None] | None = None
        self.plans: list[UnitPlan] = []
        self.strips: dict[str, list[Patch]] = {}

    def spawn(self, work: Coroutine[Any, Any, None]) -> None:
        """Run beside the play; when it fails the play ends."""
        task = asyncio.create_task(work)
        task.add_done_callback(self._side_ended)
        self.tasks.append(task)

    def _side_ended(self, task: asyncio.Task[None]) -> None:
        if not task.cancelled() and task.exception() is not None:
            self.failure = f"{type(task.exception()).__name__}: {task.exception()}"
            if self._player is not None:
                self._player.cancel()

    async def run(self) -> None:
        """Play all stages; raises Missing with words when the service leaves one hanging."""
        self._player = asyncio.current_task()
        self.spawn(self.wire.listen(self.ledger))
        self.spawn(self.wire.listen_flags(self.ledger))
        await self.wire.subscribe()
        await self._meet()
        await self._open_job()
        await self._makeready()
        await self._ok_sheet()
        await self._running()
        await self._stop()

    def _enter(self, stage: str) -> None:
        self.stage = stage
        self.ledger.tell(f"--- {stage}")

    async def _meet(self) -> None:
        self._enter("waiting for the service: retained `press` and a live `status`")
        await self.wire.until(lambda: self.ledger.press is not None, 15, "a retained `press`")
        # a retained copy is unknown until a live one follows; the service publishes one every 10 s
        await self.wire.until(lambda: bool(self.ledger.live_status_s), 15, "a live `status`")
        self.ledger.say("press_described", True)
        units = geometries(self.ledger.press or {})
        self.ledger.zones = {g.unit: g.zones for g in units}
        self.ledger.min_gap_um = {g.unit: g.min_gap_um for g in units}
        self.plans = plan_press(units, self.rng)
        if not self.plans:
            raise Missing("a unit in `press`: it lists none")
        for side in dict.fromkeys(plan.geometry.side for plan in self.plans):
            self.strips[side] = lay_strip([p for p in self.plans if p.geometry.side == side])
        if self.desk.signer is None:
            bench = self.ledger.now_shows("bench")
            self.ledger.say("bench_shown_when_unsigned", bench is True, f"status.bench {bench}")

    async def _open_job(self) -> None:
        self._enter("job, phase opening")
        o = self.options
        units = build_units(self.plans, self.rng, key_speed_pct_s=o.key_speed_pct_s, spread=o.spread)
        self.shop = Shop(self.wire, self.ledger, units, o.sheets_per_s)
        self.rounds = Rounds(self.wire, self.desk, self.shop, o, self.strips, self.rng)
        self.spawn(self.shop.run())
        self.spawn(self.wire.listen_keys(self.shop.take_command))
        await self._publish_job("opening")
        await self._come_online()
        if o.ask_opening:
            await self.desk.ask(request_for("opening", o.operator))
        await asyncio.sleep(o.opening_s)
        await self.rounds.decide_all()
        await self._publish_job("makeready")
        await self._phase("makeready")

    async def _publish_job(self, phase: str) -> None:
        """Publish the retained job in a phase; a strip is described only where one side prints."""
        strip = (
            next(iter(self.strips.values())) if self.options.strip_given and len(self.strips) == 1 else None
        )
        job = job_payload(self.job_id, self.ledger.run_id, phase, self.plans, strip)
        before = len(self.ledger.answers_to(self.job_id, "job"))
        self.ledger.sent_with_id.append(("job", self.job_id))
        await self.wire.send("job", job, retain=True)
        try:
            await self.wire.until(
                lambda: len(self.ledger.answers_to(self.job_id, "job")) > before,
                ANSWER_S,
                f"answer to job {self.job_id} in phase {phase}",
            )
        except Missing as missing:
            self.ledger.say("every_id_answered", False, str(missing))
            return
        self.ledger.say("every_id_answered", True)
        payload = self.ledger.answers_to(self.job_id, "job")[-1].payload
        words = f"job in phase {phase}: accepted {payload['accepted']}, errors {payload['errors']!r:.300}"
        self.ledger.say("sound_input_accepted", payload["accepted"] is True, words)

    def _on_our_run(self) -> bool:
        return bool(self.ledger.now_shows("run_id") == self.ledger.run_id)

    async def _come_online(self) -> None:
        await self.wire.until(self._on_our_run, 15, f"status with run_id {self.ledger.run_id} after the job")
        if not await self.trials.reaches("online", 15):
            self.ledger.tell(f"not online by itself: {self.ledger.state_words()}; asking for release")
            await self.desk.ask(request_for("release", self.options.operator))
        online = await self.trials.reaches("online", 10)
        self.ledger.say("status_online_with_run", online, self.ledger.state_words())

    async def _phase(self, phase: str) -> None:
        def there() -> bool:
            return self._on_our_run() and self.ledger.now_shows("phase") == phase

        await self.wire.until(there, 10, f"status with phase {phase}")

    async def _makeready(self) -> None:
        self._enter("makeready: rollers empty, scan and correct until two scans are in tolerance")
        self.shop.printing = True
        while True:
            await self.rounds.cycle()
            pulls, last_scan = self.ledger.pulls, self.rounds.last_scan
            if len(pulls) == 2 and last_scan:
                await self.trials.bad_input(next(iter(last_scan.values())), pulls[0].sheet)
            if self._makeready_over():
                return

    def _makeready_over(self) -> bool:
        last = self.ledger.pulls[-2:]
        if len(last) == 2 and all(pull.read_in and pull.truly_in for pull in last):
            return True
        if self.shop.sheet > self.options.max_sheets + 500:
            self.ledger.tell("not in tolerance; going on so that the rest can be seen")
            return True
        return False

    async def _ok_sheet(self) -> None:
        self._enter("OK sheet")
        self.ledger.makeready_pulls = len(self.ledger.pulls)
        scan = next(iter(self.rounds.last_scan.values()))
        body = request_for("ok_sheet", self.options.operator, scan_id=scan["scan_id"], per_zone=False)
        answer = await self.desk.ask(body)
        if answer is None or answer.payload["accepted"] is not True:
            errors = None if answer is None else answer.payload["errors"]
            self.ledger.say("ok_sheet_reaches_run", False, f"request ok_sheet: {errors!r:.300}")
            return
        await self._expect_phase("run", "ok_sheet_reaches_run")

    async def _expect_phase(self, phase: str, promise: str) -> None:
        try:
            await self._phase(phase)
        except Missing as missing:
            self.ledger.say(promise, False, f"{missing}; {self.ledger.state_words()}")
        else:
            self.ledger.say(promise, True, self.ledger.state_words())

    async def _running(self) -> None:
        self._enter("run: two more scans, hold and release, then disturbances")
        self.shop.good = True
        for _ in range(2):
            await self.rounds.cycle()
            phase = self.ledger.now_shows("phase")
            held = phase == "run" and self.rounds.unread == 0
            self.ledger.say("run_goes_on", held, f"phase {phase} after a scan and its reading")
        await self.trials.hold_and_release()
        for turn in range(12):
            if not set(self.desk.deck) - OPTIONAL_ACTS:
                break
            if turn % 3 == 0:
                self.rounds.disturb(turn // 3)
            await self.rounds.cycle()
        self._enter("run: a silent counter")
        await self.rounds.silent_counter()
        await self._come_online()
        await self._expire()
        await self.rounds.leave_standing("proposal that stands when the job stops", first_disturbed=2)

    async def _expire(self) -> None:
        """Stop scanning and let what stands run out by itself, where that takes at most a minute."""
        self._enter("run: a proposal that nobody decides runs out")
        for proposal in await self.rounds.leave_standing("proposal to run out", first_disturbed=0):
            left = (proposal["expires_sheet"] or float("inf")) - self.shop.sheet
            wait_s = min(proposal["expires_in_s"], left / self.options.sheets_per_s)
            if wait_s > LONGEST_WAIT_S:
                self.ledger.tell(f"would run out in {wait_s:.0f} s only; not waited for")
                return
            await self._lapses(proposal, wait_s + 15, "proposal_runs_out")

    async def _lapses(self, proposal: Json, limit_s: float, promise: str) -> None:
        pid = proposal["proposal_id"]
        try:
            await self.wire.until(self.ledger.has_ended(pid), limit_s, f"outcome of undecided proposal {pid}")
        except Missing as missing:
            self.ledger.say(promise, False, str(missing))
            return
        outcome = self.ledger.outcomes[pid][0].payload
        words = f"{pid}: {outcome['result']} {outcome['code']} at sheet {self.shop.sheet}"
        self.ledger.say(promise, outcome["result"] == "lapsed", words)
        await self.desk.cleared(proposal)

    async def _stop(self) -> None:
        self._enter("job, phase stopped: what stands lapses")
        standing = self.ledger.standing_payloads()
        self.shop.printing = False
        await self._publish_job("stopped")
        for proposal in standing:
            await self._lapses(proposal, 10, "stop_lapses_what_stands")
        await self._expect_phase("stopped", "stopped_shown")
        await asyncio.sleep(2.0)
