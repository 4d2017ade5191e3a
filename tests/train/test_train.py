"""``inksteward train`` as a person uses it: a real broker, real processes, a real pseudo-terminal."""

import asyncio
import json
import os
import pty
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from inksteward.cli import main
from inksteward.demo.plan import RUN_ID, DemoError
from inksteward.events import Publish, Received
from inksteward.journal_read import read_rows
from inksteward.journals import Journals
from inksteward.train.choice import chosen, told, with_faults
from inksteward.train.record import load, zones_out
from inksteward_simulators.press.press import Press
from inksteward_simulators.press.reveal import truth
from inksteward_simulators.scenario import bundled_scenarios, load_scenario
from tests.conftest import require_tool

COMMAND = (sys.executable, "-m", "inksteward.cli", "train")
FAULT = "130 stuck unit=u1 zone=7"
WEAKER = "190 feed unit=u1 value=-0.4"
"""So that there is something left to propose."""
LONGEST_S = 60.0


class Person:
    """Sits at the terminal: reads what is shown, types lines."""

    def __init__(self, terminal: int) -> None:
        self._terminal = terminal
        self.seen = ""
        self._read = 0

    def type(self, line: str) -> None:
        """Type a line."""
        os.write(self._terminal, f"{line}\n".encode())

    async def sees(self, pattern: str) -> re.Match[str]:
        """Read on until this is shown."""
        async with asyncio.timeout(LONGEST_S):
            while not (found := re.compile(pattern, re.MULTILINE).search(self.seen, self._read)):
                try:
                    data = await asyncio.to_thread(os.read, self._terminal, 65536)
                except OSError:  # the other end was closed
                    data = b""
                assert data, f"ended before {pattern!r}: {self.seen[-2000:]}"
                self.seen += data.decode("utf-8", "replace").replace("\r\n", "\n")
        self._read = found.end()
        return found


@contextmanager
def at_a_terminal(*words: str) -> Iterator[tuple[Person, subprocess.Popen[bytes]]]:
    """A training run whose standard streams are a pseudo-terminal."""
    ours, theirs = pty.openpty()
    run = subprocess.Popen(
        [*COMMAND, *words], stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True
    )
    os.close(theirs)
    try:
        yield Person(ours), run
    finally:
        if run.poll() is None:
            run.send_signal(signal.SIGTERM)
        run.wait(timeout=30)
        os.close(ours)


