"""How long from a scan that came to its proposals handed to the broker's connection, the commit included.

The service's own consumer and journal on a real disk; no broker. Prints p50 and p99; asserts no time.
Run: ``python -m tests.benchmarks.bench_scan_to_proposal [SCANS]`` or under pytest.
"""

import asyncio
import gc
import statistics
import sys
import tempfile
import time
from pathlib import Path

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from inksteward.bench.configuration import configuration
from inksteward.config import parse
from inksteward.events import LinkChanged, Move, Publish, Received, Via
from inksteward.journals import Journals
from inksteward.service.checkpoints import Checkpoints
from inksteward.service.clock import Clock
from inksteward.service.consumer import Consumer, Place
from inksteward.service.files import NO_RUN, Opening
from inksteward.service.record import Record
from inksteward.steward import initial
from inksteward_simulators.scenario import load_scenario
from inksteward_simulators.scenario_forms import Scenario
from tests.service.floor import Floor

SHEETS_BETWEEN = 60
FIRST_SHEETS = 200
SIZES = ((4, 32), (12, 48))
PROCESS_INKS = 4
SMOKE_SCANS = 3


class Stopwatch:
    """Hands that only look at the clock."""

    def __init__(self) -> None:
        self.proposals: list[float] = []

    def publish(self, place: Place | None, effect: Publish) -> None:
        if effect.topic.startswith("proposal/") and effect.payload:
            self.proposals.append(time.perf_counter())

    def move(self, effect: Move) -> None:
        raise AssertionError("nobody approves here")

    def alive(self) -> None:
        pass

    def fault(self, text: str) -> None:
        raise AssertionError(text)


def press_of(units: int, zones: int) -> Scenario:
    """A press of any size: four process inks, then spot inks that absorb like them."""
    whole = load_scenario("makeready")
    made = []
    for index in range(units):
        unit = whole.units[index % PROCESS_INKS]
        changes = {
            "unit": f"u{index + 1}",
            "zones": zones,
            "coverage": tuple((unit.coverage * 2)[:zones]),
        }
        if index >= PROCESS_INKS:
            absorption = {name: 1.0 if name == unit.ink else 0.1 for name in ("C", "M", "Y", "K")}
            changes |= {"ink": f"spot-{index}", "absorption": absorption}
        made.append(unit.model_copy(update=changes))
    return whole.model_copy(update={"units": tuple(made)})


async def measure(folder: Path, units: int, zones: int, scans: int) -> tuple[list[float], int]:
    """Seconds from each scan to the last of its proposals, and the number of proposals."""
    form = press_of(units, zones)
    floor = Floor(form)
    floor.layout = form.strip()
    long = {"expires_s": 3600.0, "min_standing_s": 0.0}
    fresh = {"position_max_age_s": 30.0, "patch_width_mm": min(4.8, floor.layout[0].width_mm)}
    data = configuration(form, approval=long, measuring=fresh)
    config, clock, hands = parse(data, "benchmark"), Clock(), Stopwatch()
    journals = Journals(folder)
    journal = journals.begin(NO_RUN, clock.wall_ms())
    record = Record(journals, journal, clock, Checkpoints(None, clock.mono_ns))
    consumer = Consumer(record, initial(), hands, dict, clock)
    opening = Opening.of(config, "benchmark")
    await consumer.take(opening.started(None, (), record.genesis, clock.today()))
    await consumer.take(LinkChanged("broker", True))
    running = asyncio.create_task(consumer.run())
    times = []
    gc.collect()
    gc.freeze()  # as the service does
    try:
        for number in range(scans + 1):
            for topic, raw in floor.take():
                await consumer.submit(Received(topic, raw, False, Via.DRIVER))
            floor.press.step(FIRST_SHEETS if number == 0 else SHEETS_BETWEEN)
            floor.count()
            for unit in form.units:
                floor.position(unit.unit)
            for topic, raw in floor.take():
                await consumer.submit(Received(topic, raw, False, Via.DRIVER))
            raw = floor.scanned(f"s-{number}")
            before, came = len(hands.proposals), time.perf_counter()
            await consumer.submit(Received("scan", raw, False, Via.DRIVER))
            if number > 0 and len(hands.proposals) > before:
                times.append(hands.proposals[-1] - came)
    finally:
        gc.unfreeze()
        await consumer.end()
        await running
        await record.close()
    return times, len(hands.proposals)


def told(units: int, zones: int, times: list[float], proposals: int) -> str:
    """The figures as one line."""
    if len(times) < 2:
        return f"{units} units x {zones} zones: {len(times)} scans with proposals: too few"
    ordered = sorted(times)
    p99 = ordered[min(round(0.99 * len(ordered)), len(ordered) - 1)]
    return (
        f"{units} units x {zones} zones: {len(times)} scans, {proposals} proposals, scan to proposal "
        f"p50 {statistics.median(ordered) * 1000:.1f} ms, p99 {p99 * 1000:.1f} ms"
    )


@pytest.mark.parametrize(("units", "zones"), SIZES)
def test_scan_to_proposal(tmp_path: Path, benchmark: BenchmarkFixture, units: int, zones: int) -> None:
    """Proposals follow a scan on a press of either size; the times are printed, not judged."""
    times, proposals = benchmark.pedantic(
        lambda: asyncio.run(measure(tmp_path, units, zones, SMOKE_SCANS)), rounds=1
    )
    sys.stdout.write(told(units, zones, times, proposals) + "\n")
    assert times
    assert proposals >= len(times)


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    for size in SIZES:
        with tempfile.TemporaryDirectory() as place:
            result = asyncio.run(measure(Path(place), *size, count))
        sys.stdout.write(told(*size, *result) + "\n")
