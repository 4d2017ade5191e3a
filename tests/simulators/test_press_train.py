"""The roller train against a roller-by-roller model, a Runge-Kutta integration, and its own closed form."""

import numpy as np
import pytest

from inksteward_simulators.press.train import RollerTrain, second_difference
from inksteward_simulators.scenario_forms import Train

# Gain and lag at full reference sweep (beta = 0.015 m); derived here from the closed form below.
GAIN = {0.02: 0.180493, 0.05: 0.140826, 0.10: 0.103072, 0.20: 0.067096, 0.30: 0.049737, 0.50: 0.032776,
        0.80: 0.021685, 1.00: 0.017693}  # fmt: skip
TAU = {0.02: 155.757, 0.05: 122.572, 0.10: 90.988, 0.20: 60.891, 0.30: 46.369, 0.50: 32.180, 0.80: 22.901,
       1.00: 19.561}  # fmt: skip
REFERENCE_SWEEP = 50.0
ONE_SHEET = np.ones(1)


def even_train(coverage: float, kappa: float = 0.004) -> RollerTrain:
    return RollerTrain(np.full(7, coverage), np.ones(7), kappa, Train())


@pytest.mark.parametrize("coverage", GAIN)
def test_settled_film_is_the_closed_form_gain(coverage: float) -> None:
    """With even zones the settled film is g h, g = beta / (a L + beta (c0 + c1 a))."""
    train, form = even_train(coverage), Train()
    spent = coverage * form.image_m + form.beta_ref_m * (form.c0 + form.c1 * coverage)
    film = train.settled_film_um(np.ones(7), REFERENCE_SWEEP)
    np.testing.assert_allclose(film, form.beta_ref_m / spent, rtol=1e-12)
    np.testing.assert_allclose(film, GAIN[coverage], atol=1e-6)


@pytest.mark.parametrize("coverage", TAU)
def test_lag_is_storage_over_what_is_spent(coverage: float) -> None:
    """The lag of a zone is (s0 + s1 a) / (a L + beta (c0 + c1 a)) sheets."""
    np.testing.assert_allclose(even_train(coverage).tau_sheets(REFERENCE_SWEEP), TAU[coverage], atol=1e-3)


def rollers_steady(coverage: float) -> tuple[float, float]:
    """Gain and stored ink per printed film of 13 rollers, plate and blanket with equal splitting at every nip."""
    names = ["D1", "T1", "O1", "T2", "O2", "T3", "O3", "F1", "F2", "F3", "F4", "R1", "R2", "plate", "blanket"]
    at = {name: k for k, name in enumerate(names)}
    form = Train()
    nips = [("D1", "T1"), ("T1", "O1"), ("O1", "T2"), ("T2", "O2"), ("O1", "T3"), ("T3", "O3"), ("O2", "F1"),
            ("O2", "F2"), ("O3", "F3"), ("O3", "F4"), ("O1", "R1"), ("O2", "R2")]  # fmt: skip
    image_m = coverage * form.image_m
    flows = [(a, b, form.travel_m / 2) for a, b in nips]
    flows += [(f, "plate", image_m / 2) for f in ("F1", "F2", "F3", "F4")] + [
        ("plate", "blanket", image_m / 2)
    ]
    balance = np.zeros((15, 15))
    for a, b, width_m in flows:
        for here, there in ((at[a], at[b]), (at[b], at[a])):
            balance[here, here] -= width_m
            balance[here, there] += width_m
    balance[at["D1"], at["D1"]] -= form.beta_ref_m
    balance[at["blanket"], at["blanket"]] -= image_m / 2  # half of the blanket's film goes to the paper
    fed = np.zeros(15)
    fed[at["D1"]] = form.beta_ref_m
    film = np.linalg.solve(-balance, fed)
    printed = film[at["blanket"]] / 2
    return float(printed), float(film[:13].sum() * 0.22 / printed)


@pytest.mark.parametrize("coverage", [0.02, 0.3, 1.0])
def test_constants_follow_from_equal_splitting(coverage: float) -> None:
    """The lumped constants are those of 13 rollers with equal splitting at every nip (Mill 1961, from memory)."""
    gain, stored_m = rollers_steady(coverage)
    train = even_train(coverage)
    assert train.settled_film_um(np.ones(7), REFERENCE_SWEEP)[3] == pytest.approx(gain, rel=1e-10)
    assert train.storage_m[3] == pytest.approx(stored_m, rel=1e-10)


