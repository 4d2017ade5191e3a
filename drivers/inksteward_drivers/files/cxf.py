"""Colour exchange format, CxF3 (ISO 17972-1): objects with what was measured of them.

Element names as in the package colour-cxf, whose classes are made from the format's schema; what a document may hold
besides is passed over.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from xml.etree.ElementTree import Element, ParseError

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import fromstring

from inksteward_drivers.files.rows import (
    MAX_ROWS,
    FileError,
    Measured,
    Row,
    Spectrum,
    bounded,
    condition_of,
    number,
    triple,
    whole,
)

NAMESPACE = "{http://colorexchangeformat.com/CxF3-core}"
REFLECTANCE = "Spectrum_Reflectance"
COLOURS = frozenset({"ColorCIELab", "ColorCIEXYZ", "ColorCMYK", "ColorRGB", "ColorSRGB"})
FILTERS = {
    "Red": "D_RED", "Green": "D_GREEN", "Blue": "D_BLUE", "Visual": "D_VIS",
    "Cyan": "D_RED", "Magenta": "D_GREEN", "Yellow": "D_BLUE", "Black": "D_VIS",
}  # fmt: skip
"""Density filters of the format under the column names that CGATS.17 has for them: a filter is called by its own
colour or by that of the ink it is for."""
MAX_TAGS = 400_000
_DEVICE = {"Cyan": "CMYK_C", "Magenta": "CMYK_M", "Yellow": "CMYK_Y", "Black": "CMYK_K"}
_BOOL = {"true": True, "1": True, "false": False, "0": False}


@dataclass(slots=True)
class _Read:
    """What the objects refer to, and what is found out about them on the way."""

    specifications: dict[str, Element]
    wanted: str | None
    used: set[str] = field(default_factory=set)
    statuses: set[str] = field(default_factory=set)
    bases: set[bool] = field(default_factory=set)

    def takes(self, part: Element) -> bool:
        """Whether a colour value is of the wanted specification; those that count are noted."""
        of = part.get("ColorSpecification", "")
        if self.wanted is not None and of != self.wanted:
            return False
        self.used.add(of)
        return True


def parse(raw: bytes, specification: str | None = None) -> Measured:
    """All objects, in order. ``specification``: only values under the ColorSpecification of this id count.

    Raises FileError.
    """
    root = _root(bounded(raw))
    if root.tag != f"{NAMESPACE}CxF":
        raise FileError(f"root element {root.tag[:80]}: expected CxF of the namespace {NAMESPACE[1:-1]}")
    objects = list(root.iter(f"{NAMESPACE}Object"))
    if len(objects) > MAX_ROWS:
        raise FileError(f"{len(objects)} objects: expected at most {MAX_ROWS}")
    read = _Read(dict(_specifications(root)), specification)
    if specification is not None and specification not in read.specifications:
        raise FileError(f"no ColorSpecification {specification!r}: expected it, as the settings say")
    rows = tuple(_row(item, read) for item in objects)
    used = [read.specifications[name] for name in sorted(read.used & set(read.specifications))]
    if len(read.bases) > 1:
        raise FileError("densities with and without BaseOffset: expected all on one reference")
    return Measured(
        rows,
        dict(_tags(root)),
        condition_of(_texts(used, "DeviceIllumination")),
        _polarised(used),
        frozenset(read.statuses),
        True if read.bases == {True} else None,
        "; ".join(sorted(set(_texts(used, "Model")))),
        next(_texts([root], "CreationDate"), ""),
    )


def _root(raw: bytes) -> Element:
    if raw.count(b"<") > MAX_TAGS:
        raise FileError(f"more than {MAX_TAGS} elements: expected a measurement file")
    try:
        root: Element = fromstring(raw, forbid_dtd=True)
    except ParseError as error:
        raise FileError(f"no XML: {error}") from error
    except (DefusedXmlException, ValueError, LookupError) as error:
        words = "XML with a document type, entities or an encoding that is not read"
        raise FileError(f"{words} ({type(error).__name__})") from error
    except RecursionError as error:
        raise FileError("XML nested too deeply") from error
    return root


def _tags(root: Element) -> Iterator[tuple[str, str]]:
    """Tags of the file itself, by name. Raises FileError where one is there twice."""
    seen: set[str] = set()
    for tag in root.iterfind(f"{NAMESPACE}FileInformation/{NAMESPACE}Tag"):
        name = tag.get("Name", "")
        if name in seen:
            raise FileError(f"tag {name[:40]!r} of the file: there twice")
        seen.add(name)
        yield name, tag.get("Value", "")


def _specifications(root: Element) -> Iterator[tuple[str, Element]]:
    seen: set[str] = set()
    for found in root.iter(f"{NAMESPACE}ColorSpecification"):
        name = found.get("Id", "")
        if name in seen:
            raise FileError(f"ColorSpecification {name[:40]!r}: there twice")
        seen.add(name)
        yield name, found


def _texts(elements: list[Element], name: str) -> Iterator[str]:
    for element in elements:
        for found in element.iter(f"{NAMESPACE}{name}"):
            yield (found.text or "").strip()


def _polarised(used: list[Element]) -> bool | None:
    found: set[bool] = set()
    for text in _texts(used, "DevicePolarization"):
        if text not in _BOOL:
            raise FileError(f"DevicePolarization = {text[:24]!r}: expected true or false")
        found.add(_BOOL[text])
    if len(found) > 1:
        raise FileError("values with and without polarisation: expected one of them")
    return found.pop() if found else None


def _row(item: Element, read: _Read) -> Row:
    name = item.get("Name", "")
    place = f"object {(name or item.get('Id', ''))[:40]!r}"
    fields = {"Name": name, "Id": item.get("Id", ""), "ObjectType": item.get("ObjectType", "")}
    for part in item.iter():
        for key, text in _said(place, part, read):
            if key in fields:
                raise FileError(f"{place}: two values of {key}: expected one, or the setting specification")
            fields[key] = text
    device = {
        label: number(f"{place}, {child}", fields[f"ColorCMYK.{child}"])
        for child, label in _DEVICE.items()
        if f"ColorCMYK.{child}" in fields
    }
    none: frozenset[str] = frozenset()
    return Row(
        fields,
        _reflectance(place, item, read),
        device,
        triple(place, fields, ("ColorCIELab.L", "ColorCIELab.A", "ColorCIELab.B"), none),
        triple(place, fields, ("ColorCIEXYZ.X", "ColorCIEXYZ.Y", "ColorCIEXYZ.Z"), none),
    )


def _said(place: str, part: Element, read: _Read) -> Iterator[tuple[str, str]]:
    """Names and texts of a colour value or a tag; nothing for other elements."""
    kind = _plain(part)
    if kind == "Tag":
        yield f"Tag.{part.get('Name', '')}", part.get("Value", "")
    elif kind == "ColorDensity" and read.takes(part):
        yield _density(place, part, read)
    elif kind in COLOURS and (kind in {"ColorCMYK", "ColorRGB"} or read.takes(part)):
        for child in part:
            yield f"{kind}.{_plain(child)}", (child.text or "").strip()


def _density(place: str, part: Element, read: _Read) -> tuple[str, str]:
    said = {_plain(child): (child.text or "").strip() for child in part}
    column = FILTERS.get(said.get("Filter", ""))
    if column is None:
        words = f"expected one of {', '.join(FILTERS)}"
        raise FileError(f"{place}: density filter {said.get('Filter', '')[:24]!r}: {words}")
    read.statuses.add(said.get("Status", "")[:24])
    read.bases.add("BaseOffset" in said)
    return column, said.get("Density", "")


def _plain(element: Element) -> str:
    return element.tag.removeprefix(NAMESPACE)


def _reflectance(place: str, item: Element, read: _Read) -> Spectrum | None:
    found = [part for part in item.iter(f"{NAMESPACE}ReflectanceSpectrum") if read.takes(part)]
    if not found:
        return None
    if len(found) > 1:
        raise FileError(f"{place}: {len(found)} spectra: expected one, or the setting specification")
    start, of = found[0].get("StartWL", ""), found[0].get("ColorSpecification", "")
    step = _step(place, of, read)
    values = tuple(
        number(f"{place}, value {n}", word) for n, word in enumerate((found[0].text or "").split(), 1)
    )
    return Spectrum(whole(f"{place}: StartWL", start), step, values)


def _step(place: str, of: str, read: _Read) -> int:
    """Wavelength step in nm of a specification. Raises FileError, also where it is of no reflectance."""
    if of not in read.specifications:
        raise FileError(f"{place}: ColorSpecification = {of[:40]!r}: expected one that the file has")
    stated = read.specifications[of]
    for kind in _texts([stated], "MeasurementType"):
        if kind != REFLECTANCE:
            raise FileError(f"ColorSpecification {of[:40]!r}: {kind[:40]}: expected {REFLECTANCE}")
    spans = list(stated.iter(f"{NAMESPACE}WavelengthRange"))
    if len(spans) != 1:
        raise FileError(f"ColorSpecification {of[:40]!r}: {len(spans)} of WavelengthRange: expected one")
    return whole(f"ColorSpecification {of[:40]!r}: Increment", spans[0].get("Increment", ""))
