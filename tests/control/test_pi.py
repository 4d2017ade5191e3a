"""PI per zone on predictions: its limits, the identity with the velocity form, significance, the wish."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.config import ControlSettings
from inksteward.control.pi import MAX_LN_STEP, Error, interval_ratio, significant, wanted_film, wish

LAGS = st.floats(5.0, 500.0)
SHARES = st.floats(0.05, 2.0)
INTERVALS = st.floats(1.0, 1000.0)
ON, OFF = np.array([True]), np.zeros(2, dtype=bool)


def ratio_of(horizon: float, wanted: float, lag: float) -> float:
    """R for one zone."""
    return float(interval_ratio(horizon, np.array([wanted]), np.array([lag]))[0])


def error_of(
    then: float, settled: float, lag: float = 60.0, width: float = 0.05, *, late: bool = False
) -> Error:
    """One zone with its aim at a film of 1 um."""
    then_um, settled_um, aim, low, high, lags = (
        np.array([value]) for value in (then, settled, 1.0, 1.0 - width, 1.0 + width, lag)
    )
    return Error(then_um, settled_um, aim, low, high, lags, np.array([late]))


def wished(error: Error, horizon: float = 100.0, gain: float = 1.0, **settings: object) -> float:
    """The wish of the one zone, natural log."""
    chosen = ControlSettings(**settings)  # type: ignore[arg-type]
    return float(wish(error, horizon, ON, np.array([gain]), chosen)[0])


@given(INTERVALS, LAGS, st.floats(0.2, 3.0), st.floats(0.2, 3.0))
def test_wanted_lag_equal_to_the_lag_wants_the_aim(
    horizon: float, lag: float, then: float, aim: float
) -> None:
    """lambda = tau: the wanted settled film is the aim's, wherever the film is and however long the interval."""
    ratio = interval_ratio(horizon, np.array([lag]), np.array([lag]))
    assert ratio[0] == 1.0
    assert wanted_film(np.array([then]), np.array([aim]), ratio)[0] == pytest.approx(aim, rel=1e-12)


@given(LAGS, SHARES)
def test_dense_scans_give_the_textbook_gain(lag: float, share: float) -> None:
    """As scans become dense the ratio tends to tau/lambda, the gain of the IMC-PI."""
    ratio = ratio_of(1e-4 * lag, share * lag, lag)
    assert ratio == pytest.approx(1.0 / share, rel=1e-4 * (1.0 + 1.0 / share))


@given(LAGS, st.floats(0.05, 1.0))
def test_sparse_scans_give_a_pure_integrator(lag: float, share: float) -> None:
    """As scans become sparse the ratio tends to 1: each move wants the aim itself, nothing proportional is left."""
    assert ratio_of(40.0 * lag, share * lag, lag) == pytest.approx(1.0, abs=1e-15 + math.exp(-40.0 / share))


@given(LAGS, SHARES, INTERVALS)
def test_film_comes_nearer_by_the_wanted_lag(lag: float, share: float, horizon: float) -> None:
    """Under the wanted settled film the error falls over the interval by exp(-H/lambda), the plant's lag being tau."""
    y, aim = 0.9, 1.0
    target = y + ratio_of(horizon, share * lag, lag) * (aim - y)
    later = target + math.exp(-horizon / lag) * (y - target)
    assert aim - later == pytest.approx((aim - y) * math.exp(-horizon / (share * lag)), abs=1e-12)


@given(
    st.floats(20.0, 200.0),
    st.floats(0.5, 1.5),
    st.floats(0.7, 1.3),
    st.lists(st.floats(1.0, 300.0), min_size=3, max_size=8),
)
def test_velocity_form_on_an_undisturbed_run(
    lag: float, share: float, first: float, intervals: list[float]
) -> None:
    """Undisturbed, gain known, no delay, every move executed: du_k = R_{k+1} e_k - phi_k R_k e_{k-1} to 1e-12.

    R_{k+1} is over the interval ahead, phi_k and R_k over the one just past. In log film, whose aim is 1 here.
    """
    aim, y = 1.0, first
    ratios = [ratio_of(h, share * lag, lag) for h in intervals]
    moves, errors = [], []
    for horizon, ratio in zip(intervals, ratios, strict=True):
        errors.append(aim - y)
        v = float(wanted_film(np.array([y]), np.array([aim]), np.array([ratio]))[0])
        moves.append(v)
        y = v + math.exp(-horizon / lag) * (y - v)
    for k in range(1, len(moves)):
        phi = math.exp(-intervals[k - 1] / lag)
        expected = ratios[k] * errors[k] - phi * ratios[k - 1] * errors[k - 1]
        assert moves[k] - moves[k - 1] == pytest.approx(expected, abs=1e-12)