def train(*words: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    """``inksteward train`` without a terminal."""
    return subprocess.run(
        [*COMMAND, *words], input=typed, capture_output=True, text=True, timeout=100, check=False
    )


def published(folder: Path, topic: str) -> list[dict[str, Any]]:
    """What the journal says was published under a topic."""
    rows = [row for path in Journals(folder).paths() for row in read_rows(path)]
    effects = [effect for row in rows for effect in row.effects]
    return [
        json.loads(e.payload) for e in effects if isinstance(e, Publish) and e.topic == topic and e.payload
    ]


def taken(folder: Path, topic: str) -> list[dict[str, Any]]:
    """What the journal says came in under a topic."""
    rows = [row.event for path in Journals(folder).paths() for row in read_rows(path)]
    return [json.loads(event.raw) for event in rows if isinstance(event, Received) and event.topic == topic]


async def decided_by_hand(person: Person) -> int:
    """Reject; leave a zone out, which fails for a stuck key; acknowledge, hold, release, approve, leave; that zone."""
    await person.sees(r"\[1\] unit u1")
    person.type("n 1 the sheet was creased")
    await person.sees(r"unit u1: rejected")
    await person.sees(r"\[2\] unit u1")
    zone = int((await person.sees(r"^ +zone +from.*\n +(\d+) "))[1])
    person.type(f"e 2 {zone}=out")
    await person.sees(r"ALARM unit u1: .*zone 7.*\(ack move_failed u1\)")
    person.type("ack move_failed u1")
    await person.sees(r"acknowledge: done")
    person.type("hold")
    await person.sees(r"hold: done")
    person.type("release")
    await person.sees(r"release: done")
    number = (await person.sees(r"\[(\d+)\] unit u1"))[1]
    person.type(f"y {number}")
    await person.sees(r"unit u1: (moved|failed)")
    person.type("end")
    await person.sees(r"ok +replay")
    return zone


@pytest.mark.timeout(100)
async def test_a_person_decides_and_is_told_how_it_went(tmp_path: Path) -> None:
    """Typed words go through signed decisions and requests; the debrief's figures are the journal's and the truth's."""
    require_tool("mosquitto")
    out = tmp_path / "out"
    pace = ("--scenario", "one-ink", "--seed", "3", "--time-factor", "15", "--out", str(out))
    with at_a_terminal(*pace, "--fault", FAULT, "--fault", WEAKER) as (person, run):
        zone = await decided_by_hand(person)
        assert run.wait(timeout=30) == 0
    assert "FAILED" not in person.seen
    journal = out / "journal"
    decisions = taken(journal, "decision")
    assert [each["verdict"] for each in decisions] == ["reject", "approve", "approve"]
    assert [each["leave"] for each in decisions] == [[], [zone], []]
    asked = taken(journal, "request")
    assert [each["kind"] for each in asked] == ["acknowledge", "hold", "release"]
    assert all(each["signature"].count(".") == 2 for each in (*decisions, *asked))
    told = (out / "debrief.md").read_text("utf-8")
    moved = [row for each in published(journal, "outcome") for row in each["moved"]]
    ways = [abs(row["read_back_pct"] - row["from_pct"]) for row in moved]
    row = next(line for line in told.splitlines() if line.startswith("| u1 "))
    assert row.split(" | ")[3].startswith(f"{sum(way > 0 for way in ways)} / ")
    assert row.split(" | ")[4].startswith(f"{sum(ways):.0f} / ")
    assert "Rejected (the sheet was creased)" in told
    assert f"Approved without zone {zone} at sheet" in told
    assert re.search(
        r"sheet 130: stuck u1 zone 7\. The service first spoke of it at .*\(acknowledge move_failed\)", told
    )
    _same_press(out)


def _same_press(out: Path) -> None:
    """Up to the first move, a press made here from scenario and seed has as many zones out at every sampled sheet."""
    run, scenario = load(out / "seen.jsonl"), load_scenario(out / "scenario.json")
    first = next(row.sheet for row in run.rows if row.topic == "decision")
    press, compared = Press(scenario, seed=3, run_id=RUN_ID), 0
    press.start()
    for sample in run.samples:
        if sample.sheet < first:
            press.step(sample.sheet - press.sheet)
            assert sample.out == zones_out(truth(press), scenario)
            compared += 1
    assert compared >= 3
    assert run.samples[-1].sheet >= run.rows[-1].sheet


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--fault", "soon stuck"], "--fault 'soon stuck': expected SHEET KIND"),
        (["--fault", "10 stuck unit=u2"], "--fault '10 stuck unit=u2': zone = None: expected 1 to 32"),
        (["--fault", "10 stuck where=u2"], "'where=u2': expected SHEET KIND"),
        (["--fault", "10 stuck unit=u2 zone=x"], "zone = 'x': expected a number"),
        (["--fault", "10 melted"], "kind = 'melted': Input should be"),
        (
            ["--fault", "10 feed unit=u2 value=0.1 until=10"],
            "until_sheet = 10: expected more than at_sheet = 10",
        ),
        (["--scenario", "nowhere.toml"], "expected a readable file"),
        (["--decisions", "nowhere.txt"], "--decisions nowhere.txt: expected a readable file"),
        (["--sheets", "59"], "--sheets 59: expected at least 60"),
    ],
)
def test_what_cannot_be_trained_is_said_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    """A wrong option ends with 2 and a line that names it."""
    assert main(["train", "--out", str(tmp_path / "out"), *words]) == 2
    error = capsys.readouterr().err
    assert error.startswith("inksteward train: ")
    assert said in error


def test_a_script_is_read_before_anything_starts(tmp_path: Path) -> None:
    """A script from standard input with a line that is not understood ends with 2 and names the line."""
    done = train("--decisions", "-", "--out", str(tmp_path / "out"), typed="y\n\n# a remark\nperhaps\n")
    assert done.returncode == 2
    assert done.stderr == "inksteward train: --decisions -: line 4: expected y, n or e; ? for help\n"
    assert not (tmp_path / "out").exists()


def test_every_scenario_is_told_in_a_line(capsys: pytest.CaptureFixture[str]) -> None:
    """The list names every scenario with a sentence, and the one that is drawn."""
    assert main(["train", "--list"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines] == [*bundled_scenarios(), "any"]
    assert all(text.endswith(".") and len(text) > 10 for _, text in told())


def test_a_drawn_scenario_has_faults_and_does_not_tell(tmp_path: Path) -> None:
    """By one seed always the same one, by others others; the press's name says nothing of it."""
    drawn = [chosen("any", seed) for seed in range(12)]
    assert [name for name, _ in drawn] == [chosen("any", seed)[0] for seed in range(12)]
    assert len({name for name, _ in drawn}) > 4
    assert all(scenario.fault for _, scenario in drawn)
    assert {scenario.press for _, scenario in drawn} == {"press-training"}


def test_faults_come_on_top_of_the_scenario_s_own() -> None:
    """A further fault is planned beside the scenario's; one for a unit that the press lacks is refused."""
    _, scenario = chosen("stuck-key", 1)
    further = with_faults(scenario, ["300,speed,value=12000,until=400"])
    assert [(fault.kind.value, fault.at_sheet, fault.until_sheet) for fault in further.fault] == [
        ("stuck", 0, None),
        ("speed", 300, 400),
    ]
    with pytest.raises(DemoError, match="unit = 'u9': expected one of u1, u2, u3, u4"):
        with_faults(scenario, ["300 stuck unit=u9 zone=1"])
