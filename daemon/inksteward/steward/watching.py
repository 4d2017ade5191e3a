"""Signs that keys are not the remedy. Rules of thumb of the trade (common practice, no source)."""

from __future__ import annotations

from dataclasses import replace

from inksteward.contract.codes import NoteCode
from inksteward.contract.outputs import Note
from inksteward.control.film import density
from inksteward.control.numerics import exp
from inksteward.control.situation import Remark, Situation
from inksteward.model import Unit
from inksteward.reading import TintReading
from inksteward.steward.feed import model_of
from inksteward.steward.state import Trial, UnitState

COMMON_LOSS_D = -0.03
COMMON_LOSS_LANES = 3
EXPECTED_LEAST_D = 0.04
ANSWER_LEAST = 0.3
TONE_UP_PCT = 25.0
"""Tone value increase from which a mid tint counts as up while its solid is on aim."""
SOLIDS_SHARE = 0.9


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
    does not answer is moved again at every scan. One that is moved back is watched anew.
    """
    watched = {trial.zone: trial for trial in state.trials}
    for zone, before, after in moved:
        old = watched.get(zone)
        if old is None or (after - before) * (old.settled_after - old.settled_before) <= 0.0:
            watched[zone] = Trial(zone, sheet, before, after)
    return tuple(watched[zone] for zone in sorted(watched))


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
    right = [
        low <= value <= high
        for value, low, high in zip(situation.measured, situation.low, situation.high, strict=True)
        if value is not None
    ]
    rise = sorted(tint.tone_value_pct - tint.nominal_pct for tint in mid)[len(mid) // 2]
    if rise < TONE_UP_PCT or not right or sum(right) < SOLIDS_SHARE * len(right):
        return []
    return [
        Remark(
            NoteCode.TONE_UP,
            (),
            f"mid tints print {rise:.0f} points above their file value while the solids are on aim",
            "check slur and doubling, printing pressure and blanket; keys would only thin the solid",
        )
    ]
