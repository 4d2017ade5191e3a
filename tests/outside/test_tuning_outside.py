"""The limits of our law against published tuning rules, and the robustness that these promise.

IMC: Rivera, Morari and Skogestad, "Internal model control 4: PID controller design", Ind. Eng. Chem. Process
Des. Dev. 25, 1986. SIMC: Skogestad, "Simple analytic rules for model reduction and PID controller tuning",
J. Process Control 13, 2003. Rules and printed values from memory; those marked (c) were computed here once.
"""

import control
import numpy as np
import pytest

from inksteward.control.pi import interval_ratio

FREQUENCIES = np.logspace(-3, 2.5, 40_000)


def dense_pi(lag: float, wanted: float) -> tuple[float, float]:
    """Gain (for a process gain of 1) and integral time of our law as scans become dense.

    du = R (e - phi e_before) = Kc (de + H/Ti e) with Kc = R phi and Ti = H phi/(1 - phi) (derived here).
    """
    interval = 1e-5 * min(lag, wanted)
    ratio = float(interval_ratio(interval, np.array([wanted]), np.array([lag]))[0])
    phi = float(np.exp(-interval / lag))
    return ratio * phi, interval * phi / (1.0 - phi)


def loop(kc: float, ti: float, process: control.TransferFunction, dead_time: float) -> np.ndarray:
    """Frequency response of PI times process, the dead time exact."""
    s = 1j * FREQUENCIES
    return kc * (1.0 + 1.0 / (ti * s)) * process(s) * np.exp(-dead_time * s)


def robustness(response: np.ndarray) -> tuple[float, float, float]:
    """Gain margin, phase margin in degrees, peak of the sensitivity."""
    phase, size = np.unwrap(np.angle(response)), np.abs(response)
    at_180 = np.flatnonzero((phase[:-1] > -np.pi) & (phase[1:] <= -np.pi))[0]
    at_one = np.flatnonzero((size[:-1] > 1.0) & (size[1:] <= 1.0))[0]
    margin_deg = 180.0 + float(np.degrees(phase[at_one]))
    return 1.0 / float(size[at_180]), margin_deg, float(np.max(1.0 / np.abs(1.0 + response)))


@pytest.mark.parametrize("lag", [20.0, 46.369, 155.757])
@pytest.mark.parametrize("share", [0.25, 0.5, 1.0])
def test_dense_scans_are_the_imc_pi(lag: float, share: float) -> None:
    """Without dead time the IMC-PI has Kc = tau/lambda and Ti = tau (Rivera et al. 1986): so has our law."""
    kc, ti = dense_pi(lag, share * lag)
    assert kc == pytest.approx(1.0 / share, rel=1e-4)
    assert ti == pytest.approx(lag, rel=1e-4)


# K Kc = (2 tau + theta)/(2 lambda), Ti = tau + theta/2 for tau 4, theta 1 (Rivera et al. 1986); Ms (c).
@pytest.mark.parametrize(
    ("wanted", "gain", "ms"), [(1.7, 2.6471, 1.875), (2.0, 2.25, 1.677), (3.0, 1.5, 1.389)]
)
def test_improved_pi_for_dead_time(wanted: float, gain: float, ms: float) -> None:
    """With half of the dead time added to the lag our law is the improved PI, with its peak of the sensitivity."""
    kc, ti = dense_pi(4.0 + 0.5, wanted)
    assert kc == pytest.approx(gain, rel=1e-4)
    assert ti == pytest.approx(4.5, rel=1e-4)
    assert robustness(loop(kc, ti, control.tf([1.0], [4.0, 1.0]), 1.0))[2] == pytest.approx(ms, abs=2e-3)


@pytest.mark.parametrize("lag", [1.0, 4.0, 8.0])
def test_simc_with_its_recommended_lag(lag: float) -> None:
    """SIMC with tau_c = theta wants Kc = tau/(2 theta), Ti = tau: gain margin 3.14, phase margin 61.4, Ms 1.59."""
    kc, ti = dense_pi(lag, 2.0)
    assert kc == pytest.approx(lag / 2.0, rel=1e-4)
    gm, pm, ms = robustness(loop(kc, ti, control.tf([1.0], [lag, 1.0]), 1.0))
    assert gm == pytest.approx(3.14, abs=0.01)
    assert pm == pytest.approx(61.4, abs=0.1)
    assert ms == pytest.approx(1.59, abs=0.005)


def e2() -> control.TransferFunction:
    """Example E2 of Skogestad 2003."""
    s = control.tf("s")
    slow = (2 * s + 1) * (s + 1) * (0.4 * s + 1) * (0.2 * s + 1) * (0.05 * s + 1) ** 3
    return (-0.3 * s + 1) * (0.08 * s + 1) / slow


def e3() -> control.TransferFunction:
    """Example E3 of Skogestad 2003."""
    s = control.tf("s")
    return 2 * (15 * s + 1) / ((20 * s + 1) * (s + 1) * (0.1 * s + 1) ** 2)


# Effective gain, lag and dead time by the half rule, then Kc, Ti and Ms as printed (Skogestad 2003).
@pytest.mark.parametrize(
    ("process", "gain", "lag", "dead_time", "kc", "ti", "ms"),
    [(e2(), 1.0, 2.5, 1.47, 0.85, 2.5, 1.66), (e3(), 1.5, 1.05, 0.15, 2.33, 1.05, 1.55)],
    ids=["E2", "E3"],
)
def test_half_rule_examples(
    process: control.TransferFunction,
    gain: float,
    lag: float,
    dead_time: float,
    kc: float,
    ti: float,
    ms: float,
) -> None:
    """On higher-order processes our law in the limit has the printed settings and the printed robustness."""
    got_kc, got_ti = dense_pi(lag, 2.0 * dead_time)
    assert got_kc / gain == pytest.approx(kc, abs=0.005)
    assert got_ti == pytest.approx(ti, rel=1e-3)
    # the processes are given in full: the dead time is in their own poles and zeros
    assert robustness(loop(got_kc / gain, got_ti, process, 0.0))[2] == pytest.approx(ms, abs=0.01)


@pytest.mark.parametrize(
    ("share", "interval_lags"), [(0.5, 0.05), (0.5, 1.0), (0.5, 5.0), (0.25, 0.3), (1.0, 2.0)]
)
def test_sampled_loop_has_the_wanted_pole(share: float, interval_lags: float) -> None:
    """At any distance of scans the loop's one pole is exp(-H/lambda): neither sparse nor dense scans unsettle it."""
    lag = 60.0
    interval = interval_lags * lag
    phi = float(np.exp(-interval / lag))
    ratio = float(interval_ratio(interval, np.array([share * lag]), np.array([lag]))[0])
    through = control.tf([ratio * (1.0 - phi)], [1.0, -1.0], interval)
    (pole,) = control.poles(control.feedback(through, 1.0))
    assert pole.real == pytest.approx(np.exp(-interval / (share * lag)), abs=1e-9)
    most = 2.0 / (ratio * (1.0 - phi))
    assert most > 2.0
    for factor, stable in ((0.999, True), (1.001, False)):
        (edge,) = control.poles(control.feedback(most * factor * through, 1.0))
        assert bool(abs(edge) < 1.0) is stable
