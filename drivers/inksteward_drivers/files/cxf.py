"""Colour exchange format, CxF3 (ISO 17972-1): objects with their reflectance.

Element names read in the sample file of the package colour-cxf; what a document may hold besides is passed over.
"""

from __future__ import annotations

from collections.abc import Iterator
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
    number,
    whole,
)

NAMESPACE = "{http://colorexchangeformat.com/CxF3-core}"
CONDITIONS = {"M0", "M1", "M2", "M3"}


def parse(raw: bytes) -> Measured:
    """All objects that were measured, in order. Raises FileError."""
    root = _root(bounded(raw))
    if root.tag != f"{NAMESPACE}CxF":
        raise FileError(f"root element {root.tag[:80]}: expected CxF of the namespace {NAMESPACE[1:-1]}")
    steps = dict(_steps(root))
    rows = tuple(_row(item, steps) for item in root.iter(f"{NAMESPACE}Object"))
    if len(rows) > MAX_ROWS:
        raise FileError(f"{len(rows)} objects: expected at most {MAX_ROWS}")
    return Measured(rows, {}, _condition(root))


def _root(raw: bytes) -> Element:
    try:
        root: Element = fromstring(raw, forbid_dtd=True)
    except ParseError as error:
        raise FileError(f"no XML: {error}") from error
    except (DefusedXmlException, ValueError) as error:
        raise FileError(f"XML with a document type or entities: not read ({type(error).__name__})") from error
    except RecursionError as error:
        raise FileError("XML nested too deeply") from error
    return root


def _steps(root: Element) -> Iterator[tuple[str, int]]:
    """Wavelength steps by the id of the specification that states them, nm."""
    for specification in root.iter(f"{NAMESPACE}ColorSpecification"):
        for span in specification.iter(f"{NAMESPACE}WavelengthRange"):
            name, step = specification.get("Id", ""), span.get("Increment", "")
            yield name, whole(f"ColorSpecification {name}: Increment", step)


def _row(item: Element, steps: dict[str, int]) -> Row:
    name = item.get("Name", "")
    place = f"object {name or item.get('Id', '')!r}"
    fields = {"Name": name, "Id": item.get("Id", ""), "ObjectType": item.get("ObjectType", "")}
    for part in item.iter():
        kind = part.tag.removeprefix(NAMESPACE)
        if kind in {"ColorCIELab", "ColorCMYK", "ColorRGB"}:
            fields |= {f"{kind}.{_plain(child)}": (child.text or "").strip() for child in part}
        elif kind == "Tag":
            fields[f"Tag.{part.get('Name', '')}"] = part.get("Value", "")
    return Row(fields, _reflectance(place, item, steps))


def _plain(element: Element) -> str:
    return element.tag.removeprefix(NAMESPACE)


def _reflectance(place: str, item: Element, steps: dict[str, int]) -> Spectrum | None:
    found = list(item.iter(f"{NAMESPACE}ReflectanceSpectrum"))
    if not found:
        return None
    if len(found) > 1:
        raise FileError(f"{place}: {len(found)} spectra: expected one")
    start, of = found[0].get("StartWL", ""), found[0].get("ColorSpecification", "")
    if of not in steps:
        raise FileError(f"{place}: ColorSpecification = {of[:40]!r}: expected one with a WavelengthRange")
    values = tuple(
        number(f"{place}, value {n}", word) for n, word in enumerate((found[0].text or "").split(), 1)
    )
    return Spectrum(whole(f"{place}: StartWL", start), steps[of], values)


def _condition(root: Element) -> str | None:
    """M0 to M3 where the file names exactly one."""
    words = {(element.text or "").strip() for element in root.iter()}
    words |= {value for element in root.iter() for value in element.attrib.values()}
    named = words & CONDITIONS
    return named.pop() if len(named) == 1 else None
