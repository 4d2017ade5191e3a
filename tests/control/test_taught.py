"""What past jobs taught of openings, as the core evaluates it."""

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from inksteward.config.opening_forms import model_of
from inksteward.config.settings import OpeningModel
from inksteward.control.taught import LEAST_JOBS, MOST_LN, taught

LESSON: dict[str, Any] = {
    "unit": "u1", "ink": "C", "jobs": 7, "zones": 200, "coverage": [0.05, 0.5], "film_um": [0.8, 1.0],
    "centre": [-1.2, 0.9], "coefficients": [0.1, -0.05, 0.2],
    "covariance": [[0.0004, 0.0, 0.0], [0.0, 0.0009, 0.0001], [0.0, 0.0001, 0.01]], "sigma": 0.05, "quantile": 1.943,
}  # fmt: skip


def file_of(*lessons: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """Content of a model file."""
    whole = {"form": "inksteward-opening", "version": 1, "confidence": 0.9, "offset": 0.05}
    return {**whole, "lessons": list(lessons or (LESSON,)), **changes}


MODEL = model_of(file_of())


def test_factor_and_interval_by_hand() -> None:
    """At the features' centre plus known steps the factor and its interval are those worked out by hand."""
    coverage = float(np.exp(-1.0) - 0.05)
    found = taught(MODEL, "u1", "C", (coverage,), np.array([0.95]))
    assert found is not None
    middle = 0.1 - 0.05 * 0.2 + 0.2 * 0.05
    variance = 0.0004 + 0.04 * 0.0009 + 2 * 0.2 * 0.05 * 0.0001 + 0.0025 * 0.01 + 0.0025
    half = 1.943 * np.sqrt(variance)
    assert found.ln_gap[0] == pytest.approx(middle, abs=1e-12)
    assert (found.low[0], found.high[0]) == pytest.approx((middle - half, middle + half), abs=1e-12)
    low, high = np.exp([middle - half, middle + half])
    assert found.words(0) == f"past jobs: x1.11, 90 % between {low:.2f} and {high:.2f}, 7 jobs"


def test_no_farther_out_than_the_jobs_went() -> None:
    """Beyond the coverage and film of the past jobs their nearest ones count."""
    ends = taught(MODEL, "u1", "C", (0.05, 0.5), np.array([0.8, 1.0]))
    beyond = taught(MODEL, "u1", "C", (0.0, 1.0), np.array([0.1, 3.0]))
    assert ends is not None
    assert beyond is not None
    assert beyond.ln_gap.tolist() == ends.ln_gap.tolist()
    assert beyond.high.tolist() == ends.high.tolist()


def test_nothing_is_doubled() -> None:
    """Whatever a file says, an opening is made at most twice and at least half of the model's, about."""
    wild = model_of(file_of({**LESSON, "coefficients": [5.0, 0.0, 0.0]}))
    found = taught(wild, "u1", "C", (0.2,), np.array([0.9]))
    assert found is not None
    assert found.ln_gap.tolist() == [MOST_LN]


@pytest.mark.parametrize(
    ("model", "unit", "ink"),
    [
        (None, "u1", "C"),
        (MODEL, "u2", "C"),
        (MODEL, "u1", "M"),
        (model_of(file_of({**LESSON, "jobs": LEAST_JOBS - 1})), "u1", "C"),
    ],
)
def test_when_nothing_was_taught(model: OpeningModel | None, unit: str, ink: str) -> None:
    """Without a model, for another ink or unit, and from fewer than three jobs there is nothing; three will do."""
    assert taught(model, unit, ink, (0.2,), np.array([0.9])) is None
    three = replace(MODEL, lessons=(replace(MODEL.lessons[0], jobs=LEAST_JOBS),))
    assert taught(three, "u1", "C", (0.2,), np.array([0.9])) is not None


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        ({}, "form: Field required"),
        (file_of(version=2), "version"),
        (file_of(form="other"), "form"),
        (file_of(LESSON, LESSON), "each ink of a unit once"),
        (file_of({**LESSON, "sigma": 0.0}), "lessons.0.sigma"),
        (file_of({**LESSON, "coverage": [0.5, 0.05]}), "from low to high"),
        (file_of({**LESSON, "more": 1}), "lessons.0.more"),
        (file_of({**LESSON, "covariance": [[-1.0, 0.0, 0.0], [0.0] * 3, [0.0] * 3]}), "no variance below 0"),
        (file_of({**LESSON, "covariance": [[1.0, 0.5, 0.0], [0.0, 1.0, 0.0], [0.0] * 3]}), "symmetric"),
        (file_of({**LESSON, "covariance": [[1.0, 2.0, 0.0], [2.0, 1.0, 0.0], [0.0] * 3]}), "symmetric"),
        (file_of(*({**LESSON, "jobs": "x", "unit": f"u{n}"} for n in range(5))), "and 2 more mistakes"),
    ],
)
def test_model_files_that_cannot_be(content: dict[str, Any], expected: str) -> None:
    """A file that is none of ours, or says what cannot be, is refused with the place."""
    with pytest.raises(ValueError, match="model file of teach-opening") as raised:
        model_of(content)
    assert expected in str(raised.value)


def test_a_model_is_its_files() -> None:
    """What the core has is what the file says, to the last digit."""
    again = model_of(json.loads(json.dumps(file_of())))
    assert again == MODEL
    lesson = MODEL.lessons[0]
    assert {name: getattr(lesson, name) for name in ("jobs", "sigma", "coefficients")} == {
        "jobs": 7, "sigma": 0.05, "coefficients": (0.1, -0.05, 0.2),
    }  # fmt: skip