def test_velocity_form_of_dense_scans_is_the_textbook_pi() -> None:
    """Dense scans: du = Kc (de + H/Ti e) with Kc = tau/lambda and Ti = tau, up to the square of H/tau."""
    lag, wanted, h = 80.0, 40.0, 0.08
    ratio = ratio_of(h, wanted, lag)
    phi = math.exp(-h / lag)
    for e, before in ((0.1, 0.11), (-0.03, 0.02)):
        textbook = lag / wanted * ((e - before) + h / lag * e)
        assert ratio * (e - phi * before) == pytest.approx(
            textbook, abs=3.0 * h / lag * abs(e - before) + 1e-6
        )


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan])
@pytest.mark.parametrize("place", [0, 1, 2])
def test_ratio_refuses_what_is_not_positive(bad: float, place: int) -> None:
    """Horizon and lags must be positive: 0, a negative number or NaN is refused."""
    values = [100.0, 50.0, 100.0]
    assert ratio_of(*values) > 1.0
    values[place] = bad
    with pytest.raises(ValueError, match="positive sheets"):
        ratio_of(*values)


def test_one_bad_lag_among_many_is_refused() -> None:
    """One zone without a positive lag refuses the whole unit."""
    with pytest.raises(ValueError, match="positive sheets"):
        interval_ratio(100.0, np.array([20.0, 0.0]), np.array([40.0, 40.0]))


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("dead_band", "sigma", "limit"), [(0.028, 0.01, 0.028), (0.028, 0.02, 0.04)])
def test_significance_at_its_limit(sign: float, dead_band: float, sigma: float, limit: float) -> None:
    """An error acts only beyond the dead band and beyond two sigma: at the limit not, one unit beyond it does."""
    assert not significant(sign * limit, dead_band, sigma)
    assert not significant(sign * math.nextafter(limit, 0.0), dead_band, sigma)
    assert significant(sign * math.nextafter(limit, 1.0), dead_band, sigma)


@pytest.mark.parametrize(("aim_share", "held"), [(-0.5, True), (0.1999, True), (0.2, False), (0.21, False)])
def test_wanted_film_is_never_below_a_fifth(aim_share: float, held: bool) -> None:
    """However much too dark a zone is, no less than a fifth of the aim's film is wanted."""
    # from film 3, ratio 1 + x wants 3 + (1 + x) (1 - 3) = 1 - 2 x
    wanted = wanted_film(np.array([3.0]), np.array([1.0]), np.array([(3.0 - aim_share) / 2.0]))[0]
    assert wanted == pytest.approx(0.2 if held else aim_share, rel=1e-9)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(
    ("ln_off", "ln_wish"), [(1.09, 1.09), (1.1, MAX_LN_STEP), (1.11, MAX_LN_STEP), (1.5, MAX_LN_STEP)]
)
def test_wish_is_held_to_a_factor_of_three(sign: float, ln_off: float, ln_wish: float) -> None:
    """No zone's film is wished to change by more than 1.1 (natural log) at once, in either direction."""
    film = math.exp(-sign * ln_off)
    assert wished(error_of(film, film), lambda_share=1.0) == pytest.approx(sign * ln_wish, rel=1e-9)


