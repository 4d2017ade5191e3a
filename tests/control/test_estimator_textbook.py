"""The estimator against a Kalman filter written here from the textbook, with dense algebra and no formula shared.

Kalman, "A new approach to linear filtering and prediction problems", J. Basic Eng. 82, 1960 (from memory).
Derivatives are taken by the complex step, covariances by full matrices, updates by matrix inversion.
"""

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from inksteward.config import Identification
from inksteward.control.estimator import Segment, advance, start
from inksteward.control.learning import Measured, new_sheet, update
from inksteward.model import Ink

PRIORS = Identification(gate=50.0)
TAU = np.array([30.0, 70.0, 140.0])
CYAN = Ink("C", 1.65, 2.10)
STRAIGHT = Ink("straight", 1e6, 1e-6)
"""Density is the film itself, up to a millionth: the filter is linear in its readings."""

Function = Callable[[np.ndarray], np.ndarray]


def jacobian(function: Function, at: np.ndarray) -> np.ndarray:
    """Exact derivatives by the complex step."""
    step = 1e-30
    columns = [function(at + 1j * step * np.eye(len(at))[k]).imag / step for k in range(len(at))]
    return np.array(columns).T


class Textbook:
    """Mean and covariance over (films, ln gains, ln lag, offset of the sheet)."""

    def __init__(self, fed: np.ndarray, filled: float, ink: Ink) -> None:
        n = self.n = len(fed)
        self.ink = ink
        self.x = np.concatenate((filled * fed, np.zeros(n + 2)))
        self.p = np.zeros((2 * n + 2, 2 * n + 2))
        self.p[:n, :n] = PRIORS.start_film**2 * np.outer(fed, fed) + np.diag(
            (PRIORS.start_film_zone * fed) ** 2
        )
        self.p[n : 2 * n, n : 2 * n] = PRIORS.gain_common**2 + PRIORS.gain_zone**2 * np.eye(n)
        self.p[-2, -2], self.p[-1, -1] = PRIORS.lag_common**2, PRIORS.sheet_offset**2

    def predict(self, fed: np.ndarray, sheets: float) -> None:
        """Time passes under constant feed."""
        n = self.n

        def moved(x: np.ndarray) -> np.ndarray:
            settled = np.exp(x[n : 2 * n]) * fed
            left = np.exp(-sheets / (TAU * np.exp(x[2 * n])))
            return np.concatenate((settled + left * (x[:n] - settled), x[n:]))

        f = jacobian(moved, self.x)
        noise = np.zeros_like(self.p)
        noise[:n, :n] = np.diag((PRIORS.film_noise * np.exp(self.x[n : 2 * n]) * fed) ** 2)
        noise[n : 2 * n, n : 2 * n] = PRIORS.gain_walk_common**2 + PRIORS.gain_walk_zone**2 * np.eye(n)
        self.x, self.p = moved(self.x).real, f @ self.p @ f.T + sheets * noise

    def see(self, patches: tuple[Measured, ...]) -> None:
        """All patches of one sheet at once, which has an offset of its own."""
        self.x[-1] = 0.0
        self.p[-1, :] = self.p[:, -1] = 0.0
        self.p[-1, -1] = PRIORS.sheet_offset**2

        def expected(x: np.ndarray) -> np.ndarray:
            films = np.array([sum(share * x[zone] for zone, share in patch.weights) for patch in patches])
            return self.ink.d_inf * (1.0 - np.exp(-self.ink.m * films)) + x[-1]

        h = jacobian(expected, self.x)
        gain = self.p @ h.T @ np.linalg.inv(h @ self.p @ h.T + np.diag([patch.sigma**2 for patch in patches]))
        keep = np.eye(len(self.x)) - gain @ h
        noise = np.diag([patch.sigma**2 for patch in patches])
        seen = np.array([patch.density for patch in patches])
        self.x = self.x + gain @ (seen - expected(self.x).real)
        self.p = keep @ self.p @ keep.T + gain @ noise @ gain.T


def both(ink: Ink, scans: Sequence[tuple[float, np.ndarray, tuple[Measured, ...]]]) -> tuple[np.ndarray, ...]:
    """Means and covariances of ours and of the textbook's after scans (sheet, feed up to it, patches)."""
    fed = scans[0][1]
    ours, book, last = start(fed, 0.0, 0.2, PRIORS), Textbook(fed, 0.2, ink), 0.0
    for sheet, fed, patches in scans:
        ours = advance(ours, TAU, (Segment(last, fed),), sheet, PRIORS)
        book.predict(fed, sheet - last)
        ours, gated = update(new_sheet(ours, PRIORS), patches, ink, PRIORS)
        assert gated == ()
        book.see(patches)
        last = sheet
    return ours.mean, ours.cov, book.x, book.p


def test_single_readings_over_a_run() -> None:
    """Ten scans of one patch each, some across two zones, feed changing: every mean and covariance is equal."""
    rng = np.random.default_rng(11)
    scans = []
    for number in range(10):
        fed = np.array([1.0, 0.9, 1.1]) * rng.uniform(0.9, 1.1)
        zone, share = int(rng.integers(0, 2)), float(rng.uniform(0.3, 1.0))
        patch = Measured(0, ((zone, share), (zone + 1, 1.0 - share)), float(rng.uniform(1.2, 1.5)), 0.017)
        scans.append((40.0 * (number + 1), fed, (patch,)))
    mean, cov, x, p = both(CYAN, scans)
    assert mean == pytest.approx(x, rel=1e-9, abs=1e-12)
    assert cov == pytest.approx(p, rel=1e-7, abs=1e-12)


def test_patch_by_patch_is_the_scan_at_once() -> None:
    """Taking a scan's patches in one by one gives what all at once give, where density is straight in film."""
    rng = np.random.default_rng(12)
    scans = []
    for number in range(6):
        fed = np.array([1.0, 0.9, 1.1]) * rng.uniform(0.9, 1.1)
        patches = tuple(
            Measured(k, ((k % 3, 0.7), ((k + 1) % 3, 0.3)), float(rng.normal(1.0, 0.03)), 0.02 + 0.01 * k)
            for k in range(5)
        )
        scans.append((60.0 * (number + 1), fed, patches))
    mean, cov, x, p = both(STRAIGHT, scans)
    assert mean == pytest.approx(x, rel=1e-5, abs=1e-6)
    assert cov == pytest.approx(p, rel=1e-4, abs=1e-8)
