"""The parts of a report that list: decisions, alarms, notes, waste, and where the record comes from."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from inksteward import __version__
from inksteward.reporting.columns import Record
from inksteward.reporting.markup import Markup, facts, joined, table, tag
from inksteward.reporting.sections import section, times
from inksteward.reporting.story import Stories, Story
from inksteward.reporting.walk import Source
from inksteward.reporting.wording import VIA, clock, count, ink_name, moment, plain

WASTE = (
    "Counted as the operator's page counts it, from one word of the sheet counter to the next. The columns overlap: a "
    "sheet may be not good and have a zone out of tolerance. What the counter was not told is not known to be good."
)


def decisions(story: Story) -> Markup:
    """Every decision, with name and time and where it was made."""
    ended = {row["decision_id"]: row for row in story.rows["outcomes"] if row["decision_id"]}
    rows = [
        (
            clock(row["decided_at"]),
            _who(row),
            VIA.get(row["via"], row["via"]),
            "" if row["sheet"] is None else f"{row['sheet']:,}",
            f"{ink_name(row['ink'])} ({row['unit']})" if row["unit"] else "proposal had ended",
            _verdict(row),
            _came_of(row, ended.get(row["decision_id"])),
            row["reason"],
        )
        for row in story.rows["decisions"]
    ]
    heads = ("time, UTC", "who", "where", "sheet", "ink", "decision", "came of it", "reason")
    others = [
        (
            clock(row["asked_at"]),
            _who(row),
            VIA.get(row["via"], row["via"]),
            "" if row["sheet"] is None else f"{row['sheet']:,}",
            plain(row["kind"]),
            " ".join(str(row[name]) for name in ("unit", "scan_id", "what") if row[name]),
            "done" if row["accepted"] else "refused",
        )
        for row in story.rows["requests"]
    ]
    asked = table(
        "What operators asked for besides",
        ("time, UTC", "who", "where", "sheet", "what", "of what", "came of it"),
        others,
    )
    lapsed = Counter(row["code"] for row in story.rows["outcomes"] if row["result"] == "lapsed")
    told = ", ".join(f"{plain(code)} {number}" for code, number in sorted(lapsed.items()))
    undecided = tag("p", f"Undecided: {count(lapsed.total(), 'proposal')} lapsed ({told}).") if lapsed else ""
    return section("Who decided what", table("Decisions", heads, rows), undecided, asked)


def _who(row: Record) -> str:
    """Name and id. Of what was refused nobody vouches for them, except at the page, where somebody had signed in."""
    if not row["accepted"] and row["via"] != "page":
        return f"said to be {row['operator']}"
    return f"{row['operator_name'] or row['operator']} ({row['operator']})"


def _verdict(row: Record) -> str:
    if row["verdict"] == "reject":
        return "no"
    parts = []
    if row["left_moves"]:
        parts.append(f"{count(row['left_moves'], 'key')} left out")
    if row["changed_moves"]:
        parts.append(f"{count(row['changed_moves'], 'target')} changed")
    if row["left_sweep"]:
        parts.append("sweep left")
    return "yes" + (f", {', '.join(parts)}" if parts else "")


def _came_of(row: Record, outcome: Record | None) -> str:
    if not row["accepted"]:
        return "refused: it did not count"
    if outcome is None:
        return "not in this record"
    code = f": {plain(outcome['code'])}" if outcome["code"] else ""
    if outcome["result"] == "moved":
        return f"{count(outcome['moved'], 'key')} moved{code}"
    return f"{plain(outcome['result'])}{code}"


def told(story: Story) -> Markup:
    """Alarms, notes and faults."""
    alarms = [
        (
            clock(row["began_at"]) if row["began_at"] is not None else "not known",
            times(row["ended_at"]),
            plain(row["code"]),
            " ".join(f"{name} {row[name]}" for name in ("unit", "zone") if row[name] is not None),
            row["count"],
            row["text"],
            row["remedy"],
        )
        for row in story.rows["alarms"]
    ]
    notes = [
        (plain(code), unit, note.times, _between(note.first_sheet, note.last_sheet), note.text, note.remedy)
        for (code, unit), note in sorted(story.notes.items(), key=lambda item: -item[1].times)
    ]
    return section(
        "What was told",
        table("Alarms", ("from, UTC", "to", "alarm", "where", "times", "words", "remedy"), alarms),
        table(
            "Notes and faults, the most frequent first; words as told last",
            ("what", "unit", "times", "sheets", "words", "what to check"),
            notes,
        ),
        table("Inputs that were refused, by what was wrong", ("topic", "times"), story.refused.most_common()),
        table(
            "Limits that held proposed moves back",
            ("limit", "times"),
            [(plain(code), number) for code, number in story.limits.most_common()],
        ),
    )


def _between(first: int | None, last: int | None) -> str:
    if first is None or last is None:
        return ""
    return f"{first:,}" if first == last else f"{first:,} to {last:,}"


def waste(story: Story) -> Markup:
    """Sheets by what is known of them, before and after the OK sheet."""
    names = ("printed", "not_good", "not_told", "out", "unread")
    heads = (
        "sheets",
        "printed",
        "not good",
        "not told",
        "a zone out of tolerance",
        "before the first reading",
    )
    rows = [
        (label, *(f"{story.waste[after][f'{name}_sheets']:,}" for name in names))
        for after, label in ((False, "until the OK sheet"), (True, "after the OK sheet"))
        if story.waste[after]["printed_sheets"]
    ]
    return section(
        "Waste, in sheets", table("Sheets by what is known of them", heads, rows, "numbers"), tag("p", WASTE)
    )


def origin(stories: Stories, sources: Sequence[Source]) -> Markup:
    """Press, calibrations, software, configuration and the chain of the record."""
    calibrations = [
        (
            unit,
            row["blade_id"],
            row["calibrated_on"],
            row["expires_on"],
            "" if row["uncertainty_um"] is None else f"{row['uncertainty_um']:g}",
            "" if row["min_gap_um"] is None else f"{row['min_gap_um']:g}",
            "valid" if row["valid"] else "not valid",
        )
        for (unit, _, _), row in stories.calibrations.items()
    ]
    heads = ("unit", "blade", "calibrated", "expires", "uncertainty, um", "least gap, um", "at the start")
    starts = [
        (
            moment(row["started_at"]),
            row["core_version"],
            row["instance"],
            tag("span", row["config_sha256"], class_="hash"),
        )
        for row in stories.starts
    ]
    return section(
        "Where this comes from",
        table("Calibration of the keys", heads, calibrations),
        table("Starts of the service", ("time", "software", "instance", "configuration, SHA-256"), starts),
        *(_file(source) for source in sources),
    )


def _file(source: Source) -> Markup:
    report = source.report
    rows = (
        ("File", source.path.name),
        ("Verified", "no fault found" if report.sound else "NOT SOUND"),
        ("Rows that hold", f"{report.rows:,}"),
        ("Follows", tag("span", report.genesis, class_="hash")),
        ("Last hash", tag("span", report.head, class_="hash")),
        (
            "Vouched for up to row",
            f"{report.vouched:,}" if report.vouched else "none: nothing from outside was given",
        ),
    )
    faults = [
        (finding.code, "" if finding.seq is None else finding.seq, finding.text)
        for finding in report.findings
    ]
    return joined(
        (
            tag("h3", f"Record {source.path.name}"),
            Markup(facts(rows).replace('class="facts"', 'class="facts one"')),
            table("Faults", ("fault", "row", "what is wrong"), faults),
            tag("ul", *(tag("li", doubt) for doubt in report.doubts)),
        )
    )


def footer() -> Markup:
    """Who made this page."""
    return tag(
        "footer",
        f"Made by inksteward {__version__} from the journal named above, with nothing added. The same journal and "
        "software give the same page. All times UTC, as the service's clock had them. D: optical density. Sheets: "
        "impressions of the run, counted from 0.",
    )
