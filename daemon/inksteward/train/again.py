"""The same press once more with every proposal approved at once: what the service would have done."""

from __future__ import annotations

from statistics import median
from typing import Any

import numpy as np

from inksteward.bench.loop import STEP_SHEETS, Loop, approve_all
from inksteward.bench.pace import Pace
from inksteward.demo.plan import SCAN_EVERY_SHEETS
from inksteward.train.record import Row, Run, Sample
from inksteward_simulators.scenario_forms import Scenario


def scan_delay(run: Run) -> int:
    """Median of sheets from the sheet that was read to its reading; the bench's own without a reading."""
    waits = [row.sheet - row.data["sheet"] for row in run.of("reading")]
    return max(round(median(waits)), 0) if waits else Pace().scan_delay


def approved_at_once(scenario: Scenario, seed: int, printed: int, delay: int) -> Run:
    """The bench's closed loop on the press of this scenario and seed, over as many sheets.

    Scans as often as in the training run and read after ``delay`` sheets; every proposal is approved as it is when it
    appears, every latched alarm acknowledged as soon as it is raised. Time is the press's own.
    """
    still = scenario.model_copy(update={"time_factor": 1.0})
    pace = Pace(scan_every=SCAN_EVERY_SHEETS, scan_delay=delay, approval_delay=0)
    sections: dict[str, dict[str, Any]] = {
        "approval": {"unsigned": "bench"},
        "control": {"scan_interval_sheets": SCAN_EVERY_SHEETS},
    }
    loop = Loop(still, seed=seed, decide=approve_all, pace=pace, sections=sections)
    rows: list[Row] = []
    samples: list[Sample] = []
    heard = {"outcome": 0, "alarm": 0}
    while not samples or samples[-1].sheet + 1 < printed:
        loop.run(STEP_SHEETS)
        sheet = min(loop.press.sheet, printed - 1)
        samples.append(Sample(sheet, _out(loop)))
        rows += [Row(sheet, "outcome", each) for each in loop.ledger.outcomes[heard["outcome"] :]]
        for each in loop.ledger.alarms[heard["alarm"] :]:
            loop.acknowledge(each)
        heard = {"outcome": len(loop.ledger.outcomes), "alarm": len(loop.ledger.alarms)}
    return Run(tuple(rows), tuple(samples))


def _out(loop: Loop) -> dict[str, int]:
    """Zones of each unit out of tolerance by the truth."""
    errors = loop.errors()
    return {
        unit.unit: int(
            np.sum((errors[unit.unit] < unit.tolerance_d[0]) | (errors[unit.unit] > unit.tolerance_d[1]))
        )
        for unit in loop.scenario.units
    }
