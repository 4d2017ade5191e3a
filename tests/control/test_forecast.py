"""Where the film goes if nobody moves anything more: executed movements counted, once."""

from dataclasses import replace

import numpy as np
import pytest

from inksteward.control.estimator import Segment
from inksteward.control.film import density
from inksteward.control.forecast import (
    LONGEST_WAIT_SHEETS,
    WAIT_STEP_SHEETS,
    forecast,
    later,
    sheets_until_inside,
)
from tests.control.situations import CYAN, situation, usual


def test_a_move_shows_after_approval_and_transport() -> None:
    """A move made now shows at the sheet of now, plus the expected approval, plus the transport delay."""
    view = forecast(situation(usual(), sheet_now=300.0, approval_sheets=42.0))
    assert view.seen_from == 300.0 + 42.0 + 5.0


def test_forecast_does_not_look_back() -> None:
    """An estimate that is already ahead is not taken back."""
    assert forecast(situation(usual(), sheet_now=10.0, approval_sheets=1.0)).seen_from == 100.0


@pytest.mark.parametrize(
    ("interval", "horizon"), [(0.0, 1.0), (0.5, 1.0), (1.0, 1.0), (1.5, 1.5), (80.0, 80.0)]
)
def test_horizon_is_never_nothing(interval: float, horizon: float) -> None:
    """The next correction is at least one sheet away."""
    assert forecast(situation(usual(), interval_sheets=interval)).horizon == horizon


def test_settled_film_is_that_of_the_present_openings() -> None:
    """Settled film counts every movement that was read back, however recent; the film of then is on its way there."""
    plain = situation(usual(), off_ln=0.2, now_ln=-0.1, approval_sheets=20.0)
    view = forecast(plain)
    aim = -np.log(1.0 - 1.40 / 1.65) / 2.10
    assert view.settled == pytest.approx(aim * np.exp(0.2), rel=1e-12)
    left = np.exp(-25.0 / plain.plant.tau_sheets)
    assert view.y_then == pytest.approx(aim * (np.exp(0.2) + left * (np.exp(-0.1) - np.exp(0.2))), rel=1e-12)
    assert view.settled_density == pytest.approx([density(float(y), CYAN) for y in view.settled])


def test_a_movement_under_way_counts_from_its_own_sheet() -> None:
    """What a movement of a few sheets ago will do is in the film of then, from the sheet on which it arrives."""
    plain = situation(usual(), approval_sheets=20.0)
    fed = plain.history[0].unit_film
    moved = replace(plain, history=(Segment(0.0, fed), Segment(110.0, 1.5 * fed)))
    ratio = forecast(moved).y_then / forecast(plain).y_then
    assert ratio == pytest.approx(1.0 + 0.5 * (1.0 - np.exp(-15.0 / plain.plant.tau_sheets)), rel=1e-12)


def test_lag_is_the_learned_one() -> None:
    """The lag that the law works with is the plant's times the learned scale."""
    plain = situation(usual())
    mean = plain.estimate.mean.copy()
    mean[16] = np.log(1.7)
    view = forecast(replace(plain, estimate=replace(plain.estimate, mean=mean)))
    assert view.lag == pytest.approx(1.7 * plain.plant.tau_sheets, rel=1e-12)


def test_later_is_one_exponential() -> None:
    """Film on the way to a new level comes nearer by the lag."""
    got = later(np.array([1.0, 2.0]), np.array([2.0, 1.0]), np.array([50.0, 100.0]), 50.0)
    assert got == pytest.approx([2.0 - np.exp(-1.0), 1.0 + np.exp(-0.5)], rel=1e-12)
    assert later(np.ones(1), 2.0 * np.ones(1), np.ones(1), 0.0).tolist() == [1.0]


@pytest.mark.parametrize("short_ln", [-0.15, -0.2, -0.3, -0.6])
def test_sheets_until_a_zone_is_inside(short_ln: float) -> None:
    """A first-order lag that starts short of its level passes the edge after lag ln(shortage then / shortage at the
    edge) sheets (textbook); the answer is that, rounded up to tens."""
    case = situation(usual(), now_ln=[short_ln] + [0.0] * 7)
    edge = np.log(1.0 - 1.33 / 1.65) / np.log(1.0 - 1.40 / 1.65)
    passed = float(case.plant.tau_sheets[0]) * np.log((1.0 - np.exp(short_ln)) / (1.0 - edge))
    assert 0.0 < passed
    assert sheets_until_inside(case, (0,)) == WAIT_STEP_SHEETS * np.ceil(passed / WAIT_STEP_SHEETS)


def test_the_slowest_zone_says_how_long() -> None:
    """Of several zones the last one to come in counts; one that is in already takes no time."""
    case = situation(usual(), now_ln=[-0.2, -0.6, 0.6] + [0.0] * 5)
    each = [sheets_until_inside(case, (zone,)) for zone in range(4)]
    assert each[3] == 0
    assert sheets_until_inside(case, (0, 1, 2, 3)) == max(each)


def test_waiting_counts_what_is_still_on_its_way() -> None:
    """A movement that has not arrived yet counts from its own sheet; one that nobody made counts never."""
    plain = situation(usual(), off_ln=-0.3)
    assert sheets_until_inside(plain, (0,)) == LONGEST_WAIT_SHEETS
    fed = plain.history[0].unit_film
    moved = replace(plain, history=(Segment(0.0, fed), Segment(140.0, np.exp(0.3) * fed)))
    lag = float(plain.plant.tau_sheets[0])
    edge = np.log(1.0 - 1.33 / 1.65) / np.log(1.0 - 1.40 / 1.65)
    passed = 40.0 + lag * np.log((1.0 - np.exp(-0.3)) / (1.0 - edge))
    assert sheets_until_inside(moved, (0,)) == WAIT_STEP_SHEETS * np.ceil(passed / WAIT_STEP_SHEETS)


def test_waiting_begins_at_the_sheet_of_now() -> None:
    """Sheets are counted from the press's present sheet, not from the sheet that was scanned."""
    case = situation(usual(), now_ln=-0.6)
    then = sheets_until_inside(case, (0,))
    assert sheets_until_inside(replace(case, sheet_now=150.0), (0,)) == then - 50


SHORT, OVER = -2.0, 0.9
"""So far from its level (natural log of film) a zone at 30 % coverage is outside for more than 85 sheets."""


@pytest.mark.parametrize(
    ("now_ln", "off_ln", "interval", "late"),
    [
        (SHORT, 0.0, 60.0, True),
        (OVER, 0.0, 60.0, True),
        (SHORT, 0.0, 400.0, False),  # it is inside long before anybody can act again
        (-0.05, 0.0, 60.0, False),  # it is inside already
        (SHORT, -0.4, 60.0, False),  # it will not come in by itself: an error of where it settles
    ],
)
def test_a_zone_that_comes_in_late(now_ln: float, off_ln: float, interval: float, late: bool) -> None:
    """Late is a zone that settles inside its tolerance and is outside to the same side both when a move made now shows
    and when the next correction can act."""
    case = situation(
        usual(), now_ln=[now_ln] + [0.0] * 7, off_ln=[off_ln] + [0.0] * 7, interval_sheets=interval
    )
    assert forecast(case).late == (late,) + (False,) * 7
