"""The unit as the film model sees it: closed forms of lag, gain and sweep elasticity, and what zones share."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.control.numerics import Array
from inksteward.control.plant import BAR_COVERAGE, Tridiagonal, blade_matrix, plant, product
from inksteward.model import Unit
from tests.control.situations import each, unit_of, usual

COVERAGES = st.lists(st.floats(0.0, 0.99), min_size=8, max_size=8)


def alone(**train: float) -> Unit:
    """A unit whose zones share nothing."""
    return unit_of("segmented", 8, train={"kappa": 0.0, **train})


# a Li / (a Li + beta (c0 + c1 a)) with Li = 0.70 m, beta = 0.015 m, c0 = 4.5, c1 = 5.352941: derived here from
# equal film splitting in a train of 13 rollers (see control/plant.py).
@pytest.mark.parametrize(("covered", "elasticity"), [(0.02, 0.17), (0.30, 0.70), (1.00, 0.83)])
def test_sweep_elasticity(covered: float, elasticity: float) -> None:
    """The sweep acts with 0.17 at 2 % coverage, 0.70 at 30 % and 0.83 at 100 %, the bar's own share set aside."""
    model = plant(usual(), each(covered - BAR_COVERAGE, 8))
    assert model.sigma == pytest.approx(elasticity, abs=0.005)


# Reference train, same derivation: gain um of film per um on the fountain roller, lag in sheets.
@pytest.mark.parametrize(
    ("covered", "gain", "lag"),
    [
        (0.02, 0.180493, 155.757), (0.05, 0.140826, 122.572), (0.10, 0.103072, 90.988),
        (0.30, 0.049737, 46.369), (0.50, 0.032776, 32.180), (1.00, 0.017693, 19.561),
    ],
)  # fmt: skip
def test_gain_and_lag_of_the_reference_train(covered: float, gain: float, lag: float) -> None:
    """Gain and lag of a zone by itself are the reference train's at every coverage."""
    model = plant(alone(), each(covered - BAR_COVERAGE, 8))
    assert np.diag(model.interaction) / 0.5 == pytest.approx(gain, abs=5e-7)
    assert model.tau_sheets == pytest.approx(lag, abs=5e-4)
    assert model.delay_sheets == 5.0


@given(COVERAGES)
def test_closed_forms(coverage: list[float]) -> None:
    """A zone by itself has tau = S/drain, y = beta metering g/drain and sigma = a Li/drain."""
    unit = alone()
    train, model = unit.train, plant(unit, tuple(coverage))
    for i, bare in enumerate(coverage):
        a = bare + 0.01
        drain = a * train.image_m + train.beta_m * (train.c0 + train.c1 * a)
        assert model.tau_sheets[i] == pytest.approx((train.s0_m + train.s1_m * a) / drain, rel=1e-12)
        assert model.sigma[i] == pytest.approx(a * train.image_m / drain, rel=1e-12)
        assert model.interaction[i, i] == pytest.approx(train.beta_m * train.metering / drain, rel=1e-12)
    assert np.count_nonzero(model.interaction) == 8


@given(COVERAGES, st.floats(0.0, 0.2), st.sampled_from(["segmented", "spring"]))
def test_what_flows_sideways_is_only_shared(coverage: list[float], kappa: float, blade: str) -> None:
    """Exchange between zones loses no ink: what all zones drain together is what all keys feed."""
    unit = usual(blade)
    unit = replace(unit, train=replace(unit.train, kappa=kappa))
    model = plant(unit, tuple(coverage))
    a = np.array(coverage) + BAR_COVERAGE
    drain = a * unit.train.image_m + unit.train.beta_m * (unit.train.c0 + unit.train.c1 * a)
    fed = unit.train.beta_m * unit.train.metering * blade_matrix(unit).sum(axis=0)
    assert drain @ model.interaction == pytest.approx(fed, rel=1e-10)


