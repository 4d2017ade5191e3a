"""From lessons to the model file: one regression for each ink of each unit."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from inksteward.config.opening_forms import model_of
from inksteward.config.settings import OpeningModel
from inksteward.opening_model.fitting import Fit, fit_jobs, student
from inksteward.opening_model.lessons import Lesson

CONFIDENCE, OFFSET, RIDGE = 0.9, 0.05, 1.0
"""The ridge weighs the two slopes as much as one zone whose ln coverage, or whose film in um, lies 1 off the mean."""
DIGITS = 12
LEAST_TO_FIT = 2


def model_data(lessons: Iterable[Lesson]) -> dict[str, Any]:
    """Content of the model file. A run counts once for each ink of a unit, with its last lesson; an ink of which there
    is one job only has no spread to learn and is left out.
    """
    groups: dict[tuple[str, str], dict[str, Lesson]] = {}
    for lesson in lessons:
        groups.setdefault((lesson.unit, lesson.ink), {})[lesson.run_id] = lesson
    rows = [
        _row(unit, ink, list(jobs.values()))
        for (unit, ink), jobs in sorted(groups.items())
        if len(jobs) >= LEAST_TO_FIT
    ]
    return {
        "form": "inksteward-opening", "version": 1, "confidence": CONFIDENCE, "offset": OFFSET, "lessons": rows,
    }  # fmt: skip


def model_from(lessons: Iterable[Lesson]) -> OpeningModel:
    """The same as the core has it."""
    return model_of(model_data(lessons))


def _row(unit: str, ink: str, jobs: list[Lesson]) -> dict[str, Any]:
    coverage = np.concatenate([job.coverage for job in jobs])
    film = np.concatenate([job.film_um for job in jobs])
    answers = np.concatenate([job.ln_ratio for job in jobs])
    number = np.repeat(np.arange(len(jobs)), [job.coverage.shape[0] for job in jobs])
    ln_coverage = np.log(coverage + OFFSET)
    centre = (float(np.mean(ln_coverage)), float(np.mean(film)))
    features = np.stack((np.ones(film.shape[0]), ln_coverage - centre[0], film - centre[1]), axis=1)
    found = fit_jobs(features, answers, number, RIDGE)
    return {
        "unit": unit,
        "ink": ink,
        "jobs": len(jobs),
        "zones": int(film.shape[0]),
        "coverage": [_short(coverage.min()), _short(coverage.max())],
        "film_um": [_short(film.min()), _short(film.max())],
        "centre": [_short(value) for value in centre],
        **_numbers(found),
    }


def _numbers(found: Fit) -> dict[str, Any]:
    return {
        "coefficients": [_short(value) for value in found.coefficients],
        "covariance": [
            [_short(value) for value in row] for row in (found.covariance + found.covariance.T) / 2.0
        ],
        "sigma": max(_short(found.sigma), 1e-6),
        "quantile": _short(student(CONFIDENCE, found.freedom)),
    }


def _short(value: float) -> float:
    return float(f"{float(value):.{DIGITS}g}")
