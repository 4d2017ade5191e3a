"""Ink zone profiles of XJDF 2.x and JDF 1.x: values of zones that prepress has worked out.

Element shapes. XJDF: ``ResourceSet/Resource`` with ``Part`` beside ``InkZoneProfile``, read in examples of namespace
JDFSchema_2_0; ``ZoneSettingsX`` and ``ZoneWidth`` required, ``ZoneSettingsY`` and ``ZoneHeight`` optional, and
``InkZoneCalculationParams`` with ``Zones`` and ``ZoneWidth``, read in a copy of the XJDF specification; sides Front
and Back, read in CIP4's schema; ``SheetName`` and ``SignatureName`` from memory. JDF 1.x: the same attributes required
and optional, read in the library of JDF that CIP4 publishes; partitions, elements of the same name inside each other
that hand their attributes down, from memory. Lengths are points, 1/72 inch: for ``ZoneWidth`` from memory. A range of
0 to 1 for the values: from memory.

What a value means: XJDF says that each entry of ``ZoneSettingsX`` is "the value of one ink zone in the X direction" and
the resource "ink zone settings that are specific to the geometry of the printing Device": it may be the share of the
zone's area that is inked, or a position of a key. Only who wrote the file knows; ``--meaning`` says it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING

from inksteward.coverage.errors import CoverageError
from inksteward.coverage.separations import Separation

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

XJDF, JDF = "{http://www.CIP4.org/JDFSchema_2_0}", "{http://www.CIP4.org/JDFSchema_1_1}"
MOST_BYTES = 16 * 1024 * 1024
MOST_ZONES = 500
MOST_PROFILES = 1000
MOST_LEVELS = 20
"""Partitions of a JDF resource inside each other; seven are common (from memory)."""
MOST_POINTS = 15_000.0
"""5.3 m: beyond every press that has ink keys."""
POINT_MM = 25.4 / 72
PARTITION = (
    "SignatureName",
    "SheetName",
    "Side",
    "Separation",
    "ZoneSettingsX",
    "ZoneSettingsY",
    "ZoneWidth",
)
_FLOAT = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_SHOWN = 60


@dataclass(frozen=True, slots=True)
class Profile:
    """Values 0..1 of the zones from the file's first on, the width of one in points; ``along``: how many values the
    file has besides for zones one behind the other, which nothing is made of."""

    values: tuple[float, ...]
    zone_points: float
    along: int

    @property
    def width_mm(self) -> float:
        """All zones together."""
        return len(self.values) * self.zone_points * POINT_MM


def read_profiles(path: Path) -> tuple[str, list[Separation[Profile]]]:
    """What the file is ("XJDF" or "JDF"), and its ink zone profiles. Raises CoverageError for everything else."""
    root = _root(path)
    if root.tag.startswith(XJDF):
        kind, found = "XJDF", _xjdf(path, root)
    elif root.tag.startswith(JDF):
        kind, found = "JDF", _jdf(path, root)
    else:
        raise CoverageError(
            str(path), f"element {_cut(root.tag)}", f"XJDF or JDF in namespace {XJDF[1:-1]} or {JDF[1:-1]}"
        )
    rows = []
    for attributes in found:
        rows.append(_separation(path, attributes))
        if len(rows) > MOST_PROFILES:
            raise CoverageError(str(path), f"more than {MOST_PROFILES} ink zone profiles", "fewer")
    if not rows:
        raise CoverageError(str(path), "no InkZoneProfile", f"one for each separation in the {kind}")
    _check_parameters(path, root, rows)
    return kind, rows


def _root(path: Path) -> Element:
    from xml.etree.ElementTree import ParseError

    from defusedxml import DefusedXmlException
    from defusedxml.ElementTree import fromstring

    try:
        with path.open("rb") as file:
            raw = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise CoverageError(str(path), error.strerror or str(error), "a file that can be read") from error
    if len(raw) > MOST_BYTES:
        raise CoverageError(str(path), f"more than {MOST_BYTES} bytes", "a smaller file")
    try:
        root: Element = fromstring(raw, forbid_dtd=True)
    except DefusedXmlException as error:
        raise CoverageError(
            str(path), f"refused: {type(error).__name__}", "XML without a document type and without entities"
        ) from error
    except (ParseError, ValueError, LookupError) as error:
        raise CoverageError(str(path), f"no XML ({error})", "an XJDF or JDF document") from error
    return root


def _xjdf(path: Path, root: Element) -> Iterator[dict[str, str]]:
    """Attributes of each profile together with those of each part that it holds for."""
    for resource in root.iter(f"{XJDF}Resource"):
        profiles = resource.findall(f"{XJDF}InkZoneProfile")
        parts = resource.findall(f"{XJDF}Part")
        if len(profiles) > 1:
            raise CoverageError(str(path), f"{len(profiles)} InkZoneProfile in one Resource", "one")
        if profiles and not parts:
            raise CoverageError(
                str(path), "InkZoneProfile in a Resource without Part", "Part with its Separation"
            )
        yield from ({**part.attrib, **profile.attrib} for profile in profiles for part in parts)


def _jdf(path: Path, root: Element) -> Iterator[dict[str, str]]:
    """Attributes of each innermost partition, with what the ones around it hand down."""
    name = f"{JDF}InkZoneProfile"
    inner = {id(child) for outer in root.iter(name) for child in outer.findall(name)}
    waiting = [(top, dict[str, str](), 1) for top in root.iter(name) if id(top) not in inner][::-1]
    while waiting:
        element, handed, level = waiting.pop()
        if level > MOST_LEVELS:
            raise CoverageError(
                str(path), f"InkZoneProfile {level} deep", f"partitions at most {MOST_LEVELS} deep"
            )
        own = {key: value for key, value in element.attrib.items() if key in PARTITION}
        attributes = {**handed, **own}
        parts = element.findall(name)
        if not parts:
            yield attributes
        waiting += [(part, attributes, level + 1) for part in reversed(parts)]


def _separation(path: Path, attributes: dict[str, str]) -> Separation[Profile]:
    if not attributes.get("Separation"):
        raise CoverageError(str(path), "InkZoneProfile of no Separation", "the name of its ink")
    side = attributes.get("Side")
    if side not in (None, "Front", "Back"):
        raise CoverageError(str(path), f"Side {_cut(side)!r}", "Front or Back")
    sheet = "/".join(attributes[name] for name in ("SignatureName", "SheetName") if attributes.get(name))
    where = f"InkZoneProfile of {_cut(attributes['Separation'])!r}"
    for name in ("ZoneSettingsX", "ZoneWidth"):
        if name not in attributes:
            raise CoverageError(str(path), f"{where} without {name}", f"{name}, which the standard requires")
    values = _floats(path, f"{where}, ZoneSettingsX", attributes["ZoneSettingsX"], 1.0)
    if not values:
        raise CoverageError(str(path), f"{where}, ZoneSettingsX: no value", "one for each zone")
    along = _floats(path, f"{where}, ZoneSettingsY", attributes.get("ZoneSettingsY", ""), 1.0)
    width = _width(path, where, attributes["ZoneWidth"])
    profile = Profile(values, width, len(along))
    return Separation(sheet, side and side.lower(), attributes["Separation"], profile)


def _check_parameters(path: Path, root: Element, rows: list[Separation[Profile]]) -> None:
    """What the parameters of the calculation say of the zones must be what the profiles say. Raises CoverageError."""
    for name in (f"{XJDF}InkZoneCalculationParams", f"{JDF}InkZoneCalculationParams"):
        for element in root.iter(name):
            where = "InkZoneCalculationParams"
            zones, width = element.get("Zones"), element.get("ZoneWidth")
            points = None if width is None else _width(path, where, width)
            for row in rows:
                count = len(row.data.values)
                if zones is not None and zones.strip() != str(count):
                    raise CoverageError(
                        str(path),
                        f"{row.words()}: {count} values in ZoneSettingsX",
                        f"Zones={_cut(zones)} of them",
                    )
                if points is not None and abs(points - row.data.zone_points) > 1e-3 * points:
                    raise CoverageError(
                        str(path),
                        f"{row.words()}: ZoneWidth {row.data.zone_points:g}",
                        f"{points:g}, as {where} says",
                    )


def _width(path: Path, where: str, text: str) -> float:
    found = _floats(path, f"{where}, ZoneWidth", text, MOST_POINTS)
    if len(found) != 1 or found[0] <= 0:
        raise CoverageError(str(path), f"{where}, ZoneWidth: {_cut(text)}", "one number of points above 0")
    return found[0]


def _floats(path: Path, where: str, text: str, most: float) -> tuple[float, ...]:
    """Numbers 0 to ``most`` of a list of the standard. Raises CoverageError, naming the entry from 1."""
    words = text.split(maxsplit=MOST_ZONES)
    if len(words) > MOST_ZONES:
        raise CoverageError(str(path), f"{where}: more than {MOST_ZONES} values", "fewer")
    values = []
    for number, word in enumerate(words, 1):
        value = float(word) if len(word) <= _SHOWN and _FLOAT.fullmatch(word) else float("nan")
        if not (isfinite(value) and 0.0 <= value <= most):
            raise CoverageError(
                str(path), f"{where}, entry {number}: {_cut(word)}", f"a number from 0 to {most:g}"
            )
        values.append(value)
    return tuple(values)


def _cut(text: str) -> str:
    return text if len(text) <= _SHOWN else text[: _SHOWN - 1] + "…"