@pytest.mark.parametrize("blade", ["segmented", "spring"])
def test_interaction_against_a_dense_solution(blade: str) -> None:
    """The interaction solves the steady balance [drain + kappa lap] y = beta metering B g, by a dense solver too."""
    unit = usual(blade)
    coverage = (0.02, 0.9, 0.4, 0.1, 0.3, 0.3, 0.7, 0.05)
    a = np.array(coverage) + BAR_COVERAGE
    train = unit.train
    lap = 2.0 * np.eye(8) - np.eye(8, k=1) - np.eye(8, k=-1)
    lap[0, 0] = lap[-1, -1] = 1.0
    drain = np.diag(a * train.image_m + train.beta_m * (train.c0 + train.c1 * a))
    whole = drain + train.kappa * lap @ np.diag(train.s0_m + train.s1_m * a)
    dense = np.linalg.solve(whole, train.beta_m * train.metering * blade_matrix(unit))
    assert plant(unit, coverage).interaction == pytest.approx(dense, rel=1e-11, abs=1e-15)


@given(st.integers(1, 12), st.integers(0, 2**32 - 1))
def test_tridiagonal_solver_against_a_dense_one(n: int, seed: int) -> None:
    """The Thomas algorithm gives the dense solver's answer for every diagonally dominant system."""
    rng = np.random.default_rng(seed)
    lower, upper = rng.uniform(-1, 1, n), rng.uniform(-1, 1, n)
    diagonal = np.abs(lower) + np.abs(upper) + rng.uniform(0.1, 2.0, n)
    right = rng.uniform(-1, 1, (n, 3))
    dense = np.diag(diagonal) + np.diag(lower[1:], -1) + np.diag(upper[:-1], 1)
    assert Tridiagonal(lower, diagonal, upper).solved(right) == pytest.approx(
        np.linalg.solve(dense, right), rel=1e-10, abs=1e-12
    )


def test_rows_of_the_blade() -> None:
    """A segmented blade is the identity; every row of a spring blade has the sum of its five-diagonal."""
    assert (blade_matrix(usual("segmented")) == np.eye(8)).all()
    spring = usual("spring")
    own, first, second = spring.blade_nominal
    matrix = blade_matrix(spring)
    assert matrix.sum(axis=1) == pytest.approx(own + 2 * first + 2 * second, rel=1e-12)
    assert matrix[4].tolist() == [0.0, 0.0, second, first, own, first, second, 0.0]
    assert matrix[0].tolist() == pytest.approx([own + first + second, first, second, 0, 0, 0, 0, 0])


def test_neighbours_get_less_the_farther_they_are() -> None:
    """With equal coverage a key feeds its own zone most, its neighbours less the farther away, evenly to both sides."""
    model = plant(usual("segmented", 9), each(0.3, 9))
    middle: Array = model.interaction[:, 4]
    assert (np.diff(middle[4:]) < 0.0).all()
    assert middle[:4] == pytest.approx(middle[:4:-1], rel=1e-9)


@given(st.floats(10.0, 100.0))
def test_sweep_acts_by_its_elasticity(sweep_pct: float) -> None:
    """Settled film goes with (sweep/reference) to the power of each zone's elasticity."""
    unit = usual()
    model = plant(unit, (0.02, 0.1, 0.2, 0.3, 0.4, 0.5, 0.8, 0.99))
    gaps = np.linspace(20.0, 150.0, 8)
    at_reference = model.unit_film(gaps, unit.sweep.reference_pct)
    expected = at_reference * (sweep_pct / unit.sweep.reference_pct) ** model.sigma
    assert model.unit_film(gaps, sweep_pct) == pytest.approx(expected, rel=1e-12)
    assert at_reference == pytest.approx(model.interaction @ gaps, rel=1e-12)


@pytest.mark.parametrize("sweep_pct", [0.0, 1e-9, 0.04])
def test_standing_sweep_is_a_thousandth(sweep_pct: float) -> None:
    """A sweep of a thousandth of the reference or less counts as a thousandth: never a logarithm of nothing."""
    model = plant(usual(), each(0.3, 8))
    assert model.sweep_factor(sweep_pct) == pytest.approx(1e-3**model.sigma, rel=1e-9)


