"""Settings searched on simulated presses: what is tried, what is kept, what is best, and that workers do not matter."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.bench.pace import Pace
from inksteward.cli import main
from inksteward.config import ControlSettings
from inksteward.tuning.book import Book, BookError, Plan
from inksteward.tuning.front import rows_of
from inksteward.tuning.space import USUAL, Range, candidates, ranges_of
from inksteward.tuning.trials import Figures, Trial

BAND = Range("dead_band", 0.1, 0.5)


def plan(**changes: object) -> Plan:
    """A small search."""
    usual: dict[str, object] = {
        "ranges": (BAND,), "candidates": 3, "seed": 1, "scenarios": ("makeready",), "seeds": (1,),
        "sheets": 150, "pace": Pace(),
    }  # fmt: skip
    return Plan(**{**usual, **changes})  # type: ignore[arg-type]


def figures(sheets: int | None, moves: float, contacts: int = 0) -> Figures:
    """What a trial came to."""
    return Figures(sheets, 0.1, moves, contacts, 0)


@given(count=st.integers(2, 40), seed=st.integers(0, 99))
def test_every_part_of_every_range_is_tried_once(count: int, seed: int) -> None:
    """A Latin hypercube: cut into as many parts as there are candidates besides the present one, each range has one
    value in each part, but for the rounding to three digits."""
    tried = candidates((Range("dead_band", 0.1, 0.6),), count, seed)
    assert tried[0] == {"dead_band": ControlSettings().dead_band}
    parts = sorted(int(round((row["dead_band"] - 0.1) / 0.5 * (count - 1), 2)) for row in tried[1:])
    assert all(abs(part - number) <= 1 for number, part in enumerate(parts))
    assert tried == candidates((Range("dead_band", 0.1, 0.6),), count, seed)


def test_ranges_by_factor_are_even_in_the_logarithm() -> None:
    """Half of the values lie below the geometric mean."""
    tried = candidates((Range("move_weight", 0.001, 0.1, by_factor=True),), 41, 3)
    assert sum(row["move_weight"] < 0.01 for row in tried[1:]) == 20


@pytest.mark.parametrize(
    ("word", "told"),
    [
        ("speed", "expected one of dead_band"),
        ("dead_band=1", "two numbers"),
        ("dead_band=a:b", "two numbers"),
        ("dead_band=0.5:0.1", "low above 0 and below high"),
        ("dead_band=nan:1", "low above 0 and below high"),
        ("dead_band=0.1:inf", "low above 0 and below high"),
    ],
)
def test_what_cannot_be_varied_is_told(word: str, told: str) -> None:
    """The word stands in the message, with what was expected."""
    with pytest.raises(ValueError, match=told) as error:
        ranges_of([word])
    assert repr(word) in str(error.value)


def test_all_usual_ranges_are_settings() -> None:
    """Every setting that may be varied is one of the configuration, and its present value lies within."""
    defaults = ControlSettings()
    assert ranges_of([]) == USUAL
    assert all(item.low <= getattr(defaults, item.name) <= item.high for item in USUAL)


def test_a_search_goes_on_where_it_was(tmp_path: Path) -> None:
    """Lines on the disk count, the one that was cut off does not, and another plan is refused."""
    path = tmp_path / "trials.jsonl"
    first, second, _ = plan().trials()
    book = Book(path, plan())
    book.put(first, figures(60, 2.0))
    book.put(second, figures(None, 1.0))
    path.write_bytes(path.read_bytes()[:-5])
    again = Book(path, plan())
    assert again.found == {first: figures(60, 2.0)}
    again.put(second, figures(None, 1.0))
    assert Book(path, plan()).left() == [plan().trials()[2]]
    with pytest.raises(BookError, match="another search"):
        Book(path, plan(sheets=160))


@pytest.mark.parametrize("row", [b"{", b"[1]", b'{"trial":{}}', b'{"trial":{"candidate":1},"figures":{}}'])
def test_a_line_that_is_none_is_named(tmp_path: Path, row: bytes) -> None:
    """A damaged file is not taken for results."""
    path = tmp_path / "trials.jsonl"
    Book(path, plan())
    path.write_bytes(path.read_bytes() + row + b"\n")
    with pytest.raises(BookError, match="line 2"):
        Book(path, plan())


def test_the_front_by_hand() -> None:
    """Of (sheets, moves) = (100, 3), (80, 5), (120, 4), (70, 9 with a contact) the first two are beaten by none; the
    third is by the first; the last is not safe and beats nobody."""
    searched = plan(candidates=4)
    points = [(100, 3.0, 0), (80, 5.0, 0), (120, 4.0, 0), (70, 9.0, 1)]
    found = {
        trial: figures(sheets, moves, contacts)
        for trial, (sheets, moves, contacts) in zip(searched.trials(), points, strict=True)
    }
    rows = rows_of(searched, found)
    assert [row.best for row in rows] == [True, True, False, False]
    assert [row.safe for row in rows] == [True, True, True, False]
    assert [row.sheets for row in rows] == [100, 80, 120, 70]


def test_what_never_came_right_counts_in_full_and_half_done_is_left_out() -> None:
    """A candidate with a trial missing has no row yet."""
    searched = plan(seeds=(1, 2), candidates=2)
    one, other, third, _ = searched.trials()
    rows = rows_of(searched, {one: figures(None, 1.0), other: figures(50, 1.0), third: figures(10, 1.0)})
    assert [(row.candidate, row.sheets, row.never) for row in rows] == [(0, 100.0, 1)]


def tuned(out: Path, *words: str) -> bytes:
    """What a search by the command found."""
    command = ["tune", "--vary", "dead_band", "--candidates", "3", "--seeds", "1", "--sheets", "150"]
    assert main([*command, "--out", str(out), *words]) == 0
    return (out / "tune.json").read_bytes()


def test_the_same_on_one_worker_on_two_and_on_a_scheduler(tmp_path: Path) -> None:
    """Real processes of this machine, and a real scheduler with a worker of its own: the same bytes, and a search
    that was done is not done again."""
    one = tuned(tmp_path / "one", "--workers", "1")
    assert tuned(tmp_path / "two", "--workers", "2") == one
    scheduler = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0"]
    file = tmp_path / "scheduler.json"
    places = ["--scheduler-file", str(file), "--no-dashboard"]
    worker = [sys.executable, "-m", "distributed.cli.dask_worker", "--nthreads", "1", *places]
    with (
        subprocess.Popen([*scheduler, *places], stderr=subprocess.DEVNULL) as hub,
        subprocess.Popen([*worker, "--host", "127.0.0.1"], stderr=subprocess.DEVNULL) as hand,
    ):
        try:
            address = _address(file)
            assert tuned(tmp_path / "three", "--scheduler", address) == one
            trials = (tmp_path / "three" / "trials.jsonl").read_bytes()
            assert tuned(tmp_path / "three", "--scheduler", "tcp://127.0.0.1:1") == one
            assert (tmp_path / "three" / "trials.jsonl").read_bytes() == trials
        finally:
            hand.terminate()
            hub.terminate()
    rows = json.loads(one)["rows"]
    assert len(rows) == 3
    assert (tmp_path / "one" / "tune.png").stat().st_size > 1000


def _address(file: Path) -> str:
    """Where the scheduler listens, once it has written it down."""
    import time

    for _ in range(600):
        if file.exists() and file.read_text():
            return str(json.loads(file.read_text())["address"])
        time.sleep(0.1)
    raise AssertionError("the scheduler did not start within a minute")


def test_a_scheduler_that_is_none_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An address that is no address, and options out of range: in words, with exit code 2."""
    words = ["tune", "--candidates", "2", "--seeds", "1", "--sheets", "150", "--out", str(tmp_path)]
    assert main([*words, "--scheduler", "nowhere"]) == 2
    assert "--scheduler = 'nowhere'" in capsys.readouterr().err
    assert main([*words[:-1], str(tmp_path / "b"), "--candidates", "0"]) == 2
    assert "--candidates = 0: expected 1 or more" in capsys.readouterr().err
    assert main([*words[:-1], str(tmp_path / "b"), "--scenario", "none-such"]) == 2
    assert "--scenario" in capsys.readouterr().err


def test_trials_are_in_order() -> None:
    """By candidate, scenario and seed."""
    found = plan(seeds=(1, 2), candidates=2).trials()
    assert list(found) == sorted(found)
    assert found[0] == Trial(0, "makeready", 1)
