"""Plain data -> form, with every mistake found on the way.

A key that is wrong is reported and then replaced by its default (or a placeholder), so that one mistake does
not hide the next. The replaced places are remembered: no rule is judged that needs one of them.
"""

from __future__ import annotations

import json
from copy import deepcopy
from dataclasses import dataclass
from datetime import date, time
from typing import Any, get_args

from pydantic import ValidationError

from inksteward.config.forms import Form
from inksteward.config.layers import DEFAULTS, Place
from inksteward.config.unit_forms import TAGS, ConfigForm
from inksteward.config.words import expected, nearest

LARGEST = 2**53 - 1
"""Beyond it canonical JSON has no exact whole numbers."""
DEEPEST = 32


class Missing:
    """Stands for a value that is not there."""


MISSING = Missing()


@dataclass(frozen=True, slots=True)
class Finding:
    """One mistake: its place, what stands there, what was expected."""

    place: Place
    value: Any
    expected: str


@dataclass(frozen=True, slots=True)
class Reading:
    """What came of reading: the form, the findings, and the places that hold a stand-in."""

    form: ConfigForm
    findings: tuple[Finding, ...]
    replaced: frozenset[Place]

    def good(self, *place: str | int) -> bool:
        """Whether neither this place nor anything above or below it holds a stand-in."""
        return not any(place[: len(other)] == other[: len(place)] for other in self.replaced)


def plain(data: Any, findings: list[Finding], place: Place = ()) -> Any:
    """JSON data from TOML data: dates become ISO 8601 text; what JSON cannot hold is a finding and null."""
    if isinstance(data, dict | list | tuple) and len(place) >= DEEPEST:
        findings.append(Finding(place, "…", f"at most {DEEPEST} tables and lists within each other"))
        return None
    if isinstance(data, dict):
        return {name: plain(value, findings, (*place, name)) for name, value in data.items()}
    if isinstance(data, list | tuple):
        return [plain(value, findings, (*place, number)) for number, value in enumerate(data)]
    if isinstance(data, date | time):
        return data.isoformat()
    if isinstance(data, bool | str):
        return data
    if isinstance(data, int | float) and abs(data) <= LARGEST:
        return data
    number = isinstance(data, int | float)
    words = "a finite number, less than 2^53" if number else "text, a number, a list or a table"
    findings.append(Finding(place, data, words))
    return None


def read(data: dict[str, Any], unusable: tuple[Place, ...] = ()) -> Reading:
    """Form from JSON data; ``unusable`` are places that are known to be wrong already."""
    data = deepcopy(data)
    findings: list[Finding] = []
    replaced = set(unusable)
    while True:
        try:
            form = ConfigForm.model_validate_json(json.dumps(data))
        except ValidationError as error:
            _stand_in(data, error, findings, replaced)
        else:
            return Reading(form, tuple(findings), frozenset(replaced))


def _stand_in(
    data: dict[str, Any], error: ValidationError, findings: list[Finding], replaced: set[Place]
) -> None:
    """Report what one pass found and put stand-ins in its places."""
    owners: dict[Place, type[Form]] = {}
    unknown: set[Place] = set()
    for place, item in _mistakes(error):
        owner, form = _owner(ConfigForm, place)
        if not any(place[: len(other)] == other for other in replaced):
            findings.append(_finding(item, place, form))
        owners[owner] = form
        if item["type"] == "extra_forbidden":
            unknown.add(owner)
    replaced.update(owners.keys() - unknown)
    for place, form in owners.items():
        container: Any = data
        for part in place[:-1]:
            container = container[part]
        name = place[-1]
        if isinstance(name, int):
            container[name] = {}
        elif name in container:
            del container[name]
        else:
            container[name] = deepcopy(form.PLACEHOLDERS[name])


def _mistakes(error: ValidationError) -> list[tuple[Place, Any]]:
    """Place and entry of each mistake; a list is not called too short for entries that are wrong themselves."""
    entries = [
        (tuple(part for part in item["loc"] if part not in TAGS), item)
        for item in error.errors(include_url=False)
    ]
    places = [place for place, _ in entries]
    return [
        (place, item)
        for place, item in entries
        if item["type"] != "too_short"
        or not any(len(other) > len(place) and other[: len(place)] == place for other in places)
    ]


def _finding(item: Any, place: Place, form: type[Form]) -> Finding:
    if item["type"] == "extra_forbidden":
        known = (*form.model_fields, *((DEFAULTS,) if form is ConfigForm else ()))
        return Finding(place, item["input"], nearest(str(place[-1]), known))
    if item["type"] != "missing":
        return Finding(place, item["input"], expected(item))
    if isinstance(place[-1], int):
        return Finding(place, MISSING, "one more entry")
    annotation = form.model_fields[place[-1]].annotation
    if form_in(annotation) is None:
        return Finding(place, MISSING, "a value: this key has no default")
    single = isinstance(annotation, type)
    return Finding(place, MISSING, "this table" if single else f"at least one [[{place[-1]}]]")


def _owner(form: type[Form], place: Place) -> tuple[Place, type[Form]]:
    """The key (or entry of an array of tables) that a stand-in replaces as a whole, and the form it is in."""
    name, rest = place[0], place[1:]
    field = form.model_fields.get(str(name))
    below = None if field is None else form_in(field.annotation)
    if below is None or not rest:
        return place[:1], form
    entry = 1 if isinstance(rest[0], int) else 0
    if len(rest) == entry:
        return place[:2], below
    deeper, holder = _owner(below, rest[entry:])
    return (*place[: 1 + entry], *deeper), holder


def form_in(annotation: Any) -> type[Form] | None:
    """The form that a field holds, alone or as an array."""
    if isinstance(annotation, type) and issubclass(annotation, Form):
        return annotation
    found = (form_in(argument) for argument in get_args(annotation))
    return next((form for form in found if form is not None), None)
