"""What one past job says: how far its gaps at the OK sheet lay from those that the film model alone wants."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from inksteward.control.film import film
from inksteward.control.inversion import Asked, ends_um, gaps_at
from inksteward.control.numerics import Array, exp
from inksteward.event_codec import CodecError, encode_effect
from inksteward.events import Started
from inksteward.journal_format import JournalError
from inksteward.journal_read import read_rows
from inksteward.model import Unit
from inksteward.steward import State, initial, step
from inksteward.steward.feed import complete, gaps_of
from inksteward.steward.state import UnitState

AT_LEAST_UM = 0.5
"""A key so near its least gap, or its full travel, says what it may, not what it should."""
NEAR_LN = 0.25
"""A zone that settles farther from its aim than this was not right at the OK sheet."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """One ink of one job. Arrays over the zones that say something: coverage, film that settles (um), and the natural
    log of gap / gap of the film model."""

    run_id: str
    unit: str
    ink: str
    coverage: Array
    film_um: Array
    ln_ratio: Array


@dataclass(frozen=True, slots=True)
class AtOk:
    """A unit as it stands at an OK sheet; arrays over zones: gaps (um), ln of the feed gains that the run has learned,
    films of the aims (um), and whether the zone's key answers."""

    run_id: str
    unit: Unit
    ink: str
    coverage: tuple[float, ...]
    gaps_um: Array
    sweep_pct: float
    ln_gain: Array
    aim_um: Array
    answers: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Read:
    """What a journal says: lessons, and the first row that this version answers otherwise than the record, if any."""

    lessons: tuple[Lesson, ...]
    differs_at: int | None


def lessons_of(path: Path) -> Read:
    """Lessons of the OK sheets in a journal, the last one of each run. Raises JournalError.

    The record is run through the core again, as a replay does; what another version answered otherwise is told, not
    refused, for what a press printed stays true.
    """
    state, differs, found, told = initial(), None, dict[tuple[str, str], Lesson](), ""
    for row in read_rows(path):
        try:
            event = row.event
        except CodecError as error:
            raise JournalError(f"{path}: row {row.stamp.seq} cannot be decoded: {error}") from error
        try:
            state, effects = step(initial() if isinstance(event, Started) else state, row.stamp, event)
        except Exception as error:
            # whatever the core raises now it did not raise when this was recorded
            raise JournalError(
                f"{path}: row {row.stamp.seq}: the core raised {type(error).__name__}: {error}"
            ) from error
        if differs is None and tuple(encode_effect(effect) for effect in effects) != row.effect_bodies:
            differs = row.stamp.seq
        ok = f"{state.run.run_id} {state.run.ok_scan_id}" if state.run and state.run.ok_scan_id else ""
        if ok and ok != told:
            found.update({(lesson.run_id, lesson.unit): lesson for lesson in lessons_at(state)})
        told = ok
    return Read(tuple(found.values()), differs)


def lessons_at(state: State) -> Iterator[Lesson]:
    """What the units of a run say as they stand now, at an OK sheet."""
    if state.run is None or state.config is None:
        return
    for unit in state.config.press.units:
        lesson = _lesson(state.run.run_id, unit, state.units[unit.unit])
        if lesson is not None:
            yield lesson


def _lesson(run_id: str, unit: Unit, state: UnitState) -> Lesson | None:
    """None for a unit without aims, coverage, film model or positions, or of which no zone says anything."""
    position, estimate = state.position, state.estimate
    if state.aim is None or state.ink is None or not state.coverage or estimate is None:
        return None
    if position is None or not complete(position):
        return None
    gaps = gaps_of(unit, position)
    stuck = tuple(zone for zone, _ in state.stuck)
    aim_um = np.array([film(aim, state.ink)[0] for aim in state.aim])
    silent = np.array(state.silent or (0,) * unit.zones) > 0
    silent[list(stuck)] = True
    return lesson_of(
        AtOk(
            run_id=run_id,
            unit=unit,
            ink=state.ink.ink,
            coverage=state.coverage,
            gaps_um=gaps,
            sweep_pct=float(position.sweep_pct or 0.0),
            ln_gain=estimate.ln_gain,
            aim_um=aim_um,
            answers=~silent,
        )
    )


def lesson_of(at: AtOk) -> Lesson | None:
    """The film that settles under these gaps by what the run has learned of its feed gains, inverted without them,
    tells the model's own gaps; zones at an end of their keys, without coverage, of keys that do not answer or with a
    film far from its aim say nothing.
    """
    unit, coverage, gaps_um, sweep_pct, aim_um = at.unit, at.coverage, at.gaps_um, at.sweep_pct, at.aim_um
    image = np.array(coverage) > 0.0
    asked = Asked(unit, coverage, aim_um, np.zeros(unit.zones), image, 1e6)
    plain = gaps_at(asked, sweep_pct)
    if plain is None:
        return None
    settled = exp(at.ln_gain) * plain.plant.unit_film(gaps_um, sweep_pct)
    wanted = gaps_at(Asked(unit, coverage, settled, np.zeros(unit.zones), image, 1e6), sweep_pct)
    if wanted is None:
        return None
    low, high = ends_um(unit)
    free = [
        (values > low + AT_LEAST_UM) & (values < high - AT_LEAST_UM) for values in (gaps_um, wanted.gaps_um)
    ]
    near = np.abs(np.log(settled / aim_um)) < NEAR_LN
    kept = image & at.answers & free[0] & free[1] & near
    if not bool(np.any(kept)):
        return None
    return Lesson(
        run_id=at.run_id,
        unit=unit.unit,
        ink=at.ink,
        coverage=np.array(coverage)[kept],
        film_um=settled[kept],
        ln_ratio=np.log(gaps_um / wanted.gaps_um)[kept],
    )
