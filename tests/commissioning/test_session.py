"""The session file: nothing in it can be changed, left out or put in, and one of another press is not gone on with."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from inksteward.authority import Operators, public_x, thumbprint
from inksteward.commissioning.session import Person, Session, SessionRefused, read
from tests.commissioning.press import BEN, PEOPLE
from tests.service.bench import ANNA

FRESH = Session("press-a", "u1", "blade-7", 4)
FIRST = Person("op-anna", "Anna", ANNA, thumbprint(public_x(ANNA)), None)
SECOND = Person("op-ben", "Ben", BEN, thumbprint(public_x(BEN)), None)
AT = "2026-03-02T08:15:30Z"


def written() -> dict[str, Any]:
    """Three entries, the last by two people."""
    session = FRESH.with_entry("count", AT, [FIRST], {"zones": 4, "opening_pct": [20.0] * 4})
    session = session.with_entry("direction", AT, [FIRST], {"zone": 1, "right": True})
    session = session.with_entry("gauge", AT, [FIRST, SECOND], {"readings": [{"zone": 1, "gauge_um": 45.0}]})
    data: dict[str, Any] = json.loads(session.text())
    return data


def test_it_reads_back() -> None:
    """What was written is what is read, entry by entry."""
    session = read(json.dumps(written()), FRESH, PEOPLE)
    assert [entry.step for entry in session.entries] == ["count", "direction", "gauge"]
    assert session.of("gauge") == [{"readings": [{"zone": 1, "gauge_um": 45.0}]}]
    assert json.loads(session.text()) == written_again(session)


def written_again(session: Session) -> dict[str, Any]:
    """The session through its text once more."""
    data: dict[str, Any] = json.loads(read(session.text(), FRESH, PEOPLE).text())
    return data


def set_gauge(data: dict[str, Any]) -> None:
    """Another reading."""
    data["entries"][2]["evidence"]["readings"][0]["gauge_um"] = 25.0


def drop_middle(data: dict[str, Any]) -> None:
    """An entry less."""
    del data["entries"][1]


def swap_people(data: dict[str, Any]) -> None:
    """The second person's seal under the first one's name."""
    seals = data["entries"][2]["seals"]
    seals["op-anna"], seals["op-ben"] = seals["op-ben"], seals["op-anna"]


def one_person(data: dict[str, Any]) -> None:
    """The second person's seal is gone."""
    del data["entries"][2]["seals"]["op-ben"]


def one_person_less(data: dict[str, Any]) -> None:
    """As if only one had been there."""
    del data["entries"][2]["seals"]["op-ben"]
    data["entries"][2]["operators"] = ["op-anna"]


@pytest.mark.parametrize(
    ("spoil", "text"),
    [
        (set_gauge, "seals"),
        (drop_middle, "before"),
        (swap_people, "seals"),
        (one_person, "seals"),
        (one_person_less, "seals"),
        (lambda data: data.update(press="press-b"), "another press"),
        (lambda data: data.update(unit="u2"), "another press"),
        (lambda data: data.update(blade_id="blade-8"), "another press, unit or blade"),
        (lambda data: data.update(zones=5), "zones"),
        (lambda data: data.update(version=2), "version"),
        (lambda data: data["entries"][0].pop("at"), "entries.0"),
        (lambda data: data["entries"][0].update(at=3), "entries.0.at"),
        (lambda data: data.update(entries={}), "entries"),
    ],
)
def test_what_was_tampered_with_is_refused(spoil: Callable[[dict[str, Any]], object], text: str) -> None:
    """Changed, dropped or exchanged parts, and files of another press, unit, blade or version."""
    data = written()
    spoil(data)
    with pytest.raises(SessionRefused, match=text):
        read(json.dumps(data), FRESH, PEOPLE)


@pytest.mark.parametrize("text", ["", "[]", "{", "7"])
def test_what_is_no_session(text: str) -> None:
    """Anything else is refused with words."""
    with pytest.raises(SessionRefused):
        read(text, FRESH, PEOPLE)


def test_signed_by_somebody_who_was_revoked_since() -> None:
    """Their entries do not count any more."""
    people = Operators((PEOPLE.all[0], replace(PEOPLE.all[1], revoked=True)))
    with pytest.raises(SessionRefused, match="not revoked"):
        read(json.dumps(written()), FRESH, people)
