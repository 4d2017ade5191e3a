"""The person in training as the stage's audience: decides at the terminal, and is told at the end how it went."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

from inksteward.bench.strip import layout_of_job
from inksteward.demo import screen
from inksteward.demo.audience import WATCHED
from inksteward.demo.plan import SCAN_EVERY_SHEETS, DemoError, Plan
from inksteward.demo.record import GOOD_SCANS, Record
from inksteward.demo.summary import journal_checks, journal_of, promises, say_checks
from inksteward.train.again import approved_at_once, scan_delay
from inksteward.train.debrief import CAUTIONS, Lesson, debrief
from inksteward.train.record import Run, TrainingRecord, save
from inksteward_simulators.link import BenchLink, LinkError
from inksteward_simulators.link_messages import TruthReply

SAMPLE_S = 0.2
"""Between two looks at the truth."""


class Trainee:
    """``lesson``: name of the scenario. ``script``: words in place of typed ones."""

    def __init__(self, plan: Plan, lesson: str, script: Path | None) -> None:
        self.plan, self.lesson = plan, lesson
        self.kept = TrainingRecord(plan.scenario)
        self.record: Record = self.kept
        self.topics: tuple[str, ...] = (*WATCHED, "request", "answer")
        words = () if script is None else ("--script", str(script))
        self.operator: tuple[str, ...] = ("--no-ok-sheet", *words)
        self._alarms: set[str] = set()
        self._state = ""

    def show(self, topic: str, data: dict[str, Any]) -> None:
        """Readings, new alarms, and whether the service holds; proposals are shown by the operator's process."""
        if topic == "reading" and data:
            print("\n".join(screen.reading(data)), flush=True)
        elif topic == "alarm" and data:
            lines = [screen.alarm(row) for row in data["alarms"]]
            for line in lines:
                if line not in self._alarms:
                    print(line, flush=True)
            self._alarms = set(lines)
        elif topic == "status" and data and data["state"] != self._state:
            self._state = data["state"]
            if self._state == "holding":
                print(f"    the service holds: {data['reason']}", flush=True)

    def enough(self) -> bool:
        """Never: the sheets are printed to the last unless the person leaves."""
        return False

    async def beside(self, link_port: int) -> None:
        """Look at the truth again and again."""
        try:
            async with await BenchLink.connect(link_port) as link:
                while True:
                    self.kept.sample(await link.truth())
                    await asyncio.sleep(SAMPLE_S)
        except (LinkError, OSError) as error:
            raise DemoError(f"the press does not tell its truth any more: {error}: see press.log") from error

    def conclude(self, seconds: float) -> int:
        """Debrief, promises; 0 if the promises were kept, whatever was printed."""
        self.kept.sample(
            TruthReply.model_validate(self.kept.truth)
        )  # of the last sheet, when the press stood
        run = self.kept.run
        if not run.samples:
            raise DemoError("no sheet was printed: there is nothing to talk over")
        save(run, self.plan.out / "seen.jsonl")
        print("\nthe same press again, every proposal approved at once ...", flush=True)
        text = self._debrief(run)
        page = self.plan.out / "debrief.md"
        page.write_text(text, encoding="utf-8")
        print(f"\n{text}")
        print(f"debrief               {page}")
        print(f"journal               {journal_of(self.plan)}")
        print(f"time                  {seconds:.0f} s")
        return say_checks([*promises(self.kept), *journal_checks(self.plan)])

    def _debrief(self, run: Run) -> str:
        scenario = self.plan.scenario
        lesson = Lesson(
            title=f"{self.lesson}, seed {self.plan.seed}, {self.plan.factor:g} press seconds in one",
            inks={unit.unit: unit.ink for unit in scenario.units},
            faults=scenario.fault,
            strip=layout_of_job(scenario),
            stay_sheets=GOOD_SCANS * SCAN_EVERY_SHEETS,
            delay_sheets=scan_delay(run),
        )
        beside = approved_at_once(scenario, self.plan.seed, run.printed, lesson.delay_sheets)
        return debrief(lesson, run, beside)


def welcome(plan: Plan) -> str:
    """What is said before the press starts."""
    return (
        f"{plan.sheets} sheets at {plan.scenario.speed_sph * plan.factor:.0f} an hour. You decide; something may go "
        f"wrong. ? shows what can be typed, end leaves for the debrief.\n{CAUTIONS}"
    )