@given(st.floats(0.5, 2.0), st.floats(0.5, 2.0), INTERVALS, st.floats(0.1, 1.0))
def test_wish_is_never_against_the_settled_error(
    then: float, settled: float, horizon: float, share: float
) -> None:
    """A zone that would settle too dark is never wished darker because its film is still on the way, nor lighter."""
    got = wished(error_of(then, settled), horizon, lambda_share=share)
    assert got * math.log(1.0 / settled) >= 0.0


def test_wish_on_the_way_is_what_the_settled_error_asks() -> None:
    """Film far below, feed already too high: the wish is the settled error's own, not more ink."""
    assert wished(error_of(0.5, 1.2), 30.0) == pytest.approx(math.log(1.0 / 1.2), rel=1e-12)


@given(st.floats(0.7, 1.4), st.floats(0.7, 1.4), INTERVALS)
def test_unwatched_zone_settles_within_tolerance(then: float, settled: float, horizon: float) -> None:
    """With settle_unwatched a move alone brings a zone that was out within its tolerance, scan or no scan."""
    got = wished(error_of(then, settled), horizon, settle_unwatched=True)
    ends = settled * math.exp(got)
    assert 0.95 - 1e-9 <= ends <= 1.05 + 1e-9 or got == pytest.approx(math.log(1.0 / settled))


def test_reversed_zone_moves_half() -> None:
    """The gain of a zone scales its correction."""
    assert wished(error_of(0.8, 0.8), gain=0.5) == pytest.approx(0.5 * wished(error_of(0.8, 0.8)), rel=1e-12)


def test_zones_that_do_not_act_wish_nothing() -> None:
    """A zone whose error does not count has a wish of exactly 0."""
    films = np.array([0.8, 0.8])
    error = Error(
        films,
        films,
        np.ones(2),
        0.95 * np.ones(2),
        1.05 * np.ones(2),
        np.array([60.0, 60.0]),
        np.zeros(2, dtype=bool),
    )
    got = wish(error, 100.0, np.array([True, False]), np.ones(2), ControlSettings())
    assert got[0] > 0.0
    assert got[1] == 0.0


def test_a_late_zone_wishes_past_its_aim() -> None:
    """A film that is far short of its aim and settles on it wants no more, but where it would come in late; there it
    wants what brings the closed loop to the lag wanted (worked by hand: R = (1 - e^-2)/(1 - e^-1) = 1.36788)."""
    assert wished(error_of(0.6, 1.001, lag=100.0)) == pytest.approx(-math.log(1.001), rel=1e-9)
    late = error_of(0.6, 1.001, lag=100.0, late=True)
    assert wished(late, lambda_share=0.5) == pytest.approx(math.log((0.6 + 1.367879 * 0.4) / 1.001), abs=1e-6)
    assert wished(error_of(1.4, 1.0, lag=100.0, late=True), lambda_share=0.5) < 0.0


def arrives(then: float, lag: float, horizon: float = 100.0, settled: float = 1.3) -> float:
    """Film at the next correction under the wish of a late zone, lambda so short that it gets there, um."""
    chosen = wished(error_of(then, settled, lag=lag, late=True), horizon, lambda_share=0.05)
    ends = settled * math.exp(chosen)
    return ends + math.exp(-horizon / lag) * (then - ends)


@pytest.mark.parametrize(("lag", "there"), [(99.0, 1.0), (100.0, 1.0), (101.0, 0.99), (150.0, 0.99)])
def test_a_zone_that_fills_slowly_arrives_a_little_below(lag: float, there: float) -> None:
    """From below, a zone whose lag is longer than the time to the next correction aims a fifth of its tolerance short
    of its aim; a quick one aims at it."""
    assert arrives(0.8, lag) == pytest.approx(there, abs=1e-6)


@pytest.mark.parametrize("then", [1.0, 1.001, 1.2])
def test_from_above_a_slow_zone_aims_at_its_aim(then: float) -> None:
    """A film that is to come down is to come down to the aim."""
    assert arrives(then, 150.0) == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("then", [0.991, 0.995, 0.999])
def test_a_slow_zone_just_below_its_aim_stays(then: float) -> None:
    """A film between there and its aim is not brought down: it is to stay where it is."""
    assert arrives(then, 150.0) == pytest.approx(then, abs=1e-9)
