"""Each task carried out: people asked, moves proposed and decided, evidence written into the session."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from typing import Any

from inksteward.commissioning import plan, wording
from inksteward.commissioning.answers import Again, direction_fault, key_and_way, thickness_um, zones_of
from inksteward.commissioning.desk import Desk, Stopped
from inksteward.commissioning.plan import Count, Gauge, Look, Move, NotPossible, Scan, Settings
from inksteward.commissioning.result import reading
from inksteward.commissioning.session import Person, Session
from inksteward.commissioning.shop import NoMove, Shop
from inksteward.commissioning.zero import Doubt, Misfit, fit
from inksteward.control.gaps import gap_um
from inksteward.control.limits import floor_um
from inksteward.model import Unit
from inksteward.terminal.wire import WireError
from inksteward.terminal.words import proposal as proposal_lines


@dataclass(slots=True)
class Work:
    """One session at work. ``keep`` stores it after every entry."""

    unit: Unit
    first: Person
    second: Person
    doubt: Doubt
    settings: Settings
    session: Session
    shop: Shop
    desk: Desk
    keep: Callable[[Session], None]
    clear: bool = field(default=False)
    """Whether somebody said that hands and tools are out, since the last time that they were in."""

    def note(self, step: str, evidence: dict[str, Any], *others: Person) -> None:
        """One more entry, signed and stored."""
        at = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
        self.session = self.session.with_entry(step, at, (self.first, *others), evidence)
        self.keep(self.session)

    async def openings(self) -> list[float]:
        """Where the keys stand now, percent. Raises NotPossible for another blade or another number of keys."""
        found = await self.shop.position()
        if found["blade_id"] != self.session.blade_id:
            raise NotPossible(
                f"blade {found['blade_id']} is in, the configuration names {self.session.blade_id}"
            )
        if len(found["opening_pct"]) != self.unit.zones:
            count = len(found["opening_pct"])
            raise NotPossible(
                f"{count} keys are read back, zones says {self.unit.zones}: set zones right first"
            )
        return [float(value) for value in found["opening_pct"]]


async def carry_out(work: Work) -> bool:
    """Do what comes next; False when only the writing is left."""
    openings = await work.openings()
    task = plan.next_task(work.session, work.unit, openings, work.settings)
    match task:
        case Count():
            await _count(work, openings)
        case Look():
            await _look(work, task)
        case Move():
            await _move(work, task, openings)
        case Gauge():
            await _gauge(work, task)
        case Scan():
            await _scan(work, task)
        case _:
            return False
    return True


async def _count(work: Work, openings: list[float]) -> None:
    unit = work.unit
    work.desk.say(*wording.count(unit.unit, unit.zones, openings))

    low = [zone for zone in range(1, unit.zones + 1) if not _clear_of_roller(work, zone, openings[zone - 1])]
    if low:
        raise NotPossible(wording.too_low(low))

    def same(said: str) -> int | Again:
        right = said.strip() == str(unit.zones)
        wanted = f"{said.strip()!r}: {unit.zones} are configured and read back: count again, or stop"
        return unit.zones if right else Again(wanted)

    await work.desk.ask("how many keys are on the fountain", same)
    end = await work.desk.word("at which side of the press is zone 1: operator or drive", "operator", "drive")
    work.note(
        "count",
        {"zones": unit.zones, "zone_1_at": end, "opening_pct": openings, "settings": asdict(work.settings)},
    )


def _clear_of_roller(work: Work, zone: int, pct: float) -> bool:
    """Whether a key may be tried: were its sense reversed, a step would leave the least gap and all that is unknown."""
    key = work.unit.calibration.keys[zone - 1]
    return gap_um(key, pct - work.settings.step_pct) >= floor_um(work.unit, zone - 1)


async def _look(work: Work, task: Look) -> None:
    zones = work.unit.zones
    seen, way = await work.desk.ask(
        f"which key moved, counted from zone 1, and did it open or close (such as {task.zone} opened)",
        lambda said: key_and_way(said, zones),
    )
    fault = direction_fault(task.zone, zones, seen, way)
    work.note("direction", {"zone": task.zone, "seen": seen, "way": way, "right": fault is None})
    if fault is not None:
        raise NotPossible(f"{fault}. When it is mended, the same command asks for this key again")


async def _move(work: Work, task: Move, openings: list[float]) -> None:
    """Ask for the proposal, show it, let the person decide; what came of it becomes evidence."""
    step = task.purpose.partition(":")[0]
    evidence: dict[str, Any] = {"purpose": task.purpose, "done": task.done, "from_pct": openings}
    if not task.targets:
        work.note("move", {**evidence, "targets": [], "read_back_pct": openings})
        return
    wrong = [row for row in work.session.of("direction") if f"direction:{row['zone']}" == task.purpose]
    if wrong:
        await work.desk.word(
            f"key {wrong[-1]['zone']} was not right before: type mended when it is", "mended"
        )
    if not work.clear:
        work.desk.say(*wording.CLEAR)
        await work.desk.word("type clear when nobody and nothing is in the fountain", "clear")
        work.clear = True
    begun = time.monotonic()
    try:
        made = await work.shop.propose(work.first, task.targets, task.why)
        work.desk.say(*proposal_lines(made))
        said = await work.desk.word("move these keys? yes or no", "yes", "no")
        outcome = await work.shop.decide(work.first, made, None if said == "yes" else "not wanted now")
    except NoMove as error:
        work.desk.say(f"  not moved: {error}")
        await _not_moved(work, step)
        return
    if outcome["result"] != "moved":
        await _not_moved(work, step)
        return
    told = {name: outcome[name] for name in ("proposal_id", "decision_id", "result")}
    targets = [{"zone": zone, "to_pct": to} for zone, to in sorted(task.targets.items())]
    evidence |= {**told, "digest": made["digest"], "targets": targets, "read_back_pct": await work.openings()}
    work.note("move", evidence | _watched(work, task, begun))


def _watched(work: Work, task: Move, begun: float) -> dict[str, Any]:
    """One key's read-backs on its way, where they are to say how fast it goes."""
    if task.purpose != "lost:open":
        return {}
    first = min(task.targets)
    seen = work.shop.telegrams(first, begun)
    rows = [{"at_s": round(row.at_s - begun, 3), "pct": row.pct, "moving": row.moving} for row in seen]
    return {"watched": first, "telegrams": rows}


