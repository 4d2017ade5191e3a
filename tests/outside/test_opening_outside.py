"""Openings and what past jobs teach, beside scipy, statsmodels, the exact roller train and certified values.

The train: steady serial film drops of a train of 13 rollers, 0.22 m each, films split in halves at every nip (e.g.
MacPhee, Fundamentals of Lithographic Printing, 1998, from memory): film wanted on the fountain roller for 1 um on the
paper ``h_k = a Li/beta + 4.5 + 6.5 (Li/Lp) a`` with Li 0.70 m, Lp 0.85 m, beta 0.015 m: 7.10098, 20.105882, 56.519608
um at a = 0.05, 0.3, 1 (computed here once from the exact matrix of the train, and by hand from the formula).
"""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, stats

from inksteward.control import inversion
from inksteward.control.inversion import Asked, ends_um, gaps_at
from inksteward.control.plant import BAR_COVERAGE, plant
from inksteward.opening_model.fitting import alike, fit, fit_jobs, student
from tests.control.situations import unit_of

DATA = Path(__file__).parent / "data"
TRAIN = ((0.05, 7.10098), (0.3, 20.105882), (1.0, 56.519608))


def asked(blade: str, coverage: np.ndarray, film_um: float, **tables: object) -> Asked:
    """A job on a unit with 300 um of travel."""
    n = len(coverage)
    unit = unit_of(blade, n, travel_um=300.0, **tables)
    shares = tuple(float(a) for a in coverage)
    return Asked(unit, shares, np.full(n, film_um), np.zeros(n), np.ones(n, dtype=bool), 1e6)


@pytest.mark.parametrize(("coverage", "film_on_roller"), TRAIN)
def test_even_coverage_is_the_exact_train(coverage: float, film_on_roller: float) -> None:
    """With the same coverage everywhere the gap is what the exact train needs: the film on the fountain roller over the
    metering of a half (parallel blade, lubrication theory: Middleman 1977, from memory).
    """
    share = coverage - BAR_COVERAGE
    case = asked("segmented", np.full(8, share), 1.0, min_gap_um=5.5, calibration={"uncertainty_um": 0.5})
    found = gaps_at(case, case.unit.sweep.reference_pct)
    assert found is not None
    assert found.gaps_um == pytest.approx([2.0 * film_on_roller] * 8, rel=2e-4)


@pytest.mark.parametrize("seed", range(8))
def test_gaps_are_those_of_bounded_least_squares(seed: int) -> None:
    """Between the ends of the keys the gaps are scipy's: lsq_linear over the very same squares, keys at their ends
    included; and nnls where only the least gap binds.
    """
    rng = np.random.default_rng(seed)
    coverage = rng.choice([0.01, 0.05, 0.2, 0.6, 1.0], 16)
    case = replace(asked("segmented", coverage, 1.0), ln_gain=rng.uniform(-0.3, 0.3, 16))
    found = gaps_at(case, float(rng.choice([12.0, 40.0, 90.0])))
    assert found is not None
    gain = np.exp(case.ln_gain)
    alike_um = 1.0 / (gain * found.plant.interaction.sum(axis=1))
    film = gain[:, None] * found.plant.interaction * alike_um
    steps = np.sqrt(inversion.RHO) * np.diff(np.eye(16), axis=0)
    rows = np.vstack((film, steps, np.sqrt(inversion.EPS) * np.eye(16)))
    right = np.concatenate((np.ones(16), np.zeros(15), np.full(16, np.sqrt(inversion.EPS))))
    low, high = (ends / alike_um for ends in ends_um(case.unit))
    u = optimize.lsq_linear(rows, right, (low, high), method="bvls", tol=1e-14).x
    assert found.gaps_um / alike_um == pytest.approx(u, abs=1e-6)
    if np.all(u < high - 1e-9):
        above, _ = optimize.nnls(rows, right - rows @ low)
        assert found.gaps_um / alike_um == pytest.approx(low + above, abs=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_spring_blades_beside_another_solver(seed: int) -> None:
    """With the rows of a spring blade the least squares come to what scipy's SLSQP finds, and keep the rows."""
    rng = np.random.default_rng([seed, 1])
    coverage = np.clip(0.3 + 0.25 * np.sin(np.arange(10) / 2.0 + seed), 0.03, 1.0)
    case = replace(asked("spring", coverage, 1.0), adjacent_um=float(rng.choice([15.0, 40.0])))
    found = gaps_at(case, 25.0)
    assert found is not None
    matrix, least = inversion._places(case.unit)
    low, high = ends_um(case.unit)
    assert np.all(matrix @ found.gaps_um >= least - 1e-6)
    assert np.abs(np.diff(found.gaps_um)).max() <= case.adjacent_um + 1e-6
    alike_um = 1.0 / found.plant.interaction.sum(axis=1)

    def squares(u: np.ndarray) -> float:
        film = found.plant.interaction @ (u * alike_um) - 1.0
        return float(
            film @ film + inversion.RHO * np.sum(np.diff(u) ** 2) + inversion.EPS * np.sum((u - 1.0) ** 2)
        )

    constraints = [
        {"type": "ineq", "fun": lambda u: (matrix @ (u * alike_um) - least) / 100.0},
        {"type": "ineq", "fun": lambda u: (case.adjacent_um - np.diff(u * alike_um)) / 100.0},
        {"type": "ineq", "fun": lambda u: (case.adjacent_um + np.diff(u * alike_um)) / 100.0},
    ]
    other = optimize.minimize(
        squares, np.clip(np.ones(10), low / alike_um, high / alike_um), method="SLSQP",
        bounds=list(zip(low / alike_um, high / alike_um, strict=True)), constraints=constraints,
        options={"ftol": 1e-14, "maxiter": 500},
    )  # fmt: skip
    ours = squares(found.gaps_um / alike_um)
    assert ours <= squares(other.x) + 1e-7


def test_the_sum_of_zones_is_what_their_keys_feed() -> None:
    """Whatever the distribution, ink is neither made nor lost between zones: what is printed and carried back is what
    all keys meter (the balance that the model solves, checked from outside by sums).
    """
    coverage = (0.02, 0.9, 0.1, 0.4, 0.4, 0.05, 0.7, 0.3)
    unit = unit_of("segmented", 8)
    model, train = plant(unit, coverage, 40.0), unit.train
    a = np.array(coverage) + BAR_COVERAGE
    drain = a * train.image_m + train.beta_m * (train.c0 + train.c1 * a)
    gaps = np.linspace(20.0, 120.0, 8)
    assert drain @ (model.interaction @ gaps) == pytest.approx(
        train.beta_m * train.metering * gaps.sum(), rel=1e-9
    )


def norris() -> tuple[np.ndarray, np.ndarray]:
    """x with its constant, and y."""
    rows = list(csv.DictReader((DATA / "nist_strd_norris.csv").read_text("utf-8").splitlines()))
    x = np.array([float(row["x"]) for row in rows])
    return np.stack((np.ones(36), x), axis=1), np.array([float(row["y"]) for row in rows])


def test_certified_regression() -> None:
    """NIST Statistical Reference Datasets, Norris (linear, 36 rows), certified: B0 -0.262323073774029, sd
    0.232818234301152; B1 1.00211681802045, sd 0.429796848199937E-03; residual sd 0.884796396144373 (coefficients from
    the data's files; the three standard deviations from memory, and statsmodels agrees).
    """
    x, y = norris()
    found = fit(x, y)
    assert found.coefficients == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-10)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(
        [0.232818234301152, 0.429796848199937e-3], rel=1e-9
    )
    assert found.sigma == pytest.approx(0.884796396144373, rel=1e-10)
    assert found.freedom == 34


