"""Ridge regression with prediction intervals, for few jobs of many zones each.

For features X (rows x columns), answers y and ridge r: b = (X'X + R)^-1 X'y with R = diag(0, r, r, ...): the constant
is never held back. With r = 0 ordinary least squares: sigma^2 = residuals' squares / (n - p), covariance
sigma^2 (X'X)^-1, prediction interval b'x +- t sqrt(sigma^2 + x'Vx) (e.g. Draper and Smith,
Applied Regression Analysis, from memory).
With r > 0 the covariance is sigma^2 (X'X + R)^-1, as if r stood for what was known before (Bayes, from memory).

Zones of one job share what was odd about that job, so they tell less than as many zones of different jobs: covariances
are multiplied by the design effect 1 + (m - 1) rho, m zones a job, rho their correlation within a job by the one-way
analysis of variance (Kish, Survey Sampling, 1965, from memory), and t has one degree of freedom fewer than there are
jobs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Fit:
    """Coefficients, their covariance, standard deviation of one more row beside it, degrees of freedom."""

    coefficients: Array
    covariance: Array
    sigma: float
    freedom: int


def fit(features: Array, answers: Array, ridge: float = 0.0) -> Fit:
    """Regression of independent rows. Raises ValueError unless there are more rows than columns, finite all, and (with
    ridge 0) columns that tell each other apart.
    """
    n, p = features.shape
    if n <= p:
        raise ValueError(f"{n} rows for {p} coefficients: more rows than coefficients were expected")
    if not (np.all(np.isfinite(features)) and np.all(np.isfinite(answers))):
        raise ValueError("features and answers: finite numbers were expected")
    held = np.sqrt(ridge) * np.eye(p)[1:]
    q, r = np.linalg.qr(np.concatenate((features, held)))
    if np.min(np.abs(np.diag(r))) < 1e-12 * np.max(np.abs(np.diag(r))):
        raise ValueError("features: columns that tell each other apart were expected")
    inverse = np.linalg.solve(r, np.eye(p))
    coefficients = inverse @ (q.T @ np.concatenate((answers, np.zeros(p - 1))))
    rest = answers - features @ coefficients
    variance = float(rest @ rest) / (n - p)
    return Fit(coefficients, variance * (inverse @ inverse.T), float(np.sqrt(variance)), n - p)


def fit_jobs(features: Array, answers: Array, jobs: NDArray[np.intp], ridge: float) -> Fit:
    """Regression of zones (rows) of jobs (numbers from 0), see the head of this file. Raises ValueError for fewer than
    two jobs and as ``fit`` does.
    """
    count = int(np.max(jobs)) + 1
    if count < 2:
        raise ValueError("zones of one job: two jobs or more were expected")
    plain = fit(features, answers, ridge)
    sizes = np.bincount(jobs, minlength=count)
    effect = 1.0 + max(float(np.mean(sizes)) - 1.0, 0.0) * alike(
        answers - features @ plain.coefficients, jobs
    )
    return Fit(plain.coefficients, plain.covariance * effect, plain.sigma, count - 1)


def alike(rest: Array, jobs: NDArray[np.intp]) -> float:
    """Correlation of residuals within a job, 0..1: (MSB - MSW) / (MSB + (m - 1) MSW) of the one-way analysis of
    variance; m the number of zones a job, corrected for jobs of unequal size (Donner 1986, from memory)."""
    sizes = np.bincount(jobs)
    count, n = sizes.shape[0], rest.shape[0]
    if n <= count:
        return 0.0
    means = np.bincount(jobs, rest) / sizes
    between = float(np.sum(sizes * (means - np.mean(rest)) ** 2)) / (count - 1)
    within = float(np.sum((rest - means[jobs]) ** 2)) / (n - count)
    size = (n - float(np.sum(sizes * sizes)) / n) / (count - 1)
    below = between + (size - 1.0) * within
    return 0.0 if below <= 0.0 else min(max((between - within) / below, 0.0), 1.0)


def student(confidence: float, freedom: int) -> float:
    """Student's t so that so much of the distribution lies between -t and t.

    Raises ImportError with what to install where scipy is missing.
    """
    try:
        from scipy import stats  # the extra `fit`: the service evaluates what was fitted and needs none of it
    except ImportError as error:
        raise ImportError("scipy is missing: pip install inksteward[fit]") from error
    distribution: Any = stats.t
    return float(distribution.ppf(0.5 + confidence / 2.0, freedom))
