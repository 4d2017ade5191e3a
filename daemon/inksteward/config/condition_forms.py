"""[[condition]] and the files that hold one: aims of a printing condition with where they come from."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from inksteward.config.forms import Form, Name

Aim = Annotated[float, Field(gt=0, le=6)]
Lightness = Annotated[float, Field(ge=0, le=100)]
Chroma = Annotated[float, Field(ge=-200, le=200)]
Source = Annotated[str, Field(min_length=1, max_length=1000)]
Tolerance = tuple[Annotated[float, Field(ge=-0.5, lt=0)], Annotated[float, Field(gt=0, le=0.5)]]


class ConditionBasisForm(Form):
    """[condition.basis]: what the densities refer to."""

    PLACEHOLDERS: ClassVar[dict[str, Any]] = {"status": "E", "polarised": True, "paper_relative": True}
    status: Literal["T", "E", "A", "I", "M"]
    polarised: bool
    paper_relative: bool
    dry: bool = False


class ConditionInkForm(Form):
    """[[condition.ink]]."""

    PLACEHOLDERS: ClassVar[dict[str, Any]] = {"ink": "ink"}
    ink: Name
    density: Aim | None = None
    tolerance: Tolerance | None = None
    lab: tuple[Lightness, Chroma, Chroma] | None = None
    delta_e_00: Annotated[float, Field(gt=0, le=50)] | None = None


class ConditionForm(Form):
    """[[condition]]."""

    PLACEHOLDERS: ClassVar[dict[str, Any]] = {"condition": "condition", "source": "source", "ink": [{}]}
    condition: Name
    source: Source
    measured: Literal["M0", "M1", "M2", "M3"] | None = None
    backing: Literal["white", "black", "substrate"] | None = None
    basis: ConditionBasisForm | None = None
    ink: Annotated[tuple[ConditionInkForm, ...], Field(min_length=1, max_length=64)]


class ConditionsForm(Form):
    """[conditions]: files that each hold one condition; ``load`` puts them under [[condition]]."""

    files: Annotated[
        tuple[Annotated[str, Field(min_length=1, max_length=1000)], ...], Field(max_length=64)
    ] = ()
