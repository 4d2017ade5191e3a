"""A simulated run with everything that a report tells: all kinds of decisions, an OK sheet, an alarm, a restart, two
files."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from inksteward.cli import main
from inksteward.events import Effect, Event, Publish, Received, Started
from inksteward.journal import Journal
from inksteward.journal_read import read_rows
from inksteward.reporting.columns import Record
from inksteward.reporting.context import opened
from inksteward.reporting.walk import lay_out, sources_of
from inksteward_simulators.link_messages import FaultKind
from tests.steward.floor import small
from tests.steward.recorded import SMALL_RESERVE, Recorded

FIRST = "000001-20270115T080000Z-run-1.journal"
SECOND = "000002-20270115T090000Z-run-1.journal"
OPERATORS = (
    {"id": "op-anna", "name": "Anna", "revoked": False, "key": []},
    {"id": "op-ben", "name": "Ben & <b>Co</b>", "revoked": False, "key": []},
)
WHY = 'streaks, "left", look\r\nagain'


def decide(proposal: dict[str, Any]) -> dict[str, Any] | None:
    """Mostly a yes; now and then a no with a reason, moves left out, a changed target, nothing at all, or somebody whom
    nobody knows.
    """
    turn = sum(proposal["proposal_id"].encode()) % 6
    zones = [move["zone"] for move in proposal["moves"]]
    if turn == 0:
        return {"verdict": "reject", "reason": WHY, "operator": "op-ben"}
    if turn == 1 and len(zones) > 1:
        return {"verdict": "approve", "leave": zones[:1]}
    if turn == 2 and zones:
        first = proposal["moves"][0]
        middle = round((first["from_pct"] + first["to_pct"]) / 2, 1)
        return {"verdict": "approve", "change": [{"zone": zones[0], "to_pct": middle}]}
    if turn == 3:
        return {"verdict": "approve", "operator": "op-nobody"}
    return {"verdict": "approve", "operator": "op-ben" if turn == 4 else "op-anna"}


def short_steps(config: dict[str, Any]) -> None:
    """Limits that bite: keys of every unit go by at most 8 % of their travel at once."""
    for unit in config["unit"]:
        unit["limits"] = {"makeready": {"step_pct": 8.0}}


class Counted(Recorded):
    """The counter also says which sheets were good; every decision has an id of its own."""

    def send(self, event: Event) -> tuple[Effect, ...]:
        """Ids are made from how many events there were."""
        self._seq += 1
        if isinstance(event, Started):
            event = replace(event, operators=OPERATORS)
        return super().send(event)

    def _ask(self, proposal: dict[str, Any]) -> None:
        """Some decisions take longer than others."""
        wait = self.pace.approval_delay + 5 * (sum(proposal["proposal_id"].encode()) % 4)
        self._later(wait, lambda: self._decide(proposal, self.decide(proposal)))

    def receive(self, topic: str, payload: dict[str, Any]) -> None:
        """Makeready is not good; of the first sheets nobody says. The instrument misses a patch of each sheet."""
        if topic == "scan" and "patches" in payload:
            patches = list(payload["patches"])
            patches[7] = {**patches[7], "density": None}
            payload = {**payload, "patches": patches}
        if topic == "counter" and payload["sheet"] > 100:
            run = self.state.run
            payload = {**payload, "good": run is not None and run.ok_scan_id is not None}
        super().receive(topic, payload)


def ok_sheet(loop: Recorded, number: str = "r-ok") -> str:
    """Name the scan that was read last."""
    assert loop.state.run is not None
    scan_id = loop.state.run.kept[-1].scan_id
    loop.receive(
        "request", {"operator": "op-anna", "request_id": number, "kind": "ok_sheet", "scan_id": scan_id}
    )
    assert loop.state.run is not None
    assert loop.state.run.ok_scan_id == scan_id
    return scan_id


def make_run(folder: Path, *, zones: int = 12, after: int = 700) -> tuple[Path, Path]:
    """Two files of one run."""
    first, second = folder / FIRST, folder / SECOND
    journal = Journal.create(first, reserve_bytes=SMALL_RESERVE)
    scenario = small("makeready", units=2, zones=zones)
    loop = Counted(scenario, journal, seed=31, decide=decide, alter=short_steps)
    loop.run(480)
    loop.decide = lambda proposal: {"verdict": "approve"}
    loop.run(240)
    ok_sheet(loop)
    loop.decide = decide
    loop.receive("scan", {"scan_id": "s-bad", "sheet": "many"})
    loop.run(60)
    ask = {"operator": "op-anna", "request_id": "r-aims", "kind": "aims", "unit": "u2"}
    loop.receive("request", {**ask, "aim": 1.3, "tolerance": [-0.03, 0.03]})
    loop.run(after // 2)
    loop.fault(FaultKind.STUCK, "u1", 3)
    loop.journal = journal.succeed(second)
    loop.start_again("bench-2")
    loop.run(after // 2)
    loop.journal.close()
    return first, second


def tables_of(*paths: Path) -> dict[str, list[Record]]:
    """Every row of every table."""
    found: dict[str, list[Record]] = {}
    lay_out(sources_of(paths), lambda name, record: found.setdefault(name, []).append(record))
    return found


def said_in(paths: tuple[Path, ...], topic: str) -> list[dict[str, Any]]:
    """What the core published under a topic, read from the rows themselves."""
    return [
        data
        for path in paths
        for row in read_rows(path)
        for effect in row.effects
        if isinstance(effect, Publish) and effect.topic.split("/")[0] == topic
        if (data := opened(effect.payload)) is not None
    ]


def came_in(paths: tuple[Path, ...], keep: Callable[[Received], bool]) -> list[tuple[int, dict[str, Any]]]:
    """Monotonic nanoseconds and payload of what came in."""
    found = []
    for path in paths:
        for row in read_rows(path):
            event = row.event
            if isinstance(event, Received) and keep(event) and (data := opened(event.raw)) is not None:
                found.append((row.stamp.mono_ns, data))
    return found


def called(*arguments: Any) -> int:
    """Exit code of the command line."""
    return main([str(each) for each in arguments])