def integrate(
    train: RollerTrain, form: Train, coverage: np.ndarray, fed_um: np.ndarray, sheets: int
) -> tuple[np.ndarray, np.ndarray]:
    """Runge-Kutta of the equation as it is written in the film; also what was fed, returned and printed in all."""
    kappa, beta, storage = 0.01, form.beta_ref_m, train.storage_m
    spread = kappa * second_difference(len(coverage))

    def slope(state: np.ndarray) -> np.ndarray:
        film = state[:-3]
        back = beta * (form.c0 + form.c1 * coverage) * film
        printed = coverage * form.image_m * film
        d_film = (beta * fed_um - back - printed + spread @ (storage * film)) / storage
        return np.concatenate((d_film, [beta * fed_um.sum(), back.sum(), printed.sum()]))

    state = np.zeros(len(coverage) + 3)
    h = 0.1
    for _ in range(int(sheets / h)):
        k1 = slope(state)
        k2 = slope(state + h / 2 * k1)
        k3 = slope(state + h / 2 * k2)
        k4 = slope(state + h * k3)
        state = state + h / 6 * (k1 + 2 * k2 + 2 * k3 + k4)
    return state[:-3], state[-3:]


def test_step_is_the_equation_and_loses_no_ink() -> None:
    """Step by step the train follows its equation, and what it holds is what was fed less returned and printed."""
    form, coverage = Train(), np.array([0.03, 0.5, 0.2, 0.6, 0.1])
    lag, fed_um = np.array([1.6, 1.0, 0.6, 1.2, 0.9]), np.array([8.0, 40.0, 12.0, 55.0, 10.0])
    train = RollerTrain(coverage, lag, 0.01, form)
    for _ in range(60):
        train.sheets(fed_um, ONE_SHEET, REFERENCE_SWEEP)
    film, (fed, back, printed) = integrate(train, form, coverage, fed_um, 60)
    np.testing.assert_allclose(train.film_um, film, rtol=1e-9)
    assert train.volume.sum() == pytest.approx(fed - back - printed, rel=1e-9)


def test_lag_slows_and_leaves_the_gain() -> None:
    """The lag factor of a zone multiplies its time constant and leaves its settled film alone."""
    lag = np.array([0.6, 1.0, 1.6])
    train = RollerTrain(np.full(3, 0.3), lag, 0.0, Train())
    np.testing.assert_allclose(train.tau_sheets(REFERENCE_SWEEP), 46.369 * lag, atol=2e-3)
    np.testing.assert_allclose(train.settled_film_um(np.ones(3), REFERENCE_SWEEP), 0.049737, atol=1e-6)


def test_long_run_settles_where_it_should() -> None:
    """After many lags the film is the settled film, whatever the sweep was before."""
    coverage = np.array([0.05, 0.4, 0.1, 0.6])
    train = RollerTrain(coverage, np.ones(4), 0.004, Train())
    fed_um = np.array([10.0, 30.0, 15.0, 40.0])
    for sweep_pct, sheets in ((50.0, 100), (30.0, 6000)):
        for _ in range(sheets):
            train.sheets(fed_um, ONE_SHEET, sweep_pct)
    np.testing.assert_allclose(train.film_um, train.settled_film_um(fed_um, 30.0), rtol=1e-9)


def test_no_sweep_feeds_nothing_and_takes_nothing_back() -> None:
    """With the sweep at 0 an inked train only loses what it prints, and a form without image keeps all."""
    train = RollerTrain(np.array([1e-12, 1e-12]), np.ones(2), 0.0, Train())
    train.volume = np.array([5.0, 7.0])
    train.sheets(np.array([50.0, 50.0]), ONE_SHEET, 0.0)
    np.testing.assert_allclose(train.volume, [5.0, 7.0], rtol=1e-9)


def test_oscillators_move_ink_but_make_none() -> None:
    """The lateral exchange conserves ink: a second difference with mirrored ends sums to nothing by column."""
    np.testing.assert_array_equal(second_difference(9).sum(axis=0), np.zeros(9))
    train = RollerTrain(np.full(9, 0.3), np.ones(9), 0.02, Train())
    film = train.settled_film_um(np.eye(9)[4] * 40.0, REFERENCE_SWEEP)
    assert film.sum() == pytest.approx(40.0 * GAIN[0.30], rel=1e-5)
    assert film[4] > film[5] > film[6] > 0.0


def test_absurdly_fast_train_is_refused() -> None:
    """Constants that would empty the rollers within a sheet are refused in words instead of computed badly."""
    train = RollerTrain(np.full(3, 1.0), np.full(3, 0.01), 0.0, Train())
    with pytest.raises(ValueError, match="rates = 5"):
        train.sheets(np.ones(3), ONE_SHEET, REFERENCE_SWEEP)
