"""From journal to tables: everything that was told stands there, once."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from pathlib import Path

import pytest

from inksteward.events import InputDropped, Stamp
from inksteward.journal_format import JournalError
from inksteward.journal_read import read_rows
from inksteward.reporting.columns import Record
from inksteward.reporting.context import REMEMBERED, Context, Recent, ms_of
from inksteward.reporting.figures import means, share_of
from inksteward.reporting.first_page import first_right
from inksteward.reporting.sinks import fitted
from inksteward.reporting.story import Ink, Story
from inksteward.reporting.tables import TABLES, tables_text
from inksteward.reporting.told_in import happened
from inksteward.reporting.walk import lay_out, sources_of
from inksteward.service.page.chronicle import Chronicle
from tests.records import closed_record, forge
from tests.reporting.kit import FIRST, WHY, came_in, said_in, tables_of
from tests.reporting.test_figures import sheet

Tables = dict[str, list[Record]]
GUIDE = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text("utf-8")


def test_the_guide_names_every_table_and_column() -> None:
    """The guide's table is the code's."""
    assert tables_text() in GUIDE


def test_every_row_has_the_columns_of_its_table(tables: Tables) -> None:
    """No column is missing, none is extra, and every value is of its column's type."""
    for name, rows in tables.items():
        columns = TABLES[name].columns
        for row in rows:
            assert set(row) == {column.name for column in columns}
            for column in columns:
                value = row[column.name]
                assert fitted(column, value) == (None if value == "" else value)


def test_every_zone_of_every_reading_is_there(paths: tuple[Path, ...], tables: Tables) -> None:
    """Densities, aims and verdicts of all readings, in the order of the record."""
    told = [
        (data["scan_id"], data["sheet"], unit, zone + 1, row["density"][zone], row["in_tolerance"][zone])
        for data in said_in(paths, "reading")
        for unit, row in data["units"].items()
        for zone in range(len(row["density"]))
    ]
    names = ("scan_id", "sheet", "unit", "zone", "density_d", "in_tolerance")
    assert [tuple(row[name] for name in names) for row in tables["scans"]] == told
    assert len(told) > 500


def test_patches_are_those_of_the_scans(paths: tuple[Path, ...], tables: Tables) -> None:
    """One row for each patch and filter; what was set aside carries its code."""
    refused = {row["id"] for row in tables["refused"]}
    scans = [data for _, data in came_in(paths, lambda event: event.topic == "scan") if "patches" in data]
    values = sum(len(patch.get("density") or {None: 0}) for scan in scans for patch in scan["patches"])
    assert not refused & {scan["scan_id"] for scan in scans}
    assert len(tables["patches"]) == values
    aside = sum(len(data["set_aside"]) for data in said_in(paths, "reading"))
    assert len({(row["scan_id"], row["patch"]) for row in tables["patches"] if row["set_aside"]}) == aside > 0


def test_decisions_name_who_and_when(tables: Tables) -> None:
    """Accepted ones and refused ones, with the name that the operators file has; nobody vouches for a refused one."""
    rows = tables["decisions"]
    assert {row["operator_name"] for row in rows if row["accepted"]} == {"Anna", "Ben & <b>Co</b>"}
    assert {row["operator_name"] for row in rows if row["operator"] == "op-nobody"} == {None}
    assert not any(row["accepted"] for row in rows if row["operator"] == "op-nobody")
    assert {row["verdict"] for row in rows} == {"approve", "reject"}
    assert {row["reason"] for row in rows if row["verdict"] == "reject"} == {WHY}
    assert any(row["left_moves"] for row in rows)
    assert any(row["changed_moves"] for row in rows)
    ended = {row["decision_id"] for row in tables["outcomes"] if row["decision_id"]}
    assert ended == {row["decision_id"] for row in rows if row["accepted"]}


def test_a_decision_that_comes_twice_stands_once(paths: tuple[Path, ...], tables: Tables) -> None:
    """Input is at least once: what changes nothing the second time is no second decision."""
    source = sources_of(paths[:1])[0]
    rows = list(source.rows())
    found: Tables = {}

    class Twice:
        """The same source with every decision twice."""

        path, report, fault = source.path, source.report, None

        def rows(self) -> list:
            return [row for each in rows for row in (each, each)[: 1 + (b'"topic":"decision"' in each.body)]]

    lay_out((Twice(),), lambda name, row: found.setdefault(name, []).append(row))  # type: ignore[arg-type]
    accepted = [row["decision_id"] for row in found["decisions"] if row["accepted"]]
    first = [row["decision_id"] for row in tables["decisions"] if row["accepted"]]
    assert accepted == first[: len(accepted)]
    assert len(accepted) > 8


def test_waste_is_the_page_s(paths: tuple[Path, ...], tables: Tables) -> None:
    """The sums of a file are what the operator's page counts over it."""
    page = Chronicle()
    page.restore(paths[0])
    found = tables_of(paths[0])["waste"]
    for name, sheets in page.waste.items():
        assert sum(row[f"{name}_sheets"] for row in found) == sheets
    assert page.waste["not_good"] > 0
    rows = tables["waste"]
    assert rows[-1]["to_sheet"] - rows[0]["from_sheet"] == sum(row["printed_sheets"] for row in rows)
    assert all(a["to_sheet"] == b["from_sheet"] for a, b in pairwise(rows))