async def _not_moved(work: Work, step: str) -> None:
    words = ("again", "skip") if step in plan.SKIPPABLE else ("again",)
    choice = await work.desk.word(f"{' or '.join(words)}, or stop", *words)
    if choice == "skip":
        reason = (await work.desk.line(f"why is {wording.STEPS[step]} left out")).strip()
        work.note("skip", {"skipped": step, "reason": reason[:200]})


async def _gauge(work: Work, task: Gauge) -> None:
    """Gauges with the service on hold and the unit isolated; one person's readings, confirmed by the other."""
    before = await work.openings()
    errors = await work.shop.request(work.first, "hold")
    if errors:
        raise NotPossible(f"the service does not go on hold: {'; '.join(errors)}")
    work.clear = False
    work.desk.say(*wording.isolate(work.unit.unit))
    await work.desk.word("type isolated when the unit is isolated and tried out", "isolated")
    readings = {zone: await _gauged(work, zone, before[zone - 1]) for zone in task.zones}
    readings = await _confirmed(work, task, readings, before)
    work.desk.say(*wording.CLEAR)
    await work.desk.word(
        "type clear when nobody and nothing is in the fountain and the isolation is lifted", "clear"
    )
    work.clear = True
    after = await _read_back_again(work)
    strayed = [
        z for z in task.zones if abs(after[z - 1] - before[z - 1]) > 2.0 * work.unit.resolution_pct + 1e-9
    ]
    if strayed:
        work.desk.say(
            f"  keys {', '.join(map(str, strayed))} read otherwise than before the gauging: nothing of it is kept"
        )
    else:
        rows = [{"zone": z, "pct": before[z - 1], "gauge_um": um} for z, um in readings.items()]
        doubt = {"gauge_um": work.doubt.gauge_um, "feel_um": work.doubt.feel_um}
        work.note("gauge", {"purpose": task.purpose, "readings": rows, **doubt}, work.second)
    await release(work)


