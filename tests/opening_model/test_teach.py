"""From run records to a model file."""

from __future__ import annotations

import argparse
import builtins
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from inksteward.control.inversion import gaps_at
from inksteward.control.taught import taught
from inksteward.event_codec import CodecError
from inksteward.journal import Journal
from inksteward.journal_format import JournalError
from inksteward.opening_model import lessons as room
from inksteward.opening_model.command import add_teach_opening
from inksteward.opening_model.fitting import alike, fit, fit_jobs
from inksteward.opening_model.lessons import Lesson, lessons_at, lessons_of
from inksteward.opening_model.teach import model_data, model_from
from inksteward.steward import State
from tests.steward.floor import small
from tests.steward.recorded import SMALL_RESERVE, Recorded


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, State]:
    """A makeready that ends with an OK sheet, as recorded, and the state at its end."""
    path = tmp_path_factory.mktemp("record") / "a.journal"
    journal = Journal.create(path, reserve_bytes=SMALL_RESERVE)
    loop = Recorded(small("makeready", units=2, zones=10), journal, seed=5)
    loop.run(420)
    assert loop.state.run is not None
    ask = {"operator": "op-anna", "request_id": "r-1", "kind": "ok_sheet"}
    loop.receive("request", {**ask, "scan_id": loop.state.run.kept[-1].scan_id})
    assert loop.state.run.ok_scan_id is not None
    loop.run(20)
    journal.close()
    return path, loop.state


def job(number: int, ratio: float, *, slope: float = 0.0, zones: int = 10, seed: int = 1) -> Lesson:
    """A job whose gaps at the OK sheet were so many times the model's, a little more or less in each zone."""
    rng = np.random.default_rng([seed, number])
    coverage = rng.uniform(0.05, 0.6, zones)
    ln_ratio = np.log(ratio) + slope * (np.log(coverage + 0.05) + 1.2) + 0.02 * rng.normal(size=zones)
    return Lesson(f"run-{number}", "u1", "C", coverage, np.full(zones, 0.9 + 0.01 * number), ln_ratio)


def test_an_ok_sheet_is_a_lesson(record: tuple[Path, State]) -> None:
    """The record of a job with an OK sheet gives a lesson for each ink: gaps of the OK sheet over those that the film
    model wants, which is what the run learned of its feed gains, turned round.
    """
    path, state = record
    read = lessons_of(path)
    assert read.differs_at is None
    assert [(lesson.unit, lesson.ink) for lesson in read.lessons] == [("u1", "K"), ("u2", "C")]
    for lesson in read.lessons:
        estimate = state.units[lesson.unit].estimate
        assert estimate is not None
        assert lesson.coverage.shape[0] >= 8
        assert float(np.mean(lesson.ln_ratio)) == pytest.approx(-float(np.mean(estimate.ln_gain)), abs=0.05)


