"""[unit_defaults] under each [[unit]], and the way back: which line of the file a value came from."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

Place = tuple[str | int, ...]
"""Keys and indices (from 0) from the top of the merged file to a value."""

DEFAULTS = "unit_defaults"
NAMED = {
    "unit": "unit",
    "ink": "ink",
    "condition": "condition",
    "strip_reader": "name",
    "key_bank": "name",
    "sheet_counter": "name",
}
"""Arrays of tables and the key that names an entry."""


def merged(data: dict[str, Any]) -> dict[str, Any]:
    """A copy of the file's data with [unit_defaults] laid under each [[unit]] and taken out."""
    result = deepcopy({name: value for name, value in data.items() if name != DEFAULTS})
    defaults, units = data.get(DEFAULTS), result.get("unit")
    if isinstance(defaults, dict) and isinstance(units, list):
        result["unit"] = [_under(unit, defaults) if isinstance(unit, dict) else unit for unit in units]
    return result


def _under(upper: dict[str, Any], lower: dict[str, Any]) -> dict[str, Any]:
    result = deepcopy(lower)
    for name, value in upper.items():
        below = result.get(name)
        if isinstance(value, dict) and isinstance(below, dict):
            result[name] = _under(value, below)
        else:
            result[name] = value
    return result


def laid(place: Place, data: dict[str, Any]) -> tuple[Place, ...]:
    """Where a place of the file's data comes to stand in the merged data."""
    units = data.get("unit")
    if place[:1] != (DEFAULTS,) or not isinstance(units, list):
        return (place,)
    return tuple(("unit", index, *place[1:]) for index in range(len(units)))


def key_text(place: Place, data: dict[str, Any]) -> str:
    """Path to a value as a person finds it in the file: ``unit[u2].calibration.zero_um[3]``, counted from 1.

    What a unit took from [unit_defaults] is named there.
    """
    if (
        place[0] == "unit"
        and len(place) > 2
        and not _holds(data, place)
        and _holds(data, (DEFAULTS, *place[2:]))
    ):
        return key_text((DEFAULTS, *place[2:]), data)
    text = ""
    for depth, part in enumerate(place):
        if isinstance(part, str):
            name = part or '""'  # a key without a name is one all the same
            text += f".{name}" if text else name
        elif depth == 1 and (entry := _name(data, str(place[0]), part)):
            text += f"[{entry}]"
        else:
            text += f"[{'#' if depth == 1 else ''}{part + 1}]"
    return text


def _name(data: dict[str, Any], table: str, index: int) -> str | None:
    """What the entry calls itself, unless another entry bears the same name."""
    entries = data.get(table)
    key = NAMED.get(table)
    if key is None or not isinstance(entries, list):
        return None
    names = [entry.get(key) if isinstance(entry, dict) else None for entry in entries]
    name = names[index]
    return name if isinstance(name, str) and names.count(name) == 1 else None


def _holds(data: Any, place: Place) -> bool:
    """Whether the data has a value at this place."""
    for part in place:
        listed = isinstance(data, list) and isinstance(part, int) and part < len(data)
        if not listed and not (isinstance(data, dict) and part in data):
            return False
        data = data[part]
    return True
