"""[opening]: the model file that past jobs taught, as it stands in the configuration once it has been read.

In the TOML file ``model`` names a file; ``config.load`` puts that file's content in its place, so that the run record
holds it and a replay needs no file.
"""

from __future__ import annotations

import json
from itertools import combinations
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from inksteward.config.forms import Form, Name
from inksteward.config.settings import OpeningLesson, OpeningModel

Positive = Annotated[float, Field(gt=0, le=1e3)]
Coefficient = Annotated[float, Field(ge=-10, le=10)]
Spread = Annotated[float, Field(ge=-1e3, le=1e3)]
Three = tuple[Coefficient, Coefficient, Coefficient]
Row = tuple[Spread, Spread, Spread]
Share = Annotated[float, Field(ge=0, le=1)]
Film = Annotated[float, Field(gt=0, le=50)]
HAIR = 1e-9


class _Strict(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)


class LessonFile(_Strict):
    """What past jobs taught of one ink in one unit, see OpeningLesson."""

    unit: Name
    ink: Name
    jobs: Annotated[int, Field(ge=1, le=100_000)]
    zones: Annotated[int, Field(ge=1, le=10_000_000)]
    coverage: tuple[Share, Share]
    film_um: tuple[Film, Film]
    centre: tuple[Coefficient, Film]
    coefficients: Three
    covariance: tuple[Row, Row, Row]
    sigma: Positive
    quantile: Positive

    @model_validator(mode="after")
    def _sound(self) -> Self:
        rows = self.covariance
        if self.coverage[0] > self.coverage[1] or self.film_um[0] > self.film_um[1]:
            raise ValueError("coverage and film_um from low to high")
        good = all(rows[i][i] >= 0.0 for i in range(3))
        for i, j in combinations(range(3), 2):
            good &= abs(rows[i][j] - rows[j][i]) <= HAIR * (1.0 + abs(rows[i][j]))
            good &= rows[i][j] ** 2 <= rows[i][i] * rows[j][j] * (1.0 + HAIR) + HAIR**2
        if not good:
            raise ValueError("a covariance: symmetric, no variance below 0")
        return self


class ModelFile(_Strict):
    """The whole model file."""

    form: Literal["inksteward-opening"]
    version: Literal[1]
    confidence: Annotated[float, Field(ge=0.5, le=0.999)]
    offset: Annotated[float, Field(gt=0, le=1)]
    lessons: Annotated[tuple[LessonFile, ...], Field(max_length=1000)]

    @model_validator(mode="after")
    def _once(self) -> Self:
        pairs = [(lesson.unit, lesson.ink) for lesson in self.lessons]
        if len(set(pairs)) < len(pairs):
            raise ValueError("each ink of a unit once")
        return self

    def built(self) -> OpeningModel:
        """The same as the core has it."""
        lessons = tuple(OpeningLesson(**lesson.model_dump()) for lesson in self.lessons)
        return OpeningModel(self.confidence, self.offset, lessons)


def model_of(content: dict[str, Any]) -> OpeningModel:
    """The model that a file's content holds. Raises ValueError with its mistakes, at most three of them."""
    try:
        return ModelFile.model_validate_json(json.dumps(content)).built()
    except ValidationError as error:
        found = error.errors(include_url=False)
        told = [
            f"{'.'.join(str(part) for part in item['loc']) or 'file'}: {item['msg']}" for item in found[:3]
        ]
        more = f" and {len(found) - 3} more mistakes" if len(found) > 3 else ""
        raise ValueError(
            f"the content of a model file of teach-opening, version 1 ({'; '.join(told)}{more})"
        ) from error


class OpeningSectionForm(Form):
    """[opening]."""

    model: dict[str, Any] | None = None

    @field_validator("model")
    @classmethod
    def _good(cls, content: dict[str, Any] | None) -> dict[str, Any] | None:
        if content is not None:
            model_of(content)
        return content
