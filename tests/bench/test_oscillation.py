"""What counts as a swing that goes on: made-up courses of a zone, a press that nobody controls, and one that rings."""

from __future__ import annotations

import numpy as np
import pytest

from inksteward.bench.configuration import configuration
from inksteward.bench.fixed_gain import FixedGain, Gains
from inksteward.bench.oscillation import grows, growth, swings
from inksteward.bench.rivals import Nobody, Rival, RivalLoop
from inksteward.config import parse
from inksteward.control.numerics import Array
from tests.bench.test_bench import small

STEP, EVERY, SAMPLES = 5, 60, 480
AT = np.arange(SAMPLES) * float(STEP)


def found(course: Array) -> list[tuple[float, float]]:
    """Period and amplitude of what is taken for a swing in one zone's course."""
    return [(one.period_sheets, one.amplitude_d) for one in swings(course[:, None], STEP, EVERY)]


def wave(amplitude_d: float, period: float = 250.0) -> Array:
    course: Array = amplitude_d * np.sin(2.0 * np.pi * AT / period + 0.7)
    return course


@pytest.mark.parametrize(("amplitude_d", "counts"), [(0.0145, False), (0.0155, True), (0.2, True)])
def test_a_swing_counts_from_sheet_noise_on(amplitude_d: float, counts: bool) -> None:
    """A lasting sinusoid counts from an amplitude of 0.015 D on, and its period and size are told rightly."""
    told = found(wave(amplitude_d) + 0.03)
    assert bool(told) is counts
    if counts:
        [(period, size)] = told
        assert period == pytest.approx(250.0, rel=0.06)
        assert size == pytest.approx(amplitude_d, rel=0.1)


@pytest.mark.parametrize(("left", "counts"), [(0.7, False), (0.9, True), (1.0, True), (1.5, True)])
def test_what_dies_away_does_not_count(left: float, counts: bool) -> None:
    """A swing that shrinks to less than 0.8 of itself from one third to the next is over by itself; one that stays or
    grows is not."""
    shrinking = wave(0.1) * left ** (AT / (SAMPLES * STEP / 3.0))
    assert bool(found(shrinking)) is counts


@pytest.mark.parametrize("period", [60.0, 2000.0])
def test_periods_that_cannot_be_the_loops(period: float) -> None:
    """What is quicker than two scans, and what makes no two turns within a third, is no swing of the loop."""
    assert found(wave(0.1, period)) == []


def test_steps_trends_and_noise_are_no_swing() -> None:
    """A step, a slow settling, a straight drift and noise from sample to sample are not periodic; a square wave is."""
    settling = 0.3 * np.exp(-AT / 500.0)
    step = np.where(AT > 2000.0, 0.1, 0.0)
    noise: Array = np.random.default_rng(4).normal(0.0, 0.05, SAMPLES)
    courses = (np.asarray(each, dtype=np.float64) for each in (settling, step, 0.0002 * AT, noise))
    for course in courses:
        assert found(course) == []
    for sheet in range(1600, 2400, 50):
        assert found(np.where(AT > sheet, 0.1, 0.0)) == [], sheet
    assert found(wave(0.1) + settling + 0.5 * noise) != []
    assert found(np.sign(wave(0.1)) * 0.05) != []


def test_a_run_too_short_to_tell() -> None:
    """Twelve scan intervals hold two swings of the shortest period in each third; one less is refused with both."""
    assert found(np.zeros(144)) == []
    with pytest.raises(ValueError, match="sheets = 715: expected at least 720"):
        found(np.zeros(143))


def test_growth() -> None:
    """The spread about the trend grows when the last third's is a quarter above the middle one's, and above noise."""
    middle_d, last_d = growth((wave(0.05) * AT / 1000.0)[:, None])
    assert last_d / middle_d == pytest.approx(2000.0 / 1200.0, rel=0.1)
    assert grows(middle_d, last_d)
    assert not grows(0.05, 0.06)
    assert not grows(0.005, 0.014)
    assert grows(0.05, 0.0626)


def errors_under(rival: Rival, seed: int) -> Array:
    """True errors of a small press under a rival, over 2,400 sheets."""
    scenario = small(8)
    units = parse(configuration(scenario), "bench").press.units
    loop, rows = RivalLoop(scenario, units, rival, seed=seed), []
    for _ in range(SAMPLES):
        loop.run(STEP)
        rows.append(np.concatenate(list(loop.strip.errors().values())))
    return np.array(rows)


def test_a_press_that_nobody_controls_does_not_swing() -> None:
    """Drift alone, however it walks, is not taken for a swing in any zone."""
    for seed in (1, 2, 3):
        assert swings(errors_under(Nobody(), seed), STEP, EVERY) == []


def test_a_loop_that_rings_is_found_out() -> None:
    """A PID with twice the gain and four times the integral of the tuned one rings for ever, in many zones."""
    told = swings(errors_under(FixedGain(Gains(kp=30.0, ki=1.0)), 1), STEP, EVERY)
    assert len(told) >= 4
    assert max(one.amplitude_d for one in told) > 0.1
    assert all(120.0 <= one.period_sheets <= 400.0 for one in told)
