"""One zone in a closed loop against python-control, scipy and a linear regression, none of which knows ours."""

import csv
from pathlib import Path

import control
import numpy as np
import pytest
from scipy.signal import lfilter
from simple_pid import PID

from inksteward.bench.fixed_gain import Gains
from inksteward.config import Identification
from inksteward.control.estimator import Estimate, Segment, advance, predict_film, start
from inksteward.control.learning import Measured, new_sheet, update
from inksteward.control.pi import interval_ratio, wanted_film
from inksteward.model import Ink

DATA = Path(__file__).parent / "data"
STRAIGHT = Ink("straight", 1e6, 1e-6)
"""Density is the film itself, up to a millionth."""
# A first-order process with dead time under a PI in velocity form, backward Euler, unit step of the set point:
# invented numbers, the response computed with python-control 0.10.2 (data/README.md).
GAIN, LAG, SAMPLE, DELAY, KP, TI = 1.2, 40.0, 10.0, 3, 0.35, 35.0


def table(name: str) -> np.ndarray:
    """The numbers of a reference file, one row a line."""
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return np.array([[float(cell) for cell in row] for row in list(csv.reader(file))[1:]])


def one_zone(film_um: float, ln_gain: float) -> Estimate:
    """An estimate that knows film and gain of its one zone."""
    return Estimate(0.0, np.array([film_um, ln_gain, 0.0, 0.0]), np.zeros((4, 4)), (0,))


def process(inputs: list[float], sheet: float) -> float:
    """Film of the zone at a sheet under feeds that were set every ``SAMPLE`` sheets and arrive after the delay."""
    arrive = [Segment(SAMPLE * (k + DELAY), np.array([u])) for k, u in enumerate(inputs)]
    history = (Segment(-1.0, np.zeros(1)), *arrive)
    return float(predict_film(one_zone(0.0, np.log(GAIN)), np.array([LAG]), history, sheet)[0])


def test_our_process_under_a_textbook_pi() -> None:
    """The film model under a PI with fixed gains follows python-control's closed loop to 1e-9, film and feed."""
    reference = table("pi_fopdt_reference.csv")
    inputs: list[float] = []
    last_error = 0.0
    for k, y, u in reference:
        film = process(inputs, SAMPLE * k)
        error = 1.0 - film
        inputs.append((inputs[-1] if inputs else 0.0) + KP * (error - last_error + SAMPLE / TI * error))
        last_error = error
        assert film == pytest.approx(y, abs=1e-9)
        assert inputs[-1] == pytest.approx(u, abs=1e-9)


def test_our_process_under_the_rivals_pid() -> None:
    """The rival's PID with the same gains is the textbook's: it drives our film model along the same curve."""
    reference = table("pi_fopdt_reference.csv")
    gains = Gains(KP, KP / TI)
    pid = PID(gains.kp, gains.ki, gains.kd, setpoint=1.0, sample_time=None)
    inputs: list[float] = []
    for k, y, u in reference:
        film = process(inputs, SAMPLE * k)
        inputs.append(float(pid(film, dt=SAMPLE) or 0.0))
        assert film == pytest.approx(y, abs=1e-9)
        assert inputs[-1] == pytest.approx(u, abs=1e-9)


def test_open_loop_by_two_programs() -> None:
    """Film under steps of the feed is what python-control and scipy's filter give for the sampled process."""
    rng = np.random.default_rng(8)
    feeds = rng.uniform(0.2, 1.5, 40)
    ours = [process(feeds.tolist(), SAMPLE * k) for k in range(40)]
    sampled = control.c2d(control.tf([GAIN], [LAG, 1.0]), SAMPLE, method="zoh")
    delayed = sampled * control.tf([1.0], [1.0] + [0.0] * DELAY, SAMPLE)
    response = control.forced_response(delayed, T=SAMPLE * np.arange(40), U=feeds)
    assert ours == pytest.approx(np.squeeze(response.outputs), abs=1e-9)
    keep = float(np.exp(-SAMPLE / LAG))
    filtered = lfilter([0.0] * (DELAY + 1) + [GAIN * (1.0 - keep)], [1.0, -keep], feeds)
    assert ours == pytest.approx(filtered, abs=1e-9)


@pytest.mark.parametrize("share", [0.25, 0.5, 1.0, 1.5])
@pytest.mark.parametrize("interval", [5.0, 40.0, 200.0])
def test_our_law_is_a_linear_loop(share: float, interval: float) -> None:
    """Known gain, no delay: a step of the aim is followed as python-control's loop of C(z) and P(z) follows it.

    C(z) = R (1 - phi/z)/(1 - 1/z), P(z) = (1 - phi)/(z - phi) (derived here); its pole is exp(-H/lambda).
    """
    phi = float(np.exp(-interval / LAG))
    ratio = interval_ratio(interval, np.array([share * LAG]), np.array([LAG]))
    law = control.tf([float(ratio[0]), -float(ratio[0]) * phi], [1.0, -1.0], interval)
    plant = control.tf([1.0 - phi], [1.0, -phi], interval)
    closed = control.feedback(control.minreal(law * plant, verbose=False), 1.0)
    response = control.forced_response(closed, T=interval * np.arange(30), U=np.full(30, 0.3))
    film, ours = 1.0, []
    for _ in range(30):
        ours.append(film - 1.0)
        settled = float(wanted_film(np.array([film]), np.array([1.3]), ratio)[0])
        film = settled + phi * (film - settled)
    assert ours == pytest.approx(np.squeeze(response.outputs), abs=1e-9)
    poles = np.abs(control.poles(closed))
    assert poles.max() == pytest.approx(np.exp(-interval / (share * LAG)), abs=1e-9)


@pytest.mark.parametrize("supposed_lag", [25.0, 60.0, 80.0])
def test_identification_against_a_regression(supposed_lag: float) -> None:
    """The estimator finds gain and lag of a sampled process as least squares do, from a wrong lag and gain.

    300 samples of y = a y(-1) + b u(-4) + noise (data/README.md), lifted above 0 by 3 of input as films are.
    """
    _, u, y = table("arx_reference.csv").T
    a, b = np.linalg.lstsq(np.column_stack((y[3:-1], u[:-4])), y[4:], rcond=None)[0]
    assert (a, b) == pytest.approx((0.7788409939979, 0.2660942013789), abs=1e-9)
    gain, lag = b / (1.0 - a), -SAMPLE / np.log(a)
    priors = Identification(
        gain_walk_common=0.0, gain_walk_zone=0.0, film_noise=0.0015, gate=50.0, sheet_offset=1e-6
    )
    feeds = [Segment(SAMPLE * (k + DELAY), np.array([value + 3.0])) for k, value in enumerate(u)]
    history = (Segment(-1.0, np.array([3.0])), *feeds)
    estimate = start(np.array([2.0]), 0.0, (y[0] + 3.6) / 2.0, priors)
    for k in range(1, len(y)):
        recent = tuple(segment for segment in history if segment.sheet <= SAMPLE * k)[-2:]
        estimate = advance(estimate, np.array([supposed_lag]), recent, SAMPLE * k, priors)
        patch = Measured(0, ((0, 1.0),), float(y[k]) + 3.6, 0.02)
        estimate, gated = update(new_sheet(estimate, priors), (patch,), STRAIGHT, priors)
        assert gated == ()
    assert np.exp(estimate.ln_gain[0]) == pytest.approx(gain, rel=0.01)
    assert supposed_lag * np.exp(estimate.ln_lag) == pytest.approx(lag, rel=0.02)
