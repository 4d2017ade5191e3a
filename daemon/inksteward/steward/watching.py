"""Signs that keys are not the remedy. Rules of thumb of the trade (common practice, no source)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from statistics import median

from inksteward.contract.codes import NoteCode
from inksteward.contract.outputs import Note
from inksteward.control.film import density
from inksteward.control.numerics import exp
from inksteward.control.situation import Remark, Situation
from inksteward.model import Unit
from inksteward.reading import ScanReading, TintReading
from inksteward.steward.feed import model_of
from inksteward.steward.state import TrapSeen, Trial, UnitState

COMMON_LOSS_D = -0.03
COMMON_LOSS_LANES = 3
EXPECTED_LEAST_D = 0.04
ANSWER_LEAST = 0.3
TONE_UP_PCT = 25.0
"""Tone value increase from which a mid tint counts as up while its solid is on aim."""
SOLIDS_SHARE = 0.9
TRAP_DOWN_PCT = 10.0
"""Points by which trap lies below this run's own when it counts as down. How well inks trap differs by ink, paper
and sequence more than by any one limit (published averages of 107 samples: 72 to 89 %), so a run is its own
measure; the size: common practice, no source."""
TRAP_SHEETS = 3
"""Sheets with right solids whose median is this run's own trap."""
TRAP_TIMES = 2
"""Sheets in a row that must show it: a single one may have a dirty patch."""
NOT_FOR_KEYS = (NoteCode.TONE_UP, NoteCode.TRAP_DOWN)
"""Remarks that say that keys are not the remedy: nothing is proposed beside them."""


def common_loss(innovations: dict[str, float]) -> Note | None:
    """All inks fell together since the scan before: paper, water or the instrument, not the keys."""
    if len(innovations) < COMMON_LOSS_LANES or any(v > COMMON_LOSS_D for v in innovations.values()):
        return None
    amounts = ", ".join(f"{unit} {value:+.2f}" for unit, value in sorted(innovations.items()))
    return Note(
        code=NoteCode.COMMON_LOSS,
        zones=(),
        text=f"all inks lie lower than expected together ({amounts}): keys are not the cause",
        remedy="check dampening, the instrument's white reference and basis, and the age of the sheet; scan again",
    )


def add_trials(
    state: UnitState, moved: tuple[tuple[int, float, float], ...], sheet: float
) -> tuple[Trial, ...]:
    """Observe executed moves: (zone index, settled film before, after), um.

    A zone that is moved on the same way before it could be judged is still watched from its first move: a key that
    does not answer is moved again at every scan. One that is moved back by what can be seen is watched anew.
    """
    watched = {trial.zone: trial for trial in state.trials}
    for zone, before, after in moved:
        old = watched.get(zone)
        if old is None or _turned(state, old, before, after):
            watched[zone] = Trial(zone, sheet, before, after)
    return tuple(watched[zone] for zone in sorted(watched))


def under_new_sweep(unit: Unit, state: UnitState, sweep_from_pct: float, sheet: float) -> tuple[Trial, ...]:
    """Moves under observation when the sweep has moved as well: what is expected of them goes with the sweep, and none
    is judged before the film has had one lag to follow it. A dead key draws sweep moves: the watch must outlive them.
    """
    model = model_of(unit, state)
    scale = exp(state.estimate.ln_lag) if state.estimate else 1.0
    back = model.sweep_factor(sweep_from_pct)
    kept = []
    for trial in state.trials:
        factor, lag = 1.0 / float(back[trial.zone]), float(model.tau_sheets[trial.zone]) * scale
        before, after = trial.settled_before * factor, trial.settled_after * factor
        kept.append(Trial(trial.zone, max(trial.sheet, sheet - lag), before, after))
    return tuple(kept)


def _turned(state: UnitState, old: Trial, before: float, after: float) -> bool:
    """Whether a move goes the other way than the one that is watched, far enough to be seen."""
    if state.ink is None or (after - before) * (old.settled_after - old.settled_before) > 0.0:
        return False
    return abs(density(after, state.ink) - density(before, state.ink)) >= EXPECTED_LEAST_D


def watch_answers(unit: Unit, state: UnitState, sheet: int) -> UnitState:
    """Judge executed moves by now: less than 30 % of the expected change, twice in a row, is no answer.

    The film model's gain would swallow a key that does not move; what the zone's film did since the move is
    therefore compared with what it would have done without the move and with it.
    """
    if state.estimate is None or state.ink is None or not state.trials:
        return state
    model = model_of(unit, state)
    silent = list(state.silent)
    open_trials = []
    lag_scale = exp(state.estimate.ln_lag)
    for trial in state.trials:
        lag = float(model.tau_sheets[trial.zone]) * lag_scale
        gone = sheet - trial.sheet - model.delay_sheets
        if gone < 2.0 * lag:
            open_trials.append(trial)
            continue
        before = density(trial.settled_before, state.ink)
        expected = density(trial.settled_after, state.ink) - before
        if abs(expected) < EXPECTED_LEAST_D:
            continue
        seen = density(float(state.estimate.film_um[trial.zone]), state.ink) - before
        silent[trial.zone] = 0 if seen / expected >= ANSWER_LEAST else silent[trial.zone] + 1
    return replace(state, trials=tuple(open_trials), silent=tuple(silent))


