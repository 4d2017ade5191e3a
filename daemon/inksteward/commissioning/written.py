"""The calibration as text: a copy of the configuration with the unit's own tables in place of the old ones.

Lines of the file are exchanged and everything else, comments included, stays as it is. The copy is then read again
and must hold exactly what was meant: a file that is laid out in another way is not written at all.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from inksteward.commissioning.result import UnitResult

HEADER = re.compile(r"^\s*\[\[?\s*[A-Za-z_\"'][\w\s.\"'-]*\]\]?\s*(#.*)?$")
WIDTH = 8
"""Numbers in a line of a list."""


class NotWritten(Exception):
    """The configuration cannot be rewritten; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class Section:
    """What the unit's calibration becomes. ``backlash_pct``: None leaves the configured one."""

    unit: str
    blade_id: str
    calibrated_on: date
    expires_on: date
    result: UnitResult
    backlash_pct: float | None
    remarks: tuple[str, ...]

    def table(self) -> dict[str, Any]:
        """[unit.calibration] as data."""
        keys = self.result.keys
        return {
            "blade_id": self.blade_id,
            "calibrated_on": self.calibrated_on,
            "expires_on": self.expires_on,
            "uncertainty_um": [key.uncertainty_um for key in keys],
            "zero_um": [key.zero_um for key in keys],
        }

    def keys(self) -> list[dict[str, Any]]:
        """[[unit.key]] as data."""
        return [{"zone": key.zone, "table": [list(knot) for knot in key.table]} for key in self.result.keys]

    def lines(self) -> list[str]:
        """Both as TOML, with who measured and how above them."""
        made = [f"# {line}" for line in self.remarks]
        made.append("[unit.calibration]")
        for name, value in self.table().items():
            made += _assigned(name, value)
        for key in self.keys():
            knots = ", ".join(f"[{pct!r}, {gap!r}]" for pct, gap in key["table"])
            made += ["", "[[unit.key]]", f"zone = {key['zone']}", f"table = [{knots}]"]
        return made


def _assigned(name: str, value: Any) -> list[str]:
    if isinstance(value, list):
        rows = [value[n : n + WIDTH] for n in range(0, len(value), WIDTH)]
        return [f"{name} = [", *(f"  {', '.join(map(repr, row))}," for row in rows), "]"]
    return [f"{name} = {value.isoformat()}" if isinstance(value, date) else f'{name} = "{value}"']


def rewritten(text: str, section: Section) -> str:
    """The whole configuration with the unit's calibration exchanged. Raises NotWritten."""
    lines = text.splitlines()
    begin, end = _block(lines, section.unit)
    block = _without(lines[begin:end], ("unit.calibration", "unit.key"))
    block = _set(block, None, "travel_um", section.result.travel_um)
    if section.backlash_pct is not None:
        block = _set(block, "unit.drive", "backlash_pct", section.backlash_pct)
    while block and not block[-1].strip():
        block.pop()
    made = "\n".join([*lines[:begin], *block, "", *section.lines(), "", *lines[end:]]) + "\n"
    _check(text, made, section)
    return made


def _name(line: str) -> str | None:
    """Name of the table that this line begins, without brackets; None for any other line."""
    return re.sub(r"[\[\]\s\"']", "", line.partition("#")[0]) if HEADER.match(line) else None


def _block(lines: Sequence[str], unit: str) -> tuple[int, int]:
    """Lines of the [[unit]] of that name, its own tables included."""
    starts = [n for n, line in enumerate(lines) if _name(line) == "unit"]
    for start in starts:
        rest = range(start + 1, len(lines))
        own = next((n for n in rest if _name(lines[n]) is not None), len(lines))
        names = [line.partition("#")[0].replace(" ", "") for line in lines[start + 1 : own]]
        if f'unit="{unit}"' in names or f"unit='{unit}'" in names:
            end = next(
                (n for n in rest if (name := _name(lines[n])) is not None and not name.startswith("unit.")),
                len(lines),
            )
            return start, end
    raise NotWritten(f'no [[unit]] with a line unit = "{unit}" was found: write the section in by hand')


def _without(block: Sequence[str], names: Sequence[str]) -> list[str]:
    """The block without these tables."""
    kept, inside = [], False
    for line in block:
        name = _name(line)
        inside = name in names if name is not None else inside
        if not inside:
            kept.append(line)
    return kept


def _set(block: Sequence[str], table: str | None, key: str, value: float) -> list[str]:
    """The block with a key of one of its tables set (None: of the unit itself)."""
    heads = [n for n, line in enumerate(block) if _name(line) is not None]
    wanted = "unit" if table is None else table
    start = next((n for n in heads if _name(block[n]) == wanted), None)
    if start is None:
        return [*block, "", f"[{wanted}]", f"{key} = {value!r}"]
    end = next((n for n in heads if n > start), len(block))
    kept = [line for line in block[start + 1 : end] if not re.match(rf"\s*{key}\s*=", line)]
    return (
        [*block[: start + 1], f"{key} = {value!r}", *kept, *block[end:]]
        if table
        else _after_name(block[: start + 1], kept, block[end:], f"{key} = {value!r}")
    )


def _after_name(head: Sequence[str], own: list[str], rest: Sequence[str], line: str) -> list[str]:
    """The unit's name stays the first line of its table."""
    place = next((n for n, each in enumerate(own) if re.match(r"\s*unit\s*=", each)), -1) + 1
    return [*head, *own[:place], line, *own[place:], *rest]


def _check(old: str, new: str, section: Section) -> None:
    """Raises NotWritten unless the new text is the old one with the unit's calibration exchanged, and nothing else."""
    wanted = tomllib.loads(old)
    for unit in wanted["unit"]:
        if unit.get("unit") == section.unit:
            unit["travel_um"], unit["calibration"], unit["key"] = (
                section.result.travel_um,
                section.table(),
                section.keys(),
            )
            if section.backlash_pct is not None:
                unit.setdefault("drive", {})["backlash_pct"] = section.backlash_pct
    try:
        found = tomllib.loads(new)
    except tomllib.TOMLDecodeError as error:
        raise NotWritten(
            f"the file is laid out in a way that cannot be rewritten ({error}): write the section in by hand"
        ) from error
    if found != wanted:
        raise NotWritten(
            "the file is laid out in a way that cannot be rewritten: write the section in by hand"
        )


def difference(old: str, new: str, old_name: str, new_name: str) -> str:
    """A unified diff of the two."""
    rows = difflib.unified_diff(old.splitlines(), new.splitlines(), old_name, new_name, lineterm="")
    return "".join(f"{row}\n" for row in rows)
