"""What is shown: parts and their versions, the chronicle of the run."""

from __future__ import annotations

import json
from typing import Any

from inksteward.authority_file import OperatorsFile
from inksteward.config import parse
from inksteward.events import Publish
from inksteward.service.page.board import Board
from inksteward.service.page.chronicle import Chronicle
from inksteward.steward import initial
from tests.service.bench import scenario, settings_of
from tests.service.parts import HandClock


def counter(sheet: int, good: bool | None = None, run_id: str = "run-1") -> bytes:
    """The counter's word."""
    return json.dumps({"run_id": run_id, "sheet": sheet, "good": good}).encode()


def reading(sheet: int, *flags: bool | None) -> bytes:
    """A reading of one unit."""
    values = [1.4] * len(flags)
    row: dict[str, Any] = {"density": values, "aim": values, "low": values, "high": values}
    return json.dumps({"sheet": sheet, "units": {"u1": {**row, "in_tolerance": list(flags)}}}).encode()


def test_waste_is_counted_by_sheets() -> None:
    """Sheets count as not good or not told by the counter's word, as out by the last reading, as unread before one."""
    told = Chronicle()
    told.counted(counter(0))
    told.counted(counter(100, good=False))
    told.said("reading", reading(100, True, False))
    told.counted(counter(160, good=True))
    told.said("reading", reading(160, True, None))
    told.counted(counter(200))
    assert told.waste == {"not_good": 100, "not_told": 40, "out": 60, "unread": 100}


def test_a_counter_that_says_the_same_or_less_adds_nothing() -> None:
    """A sheet number twice, or a smaller one, is no sheet more."""
    told = Chronicle()
    for sheet in (0, 50, 50, 20, 60):
        told.counted(counter(sheet, good=False))
    assert told.waste["not_good"] == 60


def test_a_new_run_begins_with_nothing() -> None:
    """With another run's counter the chronicle begins anew; the record of decisions goes on."""
    told = Chronicle()
    told.counted(counter(10))
    told.said("reading", reading(10, False))
    outcome = {"proposal_id": "p-1", "unit": "u1", "result": "rejected", "moved": []}
    told.said("outcome", json.dumps(outcome).encode())
    told.counted(counter(500, run_id="run-2"))
    assert told.waste == {"not_good": 0, "not_told": 0, "out": 0, "unread": 0}
    assert told.chart("u1", 1)["points"] == []
    assert [row["proposal_id"] for row in told.outcomes] == ["p-1"]


def test_a_chart_of_what_is_not_there() -> None:
    """A unit that nobody read and a zone beyond the last give an empty chart."""
    told = Chronicle()
    told.said("reading", reading(10, True))
    assert len(told.chart("u1", 1)["points"]) == 1
    assert (
        told.chart("u1", 2)["points"] == told.chart("u1", 0)["points"] == told.chart("u9", 1)["points"] == []
    )


def test_what_is_no_object_is_left_out() -> None:
    """A counter that cannot be read changes nothing: the core answers for it."""
    told = Chronicle()
    for raw in (b"", b"[]", b"{", b"\xff", b'{"sheet":"1"}'):
        told.counted(raw)
    assert told.run_id is None


def board() -> Board:
    """A board over a core that was not started."""
    config = parse(settings_of(scenario()), "board")
    return Board(config, HandClock(), initial, lambda: OperatorsFile())


def test_a_slow_browser_gets_the_last_state_of_each_part() -> None:
    """What changed twice since a browser looked is sent once, as it is now; what did not change is not sent again."""
    shown, seen = board(), dict[str, int]()
    shown.said(Publish("status", b'{"state":"online"}', True))
    assert dict(shown.news(seen))["status"] == b'{"state":"online"}'
    assert dict(shown.news(seen)) == {}
    for number in range(100):
        shown.said(Publish("proposal/u2", json.dumps({"proposal_id": f"p-{number}"}).encode(), True))
    assert dict(shown.news(seen)) == {"proposal/u2": b'{"proposal_id": "p-99"}'}
    shown.said(Publish("proposal/u2", b"", True))
    assert dict(shown.news(seen)) == {"proposal/u2": b"null"}
    assert {name for name, _ in shown.news({})} >= {"status", "now", "units", "people", "waste", "outcomes"}


def test_commands_and_answers_are_shown_to_nobody() -> None:
    """Neither key commands nor answers to others become parts."""
    shown = board()
    shown.said(Publish("keys/u2/command", b"{}", False))
    shown.said(Publish("answer", b'{"id":"x"}', False))
    assert not {name for name, _ in shown.news({})} & {"keys/u2/command", "answer"}
