"""The one-capacitance roller train against the analytic time constant and against thirteen single rollers.

Equal film splitting at every nip: e.g. Mill, "An experimental and theoretical study of the behaviour of ink on a
press", 1961; MacPhee, Fundamentals of Lithographic Printing, 1998 (both from memory). The train of thirteen
rollers of 0.22 m and its numbers are derived here: constructed, not measured on a press.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import eigvals

from inksteward.control.plant import BAR_COVERAGE, Plant, plant
from inksteward_simulators.press.train import RollerTrain
from inksteward_simulators.scenario_forms import Train
from tests.control.situations import each, unit_of

TRAVEL_M, IMAGE_M, BETA_M, ROLLER_M = 0.85, 0.70, 0.015, 0.22
D1, T1, O1, T2, O2, T3, O3, F1, F2, F3, F4, R1, R2 = range(13)
NIPS = [
    (D1, T1), (T1, O1), (O1, T2), (T2, O2), (O1, T3), (T3, O3),
    (O2, F1), (O2, F2), (O3, F3), (O3, F4), (O1, R1), (O2, R2),
]  # fmt: skip
FORMS = (F1, F2, F3, F4)
ONE_SHEET = np.ones(1)


def rollers(coverage: float) -> np.ndarray:
    """dh/dn of thirteen rollers without feed; plate and blanket hold no ink of their own.

    Each nip passes (travel/2)(h_i - h_j) a sheet; form to plate and plate to blanket the same over the image's
    share of it; the paper takes half of what the blanket carries.
    """
    rates = np.zeros((13, 13))
    for i, j in NIPS:
        for here, there in ((i, j), (j, i)):
            rates[here, here] -= TRAVEL_M / 2.0
            rates[here, there] += TRAVEL_M / 2.0
    rates[D1, D1] -= BETA_M
    # y = mean form film / 4.5: 2 y on the blanket, 2 y from plate to blanket, half a y from four forms to the plate
    touch = coverage * IMAGE_M / 2.0
    for form in FORMS:
        rates[form, form] -= touch
        for other in FORMS:
            rates[form, other] += touch * 4.0 / (4.5 * 4.0)
    return rates / ROLLER_M


def settled_gain(coverage: float) -> float:
    """Film on paper per film on the fountain roller, of thirteen rollers."""
    feed = np.zeros(13)
    feed[D1] = BETA_M / ROLLER_M
    films = np.linalg.solve(-rollers(coverage), feed)
    return float(np.mean(films[list(FORMS)])) / 4.5


def ours(coverage: float) -> Plant:
    """Our model of one zone by itself, the colour bar's own solid already in the coverage."""
    return plant(unit_of(zones=3, train={"kappa": 0.0}), each(coverage - BAR_COVERAGE, 3))


@pytest.mark.parametrize("coverage", [0.02, 0.05, 0.10, 0.30, 0.50, 0.80, 1.00])
def test_gain_is_that_of_thirteen_rollers(coverage: float) -> None:
    """Film per film fed is exactly what the thirteen rollers settle at."""
    metered = ours(coverage).interaction[1, 1] / 0.5
    assert metered == pytest.approx(settled_gain(coverage), rel=1e-6)


@pytest.mark.parametrize("coverage", [0.02, 0.05, 0.10, 0.30, 0.50, 0.80, 1.00])
def test_lag_is_near_that_of_thirteen_rollers(coverage: float) -> None:
    """One capacitance with the same ink is as slow as the slowest mode of thirteen rollers, to 8 %."""
    slowest = -1.0 / np.max(eigvals(rollers(coverage)).real)
    assert slowest == pytest.approx(ours(coverage).tau_sheets[1], rel=0.08)


def simulated(coverage: float, sweep_pct: float = 50.0, kappa: float = 0.0, zones: int = 1) -> RollerTrain:
    """The simulator's train with the same constants."""
    return RollerTrain(np.full(zones, coverage), np.ones(zones), kappa, Train())


@pytest.mark.parametrize("coverage", [0.02, 0.1, 0.3, 1.0])
@pytest.mark.parametrize("lags", [0.5, 1.0, 3.0])
def test_step_response_of_the_simulated_train(coverage: float, lags: float) -> None:
    """A washed-up zone fills as 1 - exp(-n/tau), tau = (s0 + s1 a)/(a L + beta (c0 + c1 a))."""
    train, form = simulated(coverage), Train()
    drain = coverage * form.image_m + form.beta_ref_m * (form.c0 + form.c1 * coverage)
    tau = (form.s0_m + form.s1_m * coverage) / drain
    sheets = round(lags * tau)
    for _ in range(sheets):
        train.sheets(np.array([20.0]), ONE_SHEET, 50.0)
    settled = form.beta_ref_m * 20.0 / drain
    assert train.film_um[0] == pytest.approx(settled * -np.expm1(-sheets / tau), rel=1e-9)
    assert train.settled_film_um(np.array([20.0]), 50.0)[0] == pytest.approx(settled, rel=1e-12)


@pytest.mark.parametrize("coverage", [0.02, 0.1, 0.3, 1.0])
def test_model_and_simulator_have_the_same_lag(coverage: float) -> None:
    """What the service believes of a zone is what the simulated press does, where both have the same constants."""
    assert ours(coverage).tau_sheets[1] == pytest.approx(simulated(coverage).tau_sheets(50.0)[0], rel=1e-6)


def test_sharing_zones_by_a_general_integrator() -> None:
    """Four zones that share ink follow scipy's integrator through a change of the feed."""
    coverage, kappa, form = np.array([0.05, 0.5, 0.2, 0.9]), 0.01, Train()
    train = RollerTrain(coverage, np.ones(4), kappa, form)
    storage = form.s0_m + form.s1_m * coverage
    drain = coverage * form.image_m + form.beta_ref_m * (form.c0 + form.c1 * coverage)

    def slope(_: float, film: np.ndarray, metered: np.ndarray) -> np.ndarray:
        volume = storage * film
        flow = np.diff(volume)
        sideways = kappa * (np.append(flow, 0.0) - np.append(0.0, flow))
        return (form.beta_ref_m * metered - drain * film + sideways) / storage

    film = np.zeros(4)
    for metered in (np.array([10.0, 40.0, 20.0, 50.0]), np.array([12.0, 35.0, 30.0, 45.0])):
        film = solve_ivp(slope, (0.0, 80.0), film, args=(metered,), rtol=1e-10, atol=1e-12).y[:, -1]
        for _ in range(80):
            train.sheets(metered, ONE_SHEET, 50.0)
    assert train.film_um == pytest.approx(film, rel=1e-7)