def told_of_moves(situation: Situation) -> list[Remark]:
    """What executed moves say of single keys: no answer, or turned round again and again."""
    remarks = []
    silent = tuple(zone + 1 for zone, flag in enumerate(situation.silent) if flag)
    if silent:
        remarks.append(
            Remark(
                NoteCode.NO_RESPONSE,
                silent,
                f"zones {_numbers(silent)} did not answer their last two moves: their keys are left alone",
                "check key, blade and ink there, then send an event (blade): they are tried again",
            )
        )
    stuck = tuple(zone + 1 for zone, flag in enumerate(situation.stuck) if flag)
    if stuck:
        remarks.append(
            Remark(
                NoteCode.NO_RESPONSE,
                stuck,
                f"{'the key of zone' if len(stuck) == 1 else 'the keys of zones'} {_numbers(stuck)} did not move when "
                f"told to and {'is' if len(stuck) == 1 else 'are'} left alone; the keys beside do what they can",
                "free the key at the press; once its read-back has moved, or after an event (blade), it is used again",
            )
        )
    halved = tuple(zone + 1 for zone, gain in enumerate(situation.reversal_gain) if gain < 1.0)
    if halved:
        remarks.append(
            Remark(
                NoteCode.GAIN_HALVED,
                halved,
                f"zones {_numbers(halved)} were turned round twice in their last four moves: half the correction",
                "look for what swings: water, slur, a key with play",
            )
        )
    return remarks


def _numbers(zones: tuple[int, ...]) -> str:
    return ", ".join(str(zone) for zone in zones)


def solids_right_tints_up(situation: Situation, tints: tuple[TintReading, ...]) -> list[Remark]:
    """Tone value up while the solids are on aim: pressure, slur or blanket; keys would thin the solid."""
    mid = [tint for tint in tints if 40.0 <= tint.nominal_pct <= 60.0]
    if not mid:
        return []
    rise = sorted(tint.tone_value_pct - tint.nominal_pct for tint in mid)[len(mid) // 2]
    if rise < TONE_UP_PCT or not _right(situation.measured, situation.low, situation.high):
        return []
    return [
        Remark(
            NoteCode.TONE_UP,
            (),
            f"mid tints print {rise:.0f} points above their file value while the solids are on aim",
            "check slur and doubling, printing pressure and blanket; keys would only thin the solid",
        )
    ]


def _right(measured: Sequence[float | None], low: Sequence[float], high: Sequence[float]) -> bool:
    """Whether nearly all zones that were read are in tolerance."""
    rows = zip(measured, low, high, strict=True)
    inside = [least <= value <= most for value, least, most in rows if value is not None]
    return bool(inside) and sum(inside) >= SOLIDS_SHARE * len(inside)


def watch_traps(state: UnitState, units: Mapping[str, UnitState], read: ScanReading, sheet: int) -> UnitState:
    """Compare how the unit's ink lies on those before it with what it was in this run while the solids are right.

    A sheet that is scanned again counts once. Where the solids of one of the two are not right nothing is known of
    the cause, and the count begins anew.
    """
    seen = {item.first: item for item in state.traps}
    found: dict[str, list[float]] = {}
    for trap in read.traps.get(state.unit, ()):
        found.setdefault(trap.first, []).append(trap.trap_pct)
    for first, values in found.items():
        before = seen.get(first) or TrapSeen(first)
        if sheet > before.sheet:
            right = all(_solids_right(unit, read) for unit in (state, units[first]))
            seen[first] = _compared(replace(before, sheet=sheet), median(values), right)
    return replace(state, traps=tuple(seen[first] for first in sorted(seen)))


def _solids_right(state: UnitState, read: ScanReading) -> bool:
    return state.aim is not None and _right(read.lanes[state.unit].density, state.low, state.high)


def _compared(seen: TrapSeen, trap_pct: float, right: bool) -> TrapSeen:
    """One more sheet: with right solids it tells what is usual in this run, or is held against it."""
    if not right:
        return replace(seen, down=0)
    if len(seen.reference) < TRAP_SHEETS:
        return replace(seen, reference=(*seen.reference, trap_pct))
    down = median(seen.reference) - trap_pct >= TRAP_DOWN_PCT
    return replace(seen, down=seen.down + 1 if down else 0)


def solids_right_trap_down(
    state: UnitState, units: Mapping[str, UnitState], read: ScanReading, sheet: int
) -> list[Remark]:
    """The ink lies worse on one before it than in this run so far, though both solids are right: tack, water or too
    much of the first ink; keys would only make the second solid too strong."""
    remarks = []
    for seen in state.traps:
        values = [trap.trap_pct for trap in read.traps.get(state.unit, ()) if trap.first == seen.first]
        if seen.down < TRAP_TIMES or seen.sheet != sheet or not values:
            continue
        first, second = (there.ink.ink if there.ink else there.unit for there in (units[seen.first], state))
        text = (
            f"{second} lies down worse on {first}: trap {median(values):.0f} %, in this run it was "
            f"{median(seen.reference):.0f} %, while the solids of both are on aim"
        )
        remedy = (
            f"check tack and sequence of the inks, the water, and whether {first} prints too full; more {second} by "
            "the keys would only spoil its solid"
        )
        remarks.append(Remark(NoteCode.TRAP_DOWN, (), text, remedy))
    return remarks
