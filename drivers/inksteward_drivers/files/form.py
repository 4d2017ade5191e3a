"""Settings of the driver ``folder``: which files, how they are written, and what their rows mean."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError

from inksteward.contract.base import field_errors
from inksteward_drivers.described_form import Described, InstrumentForm, ValuesForm, Word, with_tuples
from inksteward_drivers.settings import SettingError

NAME_GROUPS = frozenset({"sheet", "run_id", "side"})
FIELDS = ("position", "kind", "ink", "tone", "filter", "density", "sheet", "run_id", "side")
DENSITY = "density_"
LONGEST_NAME = 255


class StripForm(Described):
    """``strip``: patches in their order, again and again over the strip; ``cycle`` has ``C`` for a solid, ``C50`` for a
    tint, ``C+M`` for an overprint, ``grey`` and ``paper``."""

    first_mm: Annotated[float, Field(ge=-5000, le=5000)]
    pitch_mm: Annotated[float, Field(gt=0, le=500)]
    cycle: Annotated[tuple[Word, ...], Field(min_length=1, max_length=200)]


class FolderScanForm(Described):
    """``scan``: what the file does not say itself."""

    side: Literal["front", "back"] | None = None
    extent: Literal["full", "part"] = "full"
    run_id_prefix: Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]{0,32}$")] = ""


class FolderForm(Described):
    """All settings of the driver.

    ``columns``: which column is which field; ``strip`` in place of the columns position, kind, ink and tone.
    ``name``: a regular expression for the whole file name whose groups sheet, run_id and side say what it is of.
    """

    path: Annotated[str, Field(min_length=1)]
    pattern: Annotated[str, Field(min_length=1, max_length=100)] = "*"
    form: Literal["cgats", "cxf", "csv"]
    delimiter: Annotated[str, Field(min_length=1, max_length=1)] = ","
    encoding: Literal["ascii", "latin-1", "cp1252", "utf-8"] = "utf-8"
    poll_s: Annotated[float, Field(ge=0.05, le=60)] = 1.0
    settle_s: Annotated[float, Field(ge=0.0, le=60)] = 2.0
    read_existing: bool = False
    name: Annotated[str, Field(max_length=200)] | None = None
    columns: dict[str, Annotated[str, Field(min_length=1, max_length=100)]] = Field(default_factory=dict)
    strip: StripForm | None = None
    values: ValuesForm = ValuesForm(position="mm")
    scan: FolderScanForm = FolderScanForm()
    instrument: InstrumentForm


def folder_form(driver: str, settings: Mapping[str, Any]) -> FolderForm:
    """The settings, checked by themselves and against each other. Raises SettingError."""
    try:
        form = FolderForm.model_validate(with_tuples(settings))
    except ValidationError as error:
        first = field_errors(error)[0]
        raise SettingError(f"{driver}: {first.field} = {first.value}: expected {first.expected}") from error
    for field in form.columns:
        if field not in FIELDS and not field.startswith(DENSITY):
            names = f"{', '.join(FIELDS)} or {DENSITY}NAME"
            raise SettingError(f"{driver}: columns.{field}: expected {names}")
    groups = _groups(driver, form.name)
    for field in ("sheet", "run_id"):
        if field not in groups and field not in form.columns:
            raise SettingError(
                f"{driver}: columns.{field} = missing: expected it, or the group {field} in name"
            )
    if form.scan.side is None and "side" not in groups and "side" not in form.columns:
        raise SettingError(
            f"{driver}: scan.side = missing: expected front or back, or a side in columns or name"
        )
    if form.strip is not None and {"position", "kind", "ink", "tone"} & set(form.columns):
        raise SettingError(f"{driver}: strip: expected no columns position, kind, ink and tone beside it")
    if form.strip is None and "position" not in form.columns:
        raise SettingError(
            f"{driver}: columns.position = missing: expected it, or strip with the patches in order"
        )
    return form


def _groups(driver: str, name: str | None) -> frozenset[str]:
    if name is None:
        return frozenset()
    try:
        groups = frozenset(re.compile(name).groupindex)
    except re.error as error:
        raise SettingError(f"{driver}: name = {name!r}: expected a regular expression: {error}") from error
    if re.search(r"[)*+}][*+{]", name.replace("\\)", "").replace("\\+", "")):
        raise SettingError(f"{driver}: name = {name!r}: expected no repetition of a repetition or a group")
    if not groups <= NAME_GROUPS:
        raise SettingError(f"{driver}: name = {name!r}: expected groups of {', '.join(sorted(NAME_GROUPS))}")
    return groups