def test_prediction_intervals_are_those_of_statsmodels() -> None:
    """Coefficients, covariance and 90 % prediction intervals of new rows are statsmodels' OLS."""
    x, y = norris()
    found, theirs = fit(x, y), sm.OLS(y, x).fit()
    assert found.covariance == pytest.approx(theirs.cov_params(), rel=1e-8)
    new = np.array([[1.0, 0.0], [1.0, 500.0], [1.0, 2000.0]])
    frame = theirs.get_prediction(new).conf_int(obs=True, alpha=0.1)
    half = student(0.9, found.freedom) * np.sqrt(
        found.sigma**2 + np.einsum("ij,jk,ik->i", new, found.covariance, new)
    )
    middle = new @ found.coefficients
    assert np.stack((middle - half, middle + half), axis=1) == pytest.approx(frame, rel=1e-8)


def test_ridge_is_that_of_statsmodels() -> None:
    """With a ridge the coefficients are statsmodels' (L2 penalty r/n over the slopes, none over the constant); without,
    they are ordinary least squares.
    """
    rng = np.random.default_rng(3)
    x = np.column_stack((np.ones(40), rng.normal(size=(40, 2))))
    y = x @ [0.2, -0.5, 1.0] + 0.1 * rng.normal(size=40)
    for ridge in (0.0, 1.0, 25.0):
        theirs = sm.OLS(y, x).fit_regularized(alpha=np.array([0.0, ridge, ridge]) / 40.0, L1_wt=0.0).params
        assert fit(x, y, ridge).coefficients == pytest.approx(theirs, rel=1e-8)


def test_students_quantiles() -> None:
    """Two-sided 90 %: 6.313752, 2.919986, 2.353363, 1.812461 for 1, 2, 3, 10 degrees of freedom (standard tables, from
    memory); towards many, the normal distribution's 1.644854.
    """
    for freedom, value in ((1, 6.313752), (2, 2.919986), (3, 2.353363), (10, 1.812461), (10**7, 1.644854)):
        assert student(0.9, freedom) == pytest.approx(value, abs=2e-6)


def test_jobs_of_many_zones_tell_less() -> None:
    """Zones of a job share its oddity: their correlation is statsmodels' and scipy's analysis of variance; intervals of
    a new job hold in about nine of ten drawn jobs, where those of zones taken for independent hold in far fewer.
    """
    rng = np.random.default_rng(11)
    jobs = np.repeat(np.arange(6), 20)
    rest = rng.normal(size=6)[jobs] * 0.3 + rng.normal(size=120) * 0.2
    groups = [rest[jobs == job] for job in range(6)]
    f = stats.f_oneway(*groups).statistic
    assert alike(rest, jobs) == pytest.approx((f - 1.0) / (f + 19.0), rel=1e-9)
    hits = [0, 0]
    for _ in range(400):
        shift = rng.normal(size=7) * 0.15
        x = np.stack((np.ones(120), rng.uniform(-1.0, 1.0, 120)), axis=1)
        y = shift[jobs] + 0.1 * x[:, 1] + rng.normal(size=120) * 0.05
        at, new = np.array([1.0, 0.4]), shift[6] + 0.1 * 0.4 + rng.normal() * 0.05
        for which, found in enumerate((fit_jobs(x, y, jobs, 1.0), fit(x, y, 1.0))):
            half = student(0.9, found.freedom) * np.sqrt(found.sigma**2 + at @ found.covariance @ at)
            hits[which] += int(abs(at @ found.coefficients - new) <= half)
    assert 0.85 <= hits[0] / 400 <= 0.96
    assert hits[1] / 400 < 0.85