def test_film_is_never_zero() -> None:
    """Where the model says nothing is metered, a millionth of a um is left, so that its logarithm exists."""
    model = plant(alone(), each(0.3, 8))
    film = model.unit_film(np.zeros(8), 40.0)
    assert film == pytest.approx(1e-6, rel=1e-12)
    assert all(math.isfinite(math.log(value)) for value in film)


@pytest.mark.parametrize("rows", [2, 3, 8, 33, 48])
@pytest.mark.parametrize("columns", [1, 7, 8, 9, 32, 97])
def test_product_adds_in_the_order_of_the_keys(rows: int, columns: int) -> None:
    """The product has, bit for bit, what adding one key after the other gives: nothing is summed in pairs."""
    rng = np.random.default_rng([rows, columns])
    matrix, vector = rng.standard_normal((rows, columns)), rng.standard_normal(columns)
    total = np.zeros(rows)
    for j in range(columns):
        total = total + matrix[:, j] * vector[j]
    assert product(matrix, vector).tobytes() == total.tobytes()


@pytest.mark.parametrize(("beta_m", "gain", "tau"), [(0.005, 0.020787, 58.14), (0.03, 0.076302, 35.57)])
def test_the_sweep_changes_lag_and_gain(beta_m: float, gain: float, tau: float) -> None:
    """Ductor feed goes with the sweep, and with it, at 30 % coverage, film per film metered and lag: values of the
    closed form of the one-capacitance train, worked out independently of this code."""
    unit = alone()
    train, ratio = unit.train, beta_m / unit.train.beta_m
    model = plant(unit, each(0.3 - BAR_COVERAGE, 8), ratio * unit.sweep.reference_pct)
    assert (train.image_m, train.c0, train.s0_m) == (0.7, 4.5, 12.87)
    assert np.diag(model.interaction) / train.metering == pytest.approx(gain, abs=1e-6)
    assert model.tau_sheets == pytest.approx(tau, abs=0.005)


@given(COVERAGES, st.floats(5.0, 100.0))
def test_lag_of_filling_leaves_the_area_as_it_is(coverage: list[float], sweep_pct: float) -> None:
    """From empty rollers the film that is missing, added up over all sheets, is settled film times that lag: against a
    dense solve of the zones' mass balance, S dy/dn = T (y_settled - y)."""
    unit = usual()
    train, model = unit.train, plant(unit, tuple(coverage), sweep_pct)
    a = np.array(coverage) + BAR_COVERAGE
    beta_m = train.beta_m * sweep_pct / unit.sweep.reference_pct
    stored = train.s0_m + train.s1_m * a
    drain = a * train.image_m + beta_m * (train.c0 + train.c1 * a)
    apart = np.diff(np.eye(8), axis=0)
    balance = np.diag(drain) + apart.T @ apart * (train.kappa * stored)[None, :]
    film = model.unit_film(np.linspace(20.0, 150.0, 8), sweep_pct)
    area = np.linalg.solve(balance, stored * film)
    assert model.lag_sheets(film) == pytest.approx(area / film, rel=1e-9)


def test_a_light_zone_beside_heavy_ones_fills_sooner() -> None:
    """Zones lend each other ink; where all are alike nobody gains."""
    alike = plant(usual(), each(0.3, 8))
    film = alike.unit_film(np.full(8, 60.0), 50.0)
    assert alike.lag_sheets(film) == pytest.approx(alike.tau_sheets, rel=1e-9)
    mixed = plant(usual(), (0.5, 0.5, 0.5, 0.03, 0.5, 0.5, 0.5, 0.5))
    lag = mixed.lag_sheets(mixed.unit_film(np.full(8, 60.0), 50.0))
    assert lag[3] < 0.9 * mixed.tau_sheets[3]
    assert lag[2] > mixed.tau_sheets[2]
