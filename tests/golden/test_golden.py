"""Recorded journals lead to the effects that they led to when they were recorded, byte for byte."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from inksteward.control import pi
from inksteward.events import Received
from tests.golden.recording import difference, load, names, save
from tests.golden.stories import STORIES, told_of


def test_there_are_a_hundred_of_them_and_each_has_its_story() -> None:
    """At least a hundred are kept, each can be told anew, and together they are small."""
    assert len(names()) >= 100
    assert set(names()) == set(STORIES)


@pytest.mark.parametrize("name", names())
def test_the_same_input_has_the_same_effects(name: str) -> None:
    """Events as recorded, through the core of today: every effect is what it was."""
    assert difference(load(name)) == ""


def test_a_golden_journal_comes_back_as_it_was_written(tmp_path: Path) -> None:
    """Writing and reading lose nothing."""
    rows = told_of("approved").rows
    save("again", rows, tmp_path)
    assert list(load("again", tmp_path)) == rows
    assert names(tmp_path) == ["again"]


def test_a_planted_change_of_the_law_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """A gain that is one percent higher shows in what is proposed."""
    whole = pi.wish
    monkeypatch.setattr("inksteward.control.decide.wish", lambda *rest: whole(*rest) * 1.01)
    assert "proposal/u1" in difference(load("approved"))


def test_a_planted_change_of_the_record_is_found() -> None:
    """One sheet more in one counter message leads to other effects."""
    rows = list(load("approved"))
    place = next(
        n for n, row in enumerate(rows) if isinstance(row.event, Received) and row.event.topic == "scan"
    )
    event = rows[place].event
    assert isinstance(event, Received)
    rows[place] = replace(
        rows[place], event=replace(event, raw=event.raw.replace(b'"sheet": 100', b'"sheet": 99'))
    )
    assert difference(rows).startswith(f"row {rows[place].stamp.seq}")
