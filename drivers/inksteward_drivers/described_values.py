"""What numbers and words of a described device mean: a patch in the contract's form. Pure."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any, Protocol

from inksteward_drivers.described_form import ValuesForm
from inksteward_drivers.described_pattern import DENSITY, Unread
from inksteward_drivers.settings import SettingError

_NUMBER = re.compile(r"[+-]?[0-9]{1,9}(?:\.[0-9]{1,17})?|[+-]?\.[0-9]{1,17}")
_WHOLE = re.compile(r"[0-9]{1,9}")
_MM = {"mm": "1", "tenth_mm": "0.1", "um": "0.001", "inch": "25.4"}
_DENSITY = {"D": "1", "D/100": "0.01", "D/1000": "0.001"}
_TONE = {"percent": "1", "fraction": "100"}


def whole_number(name: str, text: str) -> int:
    """A count. Raises Unread."""
    if not _WHOLE.fullmatch(text.strip()):
        raise Unread(f"{name} {text[:20]!r}: expected a whole number of at most nine digits")
    return int(text)


class Sided(Protocol):
    """Where the side is stated, if it is."""

    @property
    def side(self) -> str | None:
        """Front, back or not stated."""
        ...


class Meaning(Protocol):
    """Settings that say what numbers and words mean."""

    @property
    def values(self) -> ValuesForm:
        """Numbers and words."""
        ...

    @property
    def scan(self) -> Sided:
        """What the device does not say itself."""
        ...


class Values:
    """Reads the fields of a patch. Made with what the patch's message holds; raises SettingError."""

    def __init__(self, driver: str, form: Meaning, fields: frozenset[str]) -> None:
        self._form, self._values = form, form.values
        self._comma = form.values.decimal == "comma"
        if "position" not in fields:
            raise SettingError(f"{driver}: patch = no field position: expected one")
        if "kind" not in fields and form.values.kind is None:
            raise SettingError(f"{driver}: values.kind = missing: expected a kind of patch, or a field kind")
        if not any(name == "density" or name.startswith(DENSITY) for name in fields):
            raise SettingError(
                f"{driver}: patch = no field density: expected density, or {DENSITY}C and others"
            )
        numbered = form.values.position == "number"
        for name in ("first_mm", "pitch_mm"):
            if numbered != (getattr(form.values, name) is not None):
                words = "expected with" if numbered else "expected only with"
                raise SettingError(
                    f"{driver}: values.{name} = {getattr(form.values, name)}: {words} values.position number"
                )

    def patch(self, fields: dict[str, str]) -> dict[str, Any]:
        """One patch. Raises Unread."""
        placed = self.place(fields)
        return {**placed, "density": self.density(fields, placed["inks"])}

    def place(self, fields: dict[str, str]) -> dict[str, Any]:
        """A patch without its densities. Raises Unread."""
        kind = self._mapped("kind", fields.get("kind"), self._values.kinds) or self._values.kind
        tone = fields.get("tone")
        tone_pct = self._number("tone", tone, _TONE[self._values.tone]) if tone else None
        return {
            "x_mm": self._x_mm(fields.get("position", "")),
            "kind": kind,
            "inks": list(self._inks(fields.get("ink", ""))),
            "tone_pct": (0.0 if kind == "paper" else 100.0) if tone_pct is None else tone_pct,
        }

    def side(self, text: str | None) -> str:
        """The side that was read. Raises Unread."""
        return self._mapped("side", text, self._values.sides) or self._form.scan.side or ""

    def _x_mm(self, text: str) -> float:
        values = self._values
        if values.position != "number":
            return self._number("position", text, _MM[values.position])
        number = whole_number("position", text)
        first, pitch = Decimal(str(values.first_mm)), Decimal(str(values.pitch_mm))
        return float(first + (number - 1) * pitch)

    def _inks(self, text: str) -> tuple[str, ...]:
        if text in self._values.inks:
            return self._values.inks[text]
        if self._values.inks and text:
            raise Unread(f"ink {text[:20]!r}: expected one of values.inks: {', '.join(self._values.inks)}")
        return (text,) if text else ()

    def density(self, fields: dict[str, str], inks: list[str]) -> dict[str, float] | None:
        """Densities by filter; None where all were missed. Raises Unread, also where no field is one."""
        found: dict[str, float] = {}
        if not any(name == "density" or name.startswith(DENSITY) for name in fields):
            raise Unread("no density")
        for name, text in fields.items():
            if name != "density" and not name.startswith(DENSITY):
                continue
            if text in self._values.missed:
                continue
            channel = name.removeprefix(DENSITY) if name != "density" else self._channel(fields, inks)
            if channel in found:
                raise Unread(f"two densities of {channel}")
            found[channel] = self._number(name, text, _DENSITY[self._values.density])
        return found or None

    def _channel(self, fields: dict[str, str], inks: list[str]) -> str:
        """Under which filter a density without a name of its own counts."""
        given = fields.get("filter")
        if given:
            return self._values.filters.get(given, given)
        if len(inks) != 1:
            raise Unread(f"a density without a filter, and {len(inks)} inks: expected one ink")
        return inks[0]

    def _mapped(self, name: str, text: str | None, known: dict[str, Any]) -> str | None:
        if text is None:
            return None
        if known:
            if text not in known:
                raise Unread(f"{name} {text[:20]!r}: expected one of {', '.join(known)}")
            return str(known[text])
        return text

    def _number(self, name: str, text: str, factor: str) -> float:
        plain = text.strip()
        if self._comma:
            if "." in plain:
                raise Unread(f"{name} {text[:20]!r}: expected a decimal comma")
            plain = plain.replace(",", ".")
        if not _NUMBER.fullmatch(plain):
            raise Unread(f"{name} {text[:20]!r}: expected a number")
        return float(Decimal(plain) * Decimal(factor))
