"""Settings of the driver ``folder``: which files, how they are written, and what their rows mean."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError

from inksteward.contract.base import field_errors
from inksteward_drivers.described_form import Described, InstrumentForm, ValuesForm, Word, with_tuples
from inksteward_drivers.described_pattern import Hazard, checked
from inksteward_drivers.described_values import Values
from inksteward_drivers.files.layout import cycle_fault
from inksteward_drivers.settings import SettingError

NAME_GROUPS = frozenset({"sheet", "run_id", "side"})
PLACING = frozenset({"position", "kind", "ink", "tone"})
FIELDS = ("position", "kind", "ink", "tone", "filter", "density", "sheet", "run_id", "side")
DENSITY = "density_"

OfFile = Literal["sheet", "run_id", "side"]
Expression = Annotated[str, Field(min_length=1, max_length=200)]
Column = Annotated[str, Field(min_length=1, max_length=100)]


class StripForm(Described):
    """``strip``: the patches in their order; ``cycle`` again and again over the strip, with ``C`` for a solid, ``C50``
    for a tint, ``C+M`` for an overprint, ``grey`` and ``paper``. A file with another number of ``patches`` is refused:
    one that is missing would shift all that follow it."""

    first_mm: Annotated[float, Field(ge=-5000, le=5000)]
    pitch_mm: Annotated[float, Field(gt=0, le=500)]
    patches: Annotated[int, Field(ge=1, le=2000)]
    cycle: Annotated[tuple[Word, ...], Field(min_length=1, max_length=200)]


class PatchForm(Described):
    """``patch``: a column of names that say what and where a patch is, and a regular expression for the whole of one,
    with groups of position, kind, ink and tone."""

    column: Column
    pattern: Expression


class SpectrumForm(Described):
    """``spectrum``: whether values are factors or percent; ``before``: what stands before the wavelength in the names
    of a table's columns."""

    unit: Literal["factor", "percent"]
    before: Annotated[str, Field(max_length=40)] | None = None


class FileValuesForm(ValuesForm):
    """``values``: as in a described protocol; ``position`` is needed only where one is read."""

    position: Literal["mm", "tenth_mm", "um", "inch", "number"] = "mm"


class FolderScanForm(Described):
    """``scan``: what the file does not say itself."""

    side: Literal["front", "back"] | None = None
    extent: Literal["full", "part"] = "full"
    run_id_prefix: Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]{0,32}$")] = ""


class FolderForm(Described):
    """All settings of the driver.

    ``columns``: which column is which field; ``strip`` or ``patch`` in place of the columns position, kind, ink, tone.
    ``name``: a regular expression for the whole file name whose groups sheet, run_id and side say what it is of;
    ``keywords``: which keyword above the data, or tag of the file, says one of these.
    """

    path: Annotated[str, Field(min_length=1)]
    pattern: Annotated[str, Field(min_length=1, max_length=100)] = "*"
    form: Literal["cgats", "cxf", "csv"]
    delimiter: Annotated[str, Field(min_length=1, max_length=1)] = ","
    encoding: Literal["ascii", "latin-1", "cp1252", "utf-8"] = "utf-8"
    table: Annotated[int, Field(ge=1, le=100)] | None = None
    specification: Column | None = None
    poll_s: Annotated[float, Field(ge=0.05, le=60)] = 1.0
    settle_s: Annotated[float, Field(ge=0.0, le=60)] = 2.0
    read_existing: bool = False
    name: Expression | None = None
    keywords: dict[OfFile, Column] = Field(default_factory=dict)
    columns: dict[str, Column] = Field(default_factory=dict)
    strip: StripForm | None = None
    patch: PatchForm | None = None
    spectrum: SpectrumForm | None = None
    values: FileValuesForm = FileValuesForm()
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
    _of_the_form(driver, form)
    _of_the_sheet(driver, form)
    _of_the_patches(driver, form)
    return form


def _of_the_form(driver: str, form: FolderForm) -> None:
    """What only files of one form can have."""
    given = form.model_fields_set
    for name, of in (("delimiter", "csv"), ("encoding", "csv"), ("table", "cgats"), ("specification", "cxf")):
        if name in given and form.form != of:
            raise SettingError(f"{driver}: {name}: expected only with form {of}")
    if form.delimiter in '"\r\n':
        raise SettingError(
            f"{driver}: delimiter = {form.delimiter!r}: expected no quotation mark and no end of a line"
        )
    if form.form == "csv" and form.keywords:
        raise SettingError(f"{driver}: keywords: expected none with form csv: a table has columns alone")
    if form.form != "csv" and form.values.decimal == "comma":
        raise SettingError(f"{driver}: values.decimal = comma: expected point with form {form.form}")
    if form.spectrum is None:
        return
    if form.form == "cxf":
        raise SettingError(f"{driver}: spectrum: expected none with form cxf: its spectra are factors")
    if (form.spectrum.before is None) == (form.form == "csv"):
        words = (
            "expected what stands before the wavelength"
            if form.form == "csv"
            else "expected only with form csv"
        )
        raise SettingError(f"{driver}: spectrum.before = {form.spectrum.before!r}: {words}")


def _of_the_sheet(driver: str, form: FolderForm) -> None:
    said = _groups(driver, "name", form.name, NAME_GROUPS) | set(form.keywords) | set(form.columns)
    for field in ("sheet", "run_id"):
        if field not in said:
            raise SettingError(
                f"{driver}: columns.{field} = missing: expected it, or keywords.{field}, or the group {field} in name"
            )
    if form.scan.side is None and "side" not in said:
        raise SettingError(
            f"{driver}: scan.side = missing: expected front or back, or a side in columns, keywords or name"
        )


def _of_the_patches(driver: str, form: FolderForm) -> None:
    if form.strip is not None:
        if form.patch is not None or PLACING & set(form.columns):
            raise SettingError(
                f"{driver}: strip: expected no columns position, kind, ink and tone and no patch beside it"
            )
        fault = next(filter(None, map(cycle_fault, form.strip.cycle)), None)
        if fault is not None:
            raise SettingError(f"{driver}: strip.{fault}")
        return
    said = set(form.columns)
    if form.patch is not None:
        groups = _groups(driver, "patch.pattern", form.patch.pattern, PLACING)
        if groups & said:
            raise SettingError(
                f"{driver}: patch.pattern: {', '.join(sorted(groups & said))}: also in columns"
            )
        said |= groups
    if "position" not in said:
        raise SettingError(
            f"{driver}: columns.position = missing: expected it, or strip with the patches in order, "
            "or patch with a name that says it"
        )
    if "position" not in form.values.model_fields_set:
        raise SettingError(f"{driver}: values.position = missing: expected its unit, or number")
    Values(driver, form, frozenset(said | {"density"}))


def _groups(driver: str, setting: str, text: str | None, known: frozenset[str]) -> frozenset[str]:
    if text is None:
        return frozenset()
    try:
        groups = frozenset(checked(text).groupindex)
    except Hazard as error:
        raise SettingError(f"{driver}: {setting} = {text!r}: expected {error}") from error
    except re.error as error:
        raise SettingError(
            f"{driver}: {setting} = {text!r}: expected a regular expression ({error})"
        ) from error
    if not groups <= known:
        raise SettingError(f"{driver}: {setting} = {text!r}: expected groups of {', '.join(sorted(known))}")
    return groups
