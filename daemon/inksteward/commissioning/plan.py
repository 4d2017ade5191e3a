"""What comes next: worked out from the session and from where the keys stand alone, so a broken-off session goes on.

Nothing here moves anything. A move is a wish: the service makes a proposal of it or refuses, and a person decides.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from inksteward.commissioning.session import Session
from inksteward.model import Unit

SKIPPABLE = ("reference", "lost", "strip")


@dataclass(frozen=True, slots=True)
class Settings:
    """How far and how often. Openings in percent of key travel."""

    step_pct: float = 4.0
    move_pct: float = 10.0
    reference_pct: float = 4.0
    repeats: int = 3
    top_pct: float = 85.0
    levels: int = 3
    lost_pct: float = 8.0
    strip_pct: float = 8.0


@dataclass(frozen=True, slots=True)
class Count:
    """Somebody counts the keys and says at which side of the press zone 1 lies."""


@dataclass(frozen=True, slots=True)
class Look:
    """A key was opened: which one was seen to move, and which way?"""

    zone: int


@dataclass(frozen=True, slots=True)
class Move:
    """Keys are to go to these openings (zone from 1 -> percent); no targets: they stand there already."""

    purpose: str
    targets: Mapping[int, float]
    why: str
    done: bool
    """Whether the keys then stand where this purpose wants them: farther ways are gone in several moves."""


@dataclass(frozen=True, slots=True)
class Gauge:
    """Feeler gauges at these zones, entered by one person and confirmed by another."""

    purpose: str
    zones: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Scan:
    """A sheet is printed and scanned; the reading is kept."""

    purpose: str


@dataclass(frozen=True, slots=True)
class Write:
    """Everything is there: the calibration can be worked out and written."""


Task = Count | Look | Move | Gauge | Scan | Write


def settings_of(session: Session) -> Settings | None:
    """The settings that a session began with, None before the keys were counted."""
    rows = session.of("count")
    return Settings(**rows[-1]["settings"]) if rows else None


class NotPossible(Exception):
    """The session cannot go on as things are; the text says what to do."""


def next_task(session: Session, unit: Unit, openings: Sequence[float], settings: Settings) -> Task:
    """The first thing that is not done yet. Raises NotPossible where keys stand too far open to begin."""
    for task in _tasks(session, unit, openings, settings):
        if task is not None:
            return task
    return Write()


def _tasks(session: Session, unit: Unit, at: Sequence[float], settings: Settings) -> Iterator[Task | None]:
    if not session.of("count"):
        yield Count()
        return
    base = base_pct(session, unit, settings)
    for zone in range(1, unit.zones + 1):
        yield _direction(session, unit, zone, at, settings)
    if not skipped(session, "reference"):
        yield from _reference(session, unit, at, base, settings)
    goals = level_pcts(base, settings)
    for number, goal in enumerate(goals):
        purpose = f"level:{number}"
        if gauged(session, purpose) is None:
            # opened last, always: a key that stands wider is gauged where it stands
            goals_now = {zone: max(goal, at[zone - 1]) for zone in range(1, unit.zones + 1)}
            yield _to(unit, at, purpose, goals_now, "gauging", settings)
            yield Gauge(purpose, tuple(range(1, unit.zones + 1)))
    if not skipped(session, "lost"):
        yield from _lost(session, unit, at, goals[-1], settings)
    if not skipped(session, "strip"):
        yield from _strip(session, unit, at, settings)


def base_pct(session: Session, unit: Unit, settings: Settings) -> float:
    """One opening for all keys, above where any of them stood when they were counted. Raises NotPossible."""
    widest = float(max(session.of("count")[-1]["opening_pct"])) + settings.step_pct
    base = math.ceil(widest * 2.0 - 1e-9) / 2.0
    most = settings.top_pct - settings.reference_pct - 20.0
    if base > most:
        raise NotPossible(
            f"unit {unit.unit}: a key stands at {widest - settings.step_pct:g} %, at most "
            f"{most - settings.step_pct:g} % leave room to gauge at openings far enough apart. Set the keys lower at "
            "the press, well clear of the roller, and begin anew with another session file"
        )
    return base


def level_pcts(base: float, settings: Settings) -> tuple[float, ...]:
    """Openings at which gauges are used, rising; the first where the reference run ends."""
    low = base + settings.reference_pct
    width = (settings.top_pct - low) / (settings.levels - 1)
    return tuple(round((low + n * width) * 2.0) / 2.0 for n in range(settings.levels))


def lost_zones(unit: Unit) -> tuple[int, ...]:
    """Keys whose lost motion is gauged: the ends and the middle."""
    return tuple(sorted({1, (unit.zones + 1) // 2, unit.zones}))


def strip_zones(unit: Unit) -> tuple[int, int]:
    """Keys that lay the strip on the zones: a quarter in from either end."""
    quarter = max(unit.zones // 4, 1)
    return quarter, unit.zones + 1 - quarter


def skipped(session: Session, step: str) -> bool:
    """Whether somebody decided to go on without this step."""
    return any(row["skipped"] == step for row in session.of("skip"))


def gauged(session: Session, purpose: str) -> list[dict[str, float]] | None:
    """Confirmed readings of a purpose, the last of each zone; None if there are none."""
    found: dict[int, dict[str, float]] = {}
    for row in session.of("gauge"):
        if row["purpose"] == purpose:
            found |= {each["zone"]: each for each in row["readings"]}
    return [found[zone] for zone in sorted(found)] or None


def moved(session: Session, purpose: str) -> list[dict[str, object]]:
    """Moves of a purpose that brought the keys to where it wanted them."""
    return [row for row in session.of("move") if row["purpose"] == purpose and row["done"]]


def _direction(
    session: Session, unit: Unit, zone: int, at: Sequence[float], settings: Settings
) -> Task | None:
    said = [row for row in session.of("direction") if row["zone"] == zone]
    if said and said[-1]["right"]:
        return None
    tries = len([row for row in session.of("move") if row["purpose"] == f"direction:{zone}"])
    if tries > len(said):
        return Look(zone)
    target = _grid(min(at[zone - 1] + settings.step_pct, 100.0))
    return Move(f"direction:{zone}", {zone: target}, f"which key moves as key {zone}, and which way", True)


def _reference(
    session: Session, unit: Unit, at: Sequence[float], base: float, settings: Settings
) -> Iterator[Task | None]:
    """All keys to one opening, then open and back; the last way opens, so lost motion is taken up."""
    every = range(1, unit.zones + 1)
    if not moved(session, "reference:base"):
        yield _to(
            unit,
            at,
            "reference:base",
            dict.fromkeys(every, base),
            "reference run",
            settings,
            record=True,
        )
    for number in range(1, settings.repeats + 1):
        for name, goal in (
            (f"reference:open:{number}", base + settings.reference_pct),
            (f"reference:back:{number}", base),
        ):
            last = number == settings.repeats and goal == base
            if not last and not moved(session, name):
                yield _to(
                    unit,
                    at,
                    name,
                    dict.fromkeys(every, goal),
                    "reference run",
                    settings,
                    record=True,
                )


def _lost(
    session: Session, unit: Unit, at: Sequence[float], top: float, settings: Settings
) -> Iterator[Task | None]:
    """A few keys open and come back to where they were gauged: what the gap is wider by is lost motion."""
    if gauged(session, "lost:closed") is not None:
        return
    zones = lost_zones(unit)
    for name, goal in (("lost:open", min(top + settings.lost_pct, 100.0)), ("lost:back", top)):
        if not moved(session, name):
            yield _to(unit, at, name, dict.fromkeys(zones, goal), "lost motion", settings, record=True)
    yield Gauge("lost:closed", zones)


def _strip(session: Session, unit: Unit, at: Sequence[float], settings: Settings) -> Iterator[Task | None]:
    seen = {row["purpose"] for row in session.of("scan")}
    if "strip:before" not in seen:
        yield Scan("strip:before")
    for zone in strip_zones(unit):
        if f"strip:{zone}" not in seen:
            if not moved(session, f"strip:{zone}"):
                target = _grid(min(at[zone - 1] + settings.strip_pct, 100.0))
                yield Move(f"strip:{zone}", {zone: target}, "where the strip answers", True)
            yield Scan(f"strip:{zone}")


def _to(
    unit: Unit,
    at: Sequence[float],
    purpose: str,
    goals: Mapping[int, float],
    why: str,
    settings: Settings,
    *,
    record: bool = False,
) -> Move | None:
    """One move toward these openings; None if the keys stand there and that need not be recorded."""
    near = max(2.0 * unit.resolution_pct, 0.5)
    targets = {}
    for zone, goal in goals.items():
        here = at[zone - 1]
        if abs(goal - here) > near:
            targets[zone] = _grid(min(max(goal, here - settings.move_pct), here + settings.move_pct))
    if not targets and not record:
        return None
    done = all(abs(target - goals[zone]) <= near for zone, target in targets.items())
    return Move(purpose, targets, why, done)


def _grid(pct: float) -> float:
    return round(pct, 3)
