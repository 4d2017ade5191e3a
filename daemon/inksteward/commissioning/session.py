"""The session: what was done and found so far, every entry signed by whoever stood at the press.

A JSON object: version, press, unit, blade_id, zones, and the entries. Each entry names its step, time, people and
evidence, holds the digest of the entry before it, and is signed by each of its people: so none can be changed, left
out or put in.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from inksteward.authority import Operators, Rejected, sign, verify_signed
from inksteward.canonical import digest

VERSION = 1
FIRST = "sha256:" + "0" * 64


class SessionRefused(Exception):
    """A session file that cannot be gone on with; the text names the field, what stands there, what was expected."""


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody at the press: id, name as shown, the key, and the hash of the PIN where there is one."""

    operator: str
    name: str
    key: Ed25519PrivateKey
    kid: str
    pin_hash: str | None


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing done. ``seals``: operator -> signature over everything else with that operator's name."""

    step: str
    at: str
    operators: tuple[str, ...]
    evidence: dict[str, Any]
    before: str
    seals: dict[str, str]

    def data(self) -> dict[str, Any]:
        """As it stands in the file."""
        return {
            "step": self.step,
            "at": self.at,
            "operators": list(self.operators),
            "evidence": self.evidence,
            "before": self.before,
            "seals": self.seals,
        }


@dataclass(frozen=True, slots=True)
class Session:
    """All entries of one unit's commissioning, oldest first."""

    press: str
    unit: str
    blade_id: str
    zones: int
    entries: tuple[Entry, ...] = ()

    def of(self, step: str) -> list[dict[str, Any]]:
        """Evidence of every entry of a step."""
        return [entry.evidence for entry in self.entries if entry.step == step]

    def text(self) -> str:
        """The file."""
        head = {"version": VERSION, **self._head(), "entries": [entry.data() for entry in self.entries]}
        return json.dumps(head, indent=1, ensure_ascii=False) + "\n"

    def _head(self) -> dict[str, Any]:
        return {"press": self.press, "unit": self.unit, "blade_id": self.blade_id, "zones": self.zones}

    def _last(self) -> str:
        return digest(self.entries[-1].data()) if self.entries else FIRST

    def signable(self, entry: Entry, operator: str) -> dict[str, Any]:
        """What one of an entry's people signs: the unit, the entry, and who."""
        bare = {name: value for name, value in entry.data().items() if name != "seals"}
        return {**self._head(), **bare, "operator": operator}

    def with_entry(
        self, step: str, at: str, people: Sequence[Person], evidence: Mapping[str, Any]
    ) -> Session:
        """The session with one more entry, signed by all of its people. Evidence must be plain JSON data."""
        names = tuple(person.operator for person in people)
        entry = Entry(step, at, names, dict(evidence), self._last(), {})
        seals = {
            each.operator: sign(self.signable(entry, each.operator), each.key, each.kid) for each in people
        }
        return replace(self, entries=(*self.entries, replace(entry, seals=seals)))


def read(text: str, wanted: Session, operators: Operators) -> Session:
    """The session of a file, if it is of the same press, unit and blade and every signature holds.

    Raises SessionRefused.
    """
    try:
        data = json.loads(text)
    except ValueError as error:
        raise SessionRefused(f"not JSON: {error}") from error
    if not isinstance(data, dict):
        raise SessionRefused("expected a JSON object")
    if data.get("version") != VERSION:
        raise SessionRefused(f"version: {data.get('version')!r}: expected {VERSION}")
    for name in ("press", "unit", "blade_id", "zones"):
        if data.get(name) != getattr(wanted, name):
            found, own = data.get(name), getattr(wanted, name)
            raise SessionRefused(
                f"{name}: {found!r}: expected {own!r}: this session is of another press, unit or blade"
            )
    session = wanted
    rows = data.get("entries")
    if not isinstance(rows, list):
        raise SessionRefused("entries: expected a list")
    for number, row in enumerate(rows):
        session = replace(session, entries=(*session.entries, _entry(session, row, number, operators)))
    return session


def _entry(session: Session, row: Any, number: int, operators: Operators) -> Entry:
    place = f"entries.{number}"
    forms = {"step": str, "at": str, "operators": list, "evidence": dict, "before": str, "seals": dict}
    if not isinstance(row, dict) or set(row) != set(forms):
        raise SessionRefused(f"{place}: expected an object with {', '.join(forms)}")
    for name, form in forms.items():
        if not isinstance(row[name], form):
            raise SessionRefused(f"{place}.{name}: expected {form.__name__}")
    entry = Entry(
        row["step"], row["at"], tuple(row["operators"]), row["evidence"], row["before"], row["seals"]
    )
    if entry.before != session._last():
        raise SessionRefused(f"{place}.before: the entry before it is not the one that it followed")
    if not entry.operators or set(entry.operators) != set(entry.seals):
        raise SessionRefused(f"{place}.seals: expected one of each of its operators")
    for operator in entry.operators:
        payload = {**session.signable(entry, operator), "signature": entry.seals[operator]}
        verdict = verify_signed(payload, operators)
        if isinstance(verdict, Rejected):
            raise SessionRefused(f"{place}.seals.{operator}: {verdict.value}: expected {verdict.expected}")
    return entry