def test_a_record_of_another_version_is_told(
    record: tuple[Path, State], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where this version answers otherwise than the one that recorded, the first such row is named."""
    monkeypatch.setattr(room, "encode_effect", lambda _: b"other")
    assert lessons_of(record[0]).differs_at is not None


def test_records_that_cannot_be_read(record: tuple[Path, State], monkeypatch: pytest.MonkeyPatch) -> None:
    """A row that cannot be decoded, or that this version's core does not take, is named."""

    def broken(error: Exception) -> Any:
        def fail(*_: Any) -> Any:
            raise error

        return fail

    monkeypatch.setattr(room, "step", broken(ValueError("it is broken")))
    with pytest.raises(JournalError, match="row 1: the core raised ValueError: it is broken"):
        lessons_of(record[0])
    monkeypatch.setattr("inksteward.journal_read.decode_event", broken(CodecError("kind", "x", "an event")))
    with pytest.raises(JournalError, match=r"row 1 cannot be decoded: .*an event"):
        lessons_of(record[0])


def test_units_that_say_nothing(record: tuple[Path, State]) -> None:
    """A unit without aims, coverage, film model, ink or positions, a run that is none, zones at an end of their keys
    and zones far from their aims give no lesson.
    """
    state = record[1]
    one = state.units["u1"]
    assert one.position is not None
    for changes in (
        {"aim": None}, {"coverage": ()}, {"estimate": None}, {"ink": None}, {"position": None},
        {"position": replace(one.position, live=False)}, {"coverage": (0.0,) * 10}, {"aim": (1.0,) * 10},
        {"stuck": tuple((zone, 30.0) for zone in range(10))},
        {"position": replace(one.position, opening_pct=(100.0,) * 10)},
    ):  # fmt: skip
        units = {**state.units, "u1": replace(one, **changes)}
        assert [lesson.unit for lesson in lessons_at(replace(state, units=units))] == ["u2"], changes
    assert list(lessons_at(replace(state, run=None))) == []


def test_no_answer_of_the_solver_is_no_lesson(
    record: tuple[Path, State], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the film model cannot be inverted there is nothing to compare with."""
    monkeypatch.setattr(room, "gaps_at", lambda *_: None)
    assert list(lessons_at(record[1])) == []
    monkeypatch.undo()
    calls = []

    def once(*given: Any) -> Any:
        calls.append(given)
        return gaps_at(*given) if len(calls) % 2 else None

    monkeypatch.setattr(room, "gaps_at", once)
    assert list(lessons_at(record[1])) == []
    assert len(calls) == 4


def test_what_jobs_have_in_common_is_learned() -> None:
    """From jobs that wanted a tenth more gap, and more in light zones, the model says just that; its interval holds
    them.
    """
    model = model_from(job(number, 1.1, slope=-0.1) for number in range(6))
    found = taught(model, "u1", "C", (0.1, 0.25, 0.5), np.full(3, 0.92))
    assert found is not None
    wanted = np.log(1.1) - 0.1 * (np.log(np.array([0.1, 0.25, 0.5]) + 0.05) + 1.2)
    assert found.ln_gap == pytest.approx(wanted, abs=0.02)
    assert np.all((found.low < wanted) & (wanted < found.high))
    assert np.all(found.high - found.low < 0.15)


def test_jobs_that_disagree_widen_the_interval() -> None:
    """Where jobs differ from one another, the interval is as wide as that, though each has many zones."""
    ratios = (0.8, 1.2, 0.9, 1.15, 1.0)
    wide = taught(
        model_from(job(n, ratio) for n, ratio in enumerate(ratios)), "u1", "C", (0.2,), np.array([0.92])
    )
    close = taught(model_from(job(n, 1.0) for n in range(5)), "u1", "C", (0.2,), np.array([0.92]))
    assert wide is not None
    assert close is not None
    assert wide.high[0] - wide.low[0] > 4.0 * (close.high[0] - close.low[0])
    assert wide.low[0] < np.log(0.85)


def test_a_run_counts_once_and_one_job_not_at_all() -> None:
    """The last OK sheet of a run is its lesson; an ink with a single job is left out."""
    data = model_data([job(1, 1.0), job(1, 1.3), job(2, 1.3), replace(job(3, 1.0), ink="M")])
    assert [(row["ink"], row["jobs"]) for row in data["lessons"]] == [("C", 2)]
    assert data["lessons"][0]["coefficients"][0] == pytest.approx(np.log(1.3), abs=0.03)


def test_regressions_that_cannot_be() -> None:
    """Too few rows, numbers that are not finite, columns that are the same, and zones of one job are refused."""
    x = np.stack((np.ones(4), np.arange(4.0)), axis=1)
    y = np.arange(4.0)
    for features, answers, words in (
        (x[:2], y[:2], "more rows"),
        (x, y * np.nan, "finite"),
        (x[:, [0, 0]], y, "tell each other apart"),
    ):
        with pytest.raises(ValueError, match=words):
            fit(features, answers)
    with pytest.raises(ValueError, match="two jobs or more"):
        fit_jobs(x, y, np.zeros(4, dtype=np.intp), 1.0)


def test_how_alike_zones_of_a_job_are() -> None:
    """Jobs that differ as a whole are alike within, jobs that do not are not; one zone a job cannot tell."""
    jobs = np.repeat(np.arange(5), 4)
    assert alike(np.repeat([1.0, -1.0, 2.0, -2.0, 0.0], 4), jobs) == pytest.approx(1.0)
    assert alike(np.tile([1.0, -1.0, 2.0, -2.0], 5), jobs) == 0.0
    assert alike(np.arange(5.0), np.arange(5)) == 0.0
    assert alike(np.zeros(20), jobs) == 0.0


@pytest.fixture
def called() -> Callable[..., int]:
    """The command, called as from a terminal."""
    parser = argparse.ArgumentParser()
    add_teach_opening(parser.add_subparsers(required=True))

    def call(*words: object) -> int:
        options = parser.parse_args(["teach-opening", *(str(word) for word in words)])
        status: int = options.run(options)
        return status

    return call


def test_the_command_writes_what_the_service_reads(
    record: tuple[Path, State],
    tmp_path: Path,
    called: Callable[..., int],
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The file that it writes is a model file; what was learned is told, and what is too little to be used."""
    path, out = record[0], tmp_path / "opening.json"
    first = lessons_of(path)
    again = [replace(lesson, run_id=f"run-{n}") for n in range(2) for lesson in first.lessons]
    more = [replace(lesson, run_id="run-9") for lesson in first.lessons if lesson.ink == "C"]
    monkeypatch.setattr(room, "lessons_of", lambda _: room.Read((*again, *more), 7))
    assert called(path, "--out", out) == 0
    told = capsys.readouterr().out
    assert f"{path}: 3 jobs with an OK sheet" in told
    assert "row 7 on: this version answers otherwise" in told
    assert "u1 K: 2 jobs" in told
    assert "fewer than 3 jobs, not used yet" in told
    assert "u2 C: 3 jobs" in told
    assert "90 % between" in told
    assert json.loads(out.read_text("utf-8")) == model_data((*again, *more))


def test_the_command_says_what_it_cannot_do(
    record: tuple[Path, State],
    tmp_path: Path,
    called: Callable[..., int],
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One job alone is nothing to learn from (1); no journal, a place that cannot be written, a missing extra are told
    (2), and nothing is written.
    """
    out = tmp_path / "opening.json"
    assert called(record[0], "--out", out) == 1
    assert "nothing to learn" in capsys.readouterr().err
    assert called(tmp_path / "no.journal", "--out", out) == 2
    assert "no such file" in capsys.readouterr().err
    two = room.Read((job(1, 1.0), job(2, 1.0)), None)
    monkeypatch.setattr(room, "lessons_of", lambda _: two)
    assert called(record[0], "--out", tmp_path / "none" / "opening.json") == 2
    assert "No such file" in capsys.readouterr().err
    real = builtins.__import__

    def without(name: str, *given: Any, **how: Any) -> Any:
        if name.startswith("scipy"):
            raise ImportError(name)
        return real(name, *given, **how)

    monkeypatch.setattr(builtins, "__import__", without)
    assert called(record[0], "--out", out) == 2
    assert "inksteward[fit]" in capsys.readouterr().err
    assert not out.exists()
