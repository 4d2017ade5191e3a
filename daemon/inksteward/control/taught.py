"""What past jobs taught of openings: how much more gap than the film model wants a zone will need, and how surely."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inksteward.config.settings import OpeningLesson, OpeningModel
from inksteward.control.numerics import Array, exp, ln, sqrt

LEAST_JOBS = 3
"""Three good jobs suffice for a first curve: L. Lehnberg, "Ink key presetting in offset printing presses using digital
images of the plates", M.Sc. thesis LITH-ITN-MT-EX-02/001, Linkoping 2002 (abstract)."""
MOST_LN = 0.7
"""No opening is made more than twice or less than half of the model's, whatever a file says (ours)."""


@dataclass(frozen=True, slots=True)
class Taught:
    """Natural log of (gap / gap of the film model) per zone, and its interval from ``low`` to ``high`` at
    ``confidence``; ``jobs`` taught it."""

    ln_gap: Array
    low: Array
    high: Array
    jobs: int
    confidence: float

    def words(self, zone: int) -> str:
        """The factor of a zone (from 0) with its interval."""
        factor, low, high = (exp(float(values[zone])) for values in (self.ln_gap, self.low, self.high))
        return (
            f"past jobs: x{factor:.2f}, {self.confidence * 100:.0f} % between {low:.2f} and {high:.2f}, "
            f"{self.jobs} jobs"
        )


def features(lesson: OpeningLesson, offset: float, coverage: Array, film_um: Array) -> Array:
    """(1, ln(coverage + offset), film of the aim), centred (zones x 3); no farther out than the jobs went."""
    a = np.minimum(np.maximum(coverage, lesson.coverage[0]), lesson.coverage[1])
    film = np.minimum(np.maximum(film_um, lesson.film_um[0]), lesson.film_um[1])
    columns = (np.ones(a.shape[0]), ln(a + offset) - lesson.centre[0], film - lesson.centre[1])
    return np.stack(columns, axis=1)


def taught(
    model: OpeningModel | None, unit: str, ink: str, coverage: tuple[float, ...], film_um: Array
) -> Taught | None:
    """What the model says of a unit's zones; None without a model, or where fewer than LEAST_JOBS jobs taught it.

    With features x, coefficients b of covariance V and sigma beside them the factor is exp(b'x), its interval
    b'x +- t sqrt(x'Vx + sigma^2) (prediction interval of a regression: e.g. Draper and Smith, Applied Regression
    Analysis, from memory).
    """
    lessons = () if model is None else model.lessons
    lesson = next((one for one in lessons if (one.unit, one.ink) == (unit, ink)), None)
    if model is None or lesson is None or lesson.jobs < LEAST_JOBS:
        return None
    x = features(lesson, model.offset, np.array(coverage), film_um)
    middle, half = np.zeros(x.shape[0]), np.zeros(x.shape[0])
    for zone, row in enumerate(x.tolist()):
        terms = [row[i] * row[j] * lesson.covariance[i][j] for i in range(3) for j in range(3)]
        said = sum(b * value for b, value in zip(lesson.coefficients, row, strict=True))
        middle[zone] = min(max(said, -MOST_LN), MOST_LN)
        half[zone] = lesson.quantile * sqrt(max(sum(terms), 0.0) + lesson.sigma * lesson.sigma)
    return Taught(middle, middle - half, middle + half, lesson.jobs, model.confidence)