async def _read_back_again(work: Work) -> list[float]:
    """Where the keys stand after an isolation: a cabinet that was without power takes its time."""
    while True:
        try:
            return await work.openings()
        except WireError as error:
            work.desk.say(f"  {error}")
            await work.desk.word("type again when the key cabinet tells where its keys are", "again")


async def release(work: Work) -> None:
    """The service may go on. Raises NotPossible."""
    errors = await work.shop.request(work.first, "release")
    if errors:
        raise NotPossible(f"the service stays on hold: {'; '.join(errors)}")


async def _gauged(work: Work, zone: int, pct: float) -> float:
    return await work.desk.ask(
        f"zone {zone} at {pct:g} %: the thickest gauge that goes through with light drag, um", thickness_um
    )


async def _confirmed(
    work: Work, task: Gauge, readings: dict[int, float], before: list[float]
) -> dict[int, float]:
    """The second person sees the readings and tries them; zones that do not convince are gauged again."""
    tried: set[int] = set()
    while True:
        off = _off(work, task, readings, before)
        stubborn = sorted(set(off) & tried)
        if stubborn:
            raise NotPossible(f"zone {stubborn[0]}: {off[stubborn[0]]}, and again. {wording.BEGIN_ANEW}")
        for zone, text in off.items():
            work.desk.say(f"  zone {zone}: {text}: gauge it again")
            readings[zone] = await _gauged(work, zone, before[zone - 1])
        tried |= set(off)
        if off:
            continue
        work.desk.say(*wording.confirm(work.second.name, readings))
        doubted = await work.desk.ask(
            "yes, or the zones to be gauged again", lambda said: zones_of(said, task.zones)
        )
        if not doubted:
            await work.desk.is_here(work.second)
            return readings
        for zone in doubted:
            readings[zone] = await _gauged(work, zone, before[zone - 1])


def _off(work: Work, task: Gauge, readings: dict[int, float], before: list[float]) -> dict[int, str]:
    """Zones whose readings, with those of the openings before, cannot all be right."""
    if not task.purpose.startswith("level:") or task.purpose == "level:0":
        return {}
    found = {}
    levels = [plan.gauged(work.session, f"level:{n}") or [] for n in range(work.settings.levels)]
    for zone, um in readings.items():
        known = [(row["pct"], row["gauge_um"]) for rows in levels for row in rows if row["zone"] == zone]
        rows = [reading(work.unit, zone, *pair) for pair in [*known, (before[zone - 1], um)]]
        line = fit(rows, work.doubt)
        if isinstance(line, Misfit):
            found[zone] = line.text
    return found


async def _scan(work: Work, task: Scan) -> None:
    work.desk.say(*wording.scan(task.purpose))
    said = await work.desk.word("type scan to wait for the next reading, or skip", "scan", "skip")
    if said == "skip":
        work.note("skip", {"skipped": "strip", "reason": "left out by the person"})
        return
    found = await work.shop.reading()
    work.note("scan", {"purpose": task.purpose, "sheet": found["sheet"], "density": found["density"]})


async def on_hold(work: Work) -> None:
    """A session that was broken off while people gauged left the service on hold: they say when it may go on."""
    status = await work.shop.status()
    if status["state"] == "offline":
        raise Stopped("the service is offline: start it first")
    if status["state"] != "holding":
        return
    work.desk.say(f"the service is on hold: {status['reason']}", *wording.CLEAR)
    await work.desk.word(
        "type release when nobody and nothing is in the fountain and nobody else wants the hold", "release"
    )
    work.clear = True
    await release(work)