def test_moves_are_those_of_the_outcomes(paths: tuple[Path, ...], tables: Tables) -> None:
    """Every key that moved, and every sweep."""
    outcomes = said_in(paths, "outcome")
    told = Counter((row["unit"], key["zone"]) for row in outcomes for key in row["moved"])
    assert Counter((row["unit"], row["zone"]) for row in tables["moves"]) == told
    assert len(tables["sweeps"]) == sum(row["sweep"] is not None for row in outcomes) > 0


def test_alarms_have_beginning_and_end(paths: tuple[Path, ...], tables: Tables) -> None:
    """Every alarm that stood in a published list is there once, with its end."""
    told = {
        (row["code"], row["unit"], row["since"]) for data in said_in(paths, "alarm") for row in data["alarms"]
    }
    found = [(row["code"], row["unit"], row["began_at"]) for row in tables["alarms"]]
    assert sorted(found) == sorted((code, unit, ms_of(since)) for code, unit, since in told)
    assert found
    assert all(row["ended_at"] is None or row["ended_at"] >= row["began_at"] for row in tables["alarms"])


def test_what_was_refused_is_told(tables: Tables) -> None:
    """Each thing that was wrong with an input, with field, value and what was expected."""
    rows = [row for row in tables["refused"] if row["topic"] == "scan"]
    assert {"field": "sheet", "value": "many", "expected": "a whole number"}.items() <= rows[2].items()


def test_a_file_that_begins_within_a_run_knows_its_job(paths: tuple[Path, ...]) -> None:
    """The second file alone names run, job, phase and press from what the service carried over."""
    found = tables_of(paths[1])
    assert {row["run_id"] for row in found["scans"]} == {"run-1"}
    assert {row["phase"] for row in found["scans"]} == {"run"}
    assert found["jobs"][0]["job_id"] == "harbour-calendar"
    assert found["starts"][0]["press"] == "press-demo"
    assert len(found["calibrations"]) == 2


def test_files_must_follow_one_another(paths: tuple[Path, ...]) -> None:
    """In the wrong order, or with one left out, nothing is made of them."""
    with pytest.raises(JournalError, match="expected journals that follow one another, oldest first"):
        sources_of(paths[::-1])


def test_rows_behind_a_fault_are_not_read(paths: tuple[Path, ...], tmp_path: Path) -> None:
    """Of an altered record only the rows before the fault are laid out."""
    path = tmp_path / FIRST
    path.write_bytes(paths[0].read_bytes())
    forge(path, "UPDATE event SET wall_ms = wall_ms + 1 WHERE seq = 200")
    source = sources_of([path])[0]
    assert source.report.rows == 199
    assert "row 200: altered" in (source.fault or "")
    assert len(list(source.rows())) == 199
    assert len(list(read_rows(path))) > 400


def test_payloads_of_another_form_are_told(tmp_path: Path) -> None:
    """A record that holds together but speaks otherwise is refused with its row."""
    path = tmp_path / "other.journal"
    closed_record(path)
    with pytest.raises(JournalError, match=r"row \d+: a payload is not of version 1 of the contract"):
        tables_of(path)


def test_only_so_much_is_remembered() -> None:
    """However long a record is, ids of its proposals are kept up to a number; the oldest go first."""
    recent: Recent[int] = Recent()
    for number in range(3 * REMEMBERED):
        assert recent.keep(f"p-{number}", number)
    assert len(recent) == REMEMBERED
    assert not recent.keep(f"p-{3 * REMEMBERED - 1}", 0)


def test_what_was_dropped_is_told() -> None:
    """Input that the rate limit dropped stands beside what was refused, with how much it was."""
    found: list[tuple[str, Record]] = []
    at = Context(lambda name, row: found.append((name, row)), run_id="run-1")
    happened(at, Stamp(1, 1000, 0), InputDropped("scan", 12, ()), ())
    ((name, row),) = found
    assert name == "refused"
    assert (row["topic"], row["value"], row["run_id"]) == ("scan", "12 messages", "run-1")


def test_a_zone_by_hand_is_no_sheet() -> None:
    """One zone read by hand is neither the last sheet nor the first that is right, and shifts no mean of all zones."""
    story = Story("run-1")
    story.inks["u1"] = Ink("u1", "K", [sheet(10, 1.5, 1.6), sheet(20, 1.42, 1.5)])
    by_hand = sheet(30, 1.4, None)
    by_hand.full = False
    story.inks["u1"].sheets.append(by_hand)
    assert story.inks["u1"].last().sheet == 20
    assert first_right(story) is None
    assert [number for number, _ in means(story.inks["u1"].sheets)] == [10, 20]
    assert share_of(seen.in_tolerance[0] for seen in story.inks["u1"].sheets).read == 3


def test_a_stop_after_the_ok_sheet_is_after_it() -> None:
    """What is printed once the run was stopped and goes on still comes after the OK sheet."""
    story = Story("run-1")
    for number, phase in enumerate(("makeready", "run", "stopped")):
        row = {f"{name}_sheets": 10 for name in ("printed", "not_good", "not_told", "out", "unread")}
        story.take("waste", {**row, "phase": phase, "to_sheet": number})
    assert (story.waste[False]["printed_sheets"], story.waste[True]["printed_sheets"]) == (10, 20)


@pytest.mark.parametrize(
    ("text", "ms"),
    [("2026-03-02T08:15:30.250Z", 1_772_439_330_250), (None, None), ("soon", None), ("2026-03-02", None)],
)
def test_times_are_read_or_unknown(text: str | None, ms: int | None) -> None:
    """A time without a zone, or none at all, is unknown."""
    assert ms_of(text) == ms
