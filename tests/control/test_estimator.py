"""The estimator of films and gains between scans: one exact exponential for each stretch of feed."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.control.estimator import Segment, advance, film_sigma, predict_film, settled_density_sigma
from inksteward.control.film import film_slope
from inksteward.control.learning import loosen, new_sheet
from inksteward.control.numerics import exp
from tests.control.runs import FED, PRIORS, STILL, TAU, begun, settled_run
from tests.control.situations import CYAN


@given(st.lists(st.floats(0.1, 400.0), max_size=5), st.floats(-0.8, 0.8))
def test_pieces_make_one_exponential(cuts: list[float], ln_lag: float) -> None:
    """Advancing in pieces gives the mean and, without walks, the covariance of one exact exponential."""
    history = (Segment(0.0, 1.4 * FED),)
    first = begun(priors=STILL)
    mean = first.mean.copy()
    mean[8] = ln_lag
    first = replace(first, mean=mean)
    stepped = first
    for sheet in sorted(cuts):
        stepped = advance(stepped, TAU, history, sheet, STILL)
    stepped = advance(stepped, TAU, history, 401.0, STILL)
    left = np.exp(-401.0 / (TAU * math.exp(ln_lag)))
    exact = 1.4 * FED + left * (first.film_um - 1.4 * FED)
    assert stepped.film_um == pytest.approx(exact, rel=1e-12)
    assert stepped.cov == pytest.approx(advance(first, TAU, history, 401.0, STILL).cov, rel=1e-9, abs=1e-14)
    assert stepped.sheet == pytest.approx(401.0)


def test_each_movement_acts_at_its_own_sheet() -> None:
    """Feed that changes at sheets 30 and 75 gives the film of three exponentials joined there."""
    history = (Segment(-5.0, FED), Segment(30.0, 2.0 * FED), Segment(75.0, 0.5 * FED))
    film = 0.2 * FED
    for sheets, fed in ((30.0, FED), (45.0, 2.0 * FED), (25.0, 0.5 * FED)):
        film = fed + np.exp(-sheets / TAU) * (film - fed)
    first = begun()
    assert advance(first, TAU, history, 100.0, PRIORS).film_um == pytest.approx(film, rel=1e-12)
    assert predict_film(first, TAU, history, 100.0) == pytest.approx(film, rel=1e-12)


@pytest.mark.parametrize("sheet", [-1.0, 0.0])
def test_time_does_not_run_back(sheet: float) -> None:
    """Advancing to the same or an earlier sheet changes nothing."""
    first = begun()
    assert advance(first, TAU, (Segment(0.0, FED),), sheet, PRIORS) is first


def test_knowledge_fades() -> None:
    """Between scans the variance of every gain grows by the walks and by nothing else."""
    later = advance(begun(), TAU, (Segment(0.0, FED),), 50.0, PRIORS)
    grown = np.diag(later.cov)[4:8] - np.diag(begun().cov)[4:8]
    assert grown == pytest.approx(50.0 * (0.001**2 + 0.0005**2), rel=1e-9)


def test_spreads_are_those_of_the_covariance() -> None:
    """What is told as spread is the root of the variance, carried to density by the curve's slope."""
    estimate = settled_run(4)
    variances = np.diag(estimate.cov)
    assert film_sigma(estimate) == pytest.approx(np.sqrt(variances[:4]))
    settled = exp(estimate.ln_gain) * 1.1
    slopes = [film_slope(float(value), CYAN) for value in settled]
    spread = settled_density_sigma(estimate, np.full(4, 1.1), CYAN)
    assert spread == pytest.approx(slopes * settled * np.sqrt(variances[4:8]))


def test_an_estimate_is_a_value() -> None:
    """No step changes an estimate that somebody holds: its arrays cannot be written to."""
    for estimate in (begun(), settled_run(4), new_sheet(begun(), PRIORS), loosen(begun(), CYAN)):
        for array in (estimate.mean, estimate.cov):
            with pytest.raises(ValueError, match="read-only"):
                array[0] = 1.0


def test_a_moved_gap_makes_the_gain_less_sure() -> None:
    """A zero that is 2 um off is 10 % of a gap of 20 um and 2 % of 100 um: whoever learned a gain at the first knows it
    8 % less well at the second, however many gaps the key went through on its way; a key that stays costs nothing."""
    wide, narrow = np.full(4, 2.0 / 100.0), np.full(4, 2.0 / 20.0)
    narrow_last = narrow.copy()
    wide[3] = narrow[3]
    way = tuple(Segment(30.0 + step, FED, None, narrow + step / 4.0 * (wide - narrow)) for step in range(5))
    history = (Segment(0.0, FED, None, narrow_last), *way)
    first = begun(priors=STILL)
    moved = advance(first, TAU, history, 100.0, STILL)
    grown = np.diag(moved.cov)[4:8] - np.diag(first.cov)[4:8]
    assert grown == pytest.approx([0.08**2] * 3 + [0.0], abs=1e-12)


def test_a_movement_at_the_sheet_of_a_scan_counts_once() -> None:
    """A gap that changes at the very sheet to which the estimate was advanced is counted with what follows."""
    history = (Segment(0.0, FED, None, np.full(4, 0.1)), Segment(40.0, FED, None, np.full(4, 0.04)))
    first = begun(priors=STILL)
    at = advance(first, TAU, history, 40.0, STILL)
    assert np.diag(at.cov)[4:8] == pytest.approx(np.diag(first.cov)[4:8], abs=1e-15)
    after = advance(at, TAU, history, 60.0, STILL)
    assert np.diag(after.cov)[4:8] - np.diag(first.cov)[4:8] == pytest.approx([0.06**2] * 4, abs=1e-12)
