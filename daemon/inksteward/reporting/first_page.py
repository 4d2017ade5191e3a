"""The first page of a report: what was printed, whether the record can be vouched for, the figures that matter."""

from __future__ import annotations

from collections.abc import Sequence

from inksteward.reporting.figures import share_of
from inksteward.reporting.markup import Markup, facts, joined, tag
from inksteward.reporting.story import Stories, Story
from inksteward.reporting.walk import Source
from inksteward.reporting.wording import count, ink_name, list_of, moment, percent

CAUTION = (
    "This report says what the service read, proposed and recorded. Readings are those of the instrument at its "
    "strip; nothing here is a statement about parts of a sheet that were not measured, nor a certificate. It names "
    "people: handle it as personal data. Inksteward is not a safety device, and its interlock is not a certified "
    "safety function."
)
_SOUND = tag("path", d="M6 20l9 9l19 -21", class_="bar", style="stroke-width:4")
_BROKEN = tag("path", d="M8 8l24 24m0 -24l-24 24", class_="bar", style="stroke-width:5")


def header(stories: Stories, story: Story) -> Markup:
    """Job, run, press and time."""
    job = story.rows["jobs"][-1]["job_id"] if story.rows["jobs"] else None
    press = stories.starts[-1]["press"] if stories.starts else None
    title = f"Job {job}" if job else f"Run {story.run_id}" if story.run_id else "No run"
    where = [f"run {story.run_id}" if story.run_id else "no run in this record"]
    where += [f"press {press}"] if press else []
    return tag(
        "header",
        tag("p", "Report of a run", class_="kind"),
        tag("h1", title),
        tag("p", ", ".join(where), class_="when"),
        tag("p", _period(story), class_="when"),
    )


def _period(story: Story) -> str:
    if story.first_at is None:
        return "no sheet was counted or read"
    began = "" if not story.first_sheet else f", begins within the run at sheet {story.first_sheet:,}"
    return f"{moment(story.first_at)} to {moment(story.last_at)}{began}"


def verdict(sources: Sequence[Source]) -> Markup:
    """Whether the record is whole; if not, from where on it is not."""
    faulty = next((source for source in sources if source.fault), None)
    rows = sum(source.report.rows for source in sources)
    if faulty is not None:
        shown = (
            f"Everything here comes from the rows that hold ({count(rows, 'row')} in all). Nothing after them is "
            "shown, and even these may have been written anew: have the record looked at before you rely on it."
        )
        return tag(
            "div",
            tag("svg", _BROKEN, viewBox="0 0 40 40", aria_hidden="true"),
            tag(
                "p",
                tag("b", "This report cannot be vouched for"),
                tag("span", f"{faulty.path.name}: {faulty.fault}. ", class_="fault"),
                shown,
            ),
            class_="verdict bad",
            role="alert",
        )
    last = sources[-1].report
    vouched = (
        f"A head or signature from outside vouches for rows up to {last.vouched:,}."
        if last.vouched
        else "Nothing from outside was given that would show whether rows behind its end were cut off."
    )
    return tag(
        "div",
        tag("svg", _SOUND, viewBox="0 0 40 40", aria_hidden="true"),
        tag(
            "p",
            tag("b", "No fault was found in the record"),
            f"{count(rows, 'row')} in {count(len(sources), 'file')}, each bound to the one before it by a hash. "
            f"{vouched} Last hash ",
            tag("span", last.head, class_="hash"),
        ),
        class_="verdict",
    )


def figures(story: Story) -> Markup:
    """The few numbers that are asked for first."""
    inks = story.controlled()
    after = any(sheet.after_ok for ink in inks for sheet in ink.sheets)
    share = share_of(told for ink in inks for sheet in ink.judged() for told in sheet.in_tolerance)
    scans = {sheet.scan_id for ink in story.inks.values() for sheet in ink.sheets}
    accepted = [row for row in story.rows["decisions"] if row["accepted"]]
    approved = sum(row["verdict"] == "approve" for row in accepted)
    printed = sum(sums["printed_sheets"] for sums in story.waste.values())
    first = first_right(story)
    rows = [
        (
            percent(share.pct),
            "of zone readings in tolerance " + ("after the OK sheet" if after else "in the whole record"),
        ),
        (f"{printed:,}", "sheets counted"),
        (f"{len(scans):,}", "sheets read"),
        ("–" if first is None else f"{first:,}", "first sheet with every zone that was read in tolerance"),
        (
            f"{approved:,} of {len(accepted):,}",
            f"decisions were a yes, on {count(story.proposals, 'proposal')}",
        ),
        (f"{sum(ink.moves for ink in inks):,}", "key movements"),
    ]
    return tag("ul", *(tag("li", tag("b", big), tag("span", told)) for big, told in rows), class_="figures")


def first_right(story: Story) -> int | None:
    """The first sheet on which every zone of every ink that was read was in tolerance; None for none."""
    told: dict[tuple[int, str], list[bool]] = {}
    for ink in story.controlled():
        for sheet in (sheet for sheet in ink.sheets if sheet.full):
            known = [value for value in sheet.in_tolerance if value is not None]
            told.setdefault((sheet.sheet, sheet.scan_id), []).extend(known)
    return min((sheet for (sheet, _), values in told.items() if values and all(values)), default=None)


def printed(story: Story) -> Markup:
    """The job: inks, aims, basis, OK sheet in a line."""
    jobs = story.rows["jobs"]
    last = jobs[-1] if jobs else {}
    inks = [f"{ink_name(ink.ink)} ({ink.unit})" for ink in story.inks.values()]
    basis = None
    if last:
        how = "polarised" if last["polarised"] else "not polarised"
        paper = "relative to paper" if last["paper_relative"] else "absolute"
        basis = f"status {last['status']}, {how}, {paper}"
    return joined(
        (
            facts(
                (
                    ("Inks", list_of(inks)),
                    ("Densities", basis),
                    ("Printing condition", last.get("condition")),
                    ("Instrument", list_of(list(story.instruments)) if story.instruments else None),
                )
            ),
            tag("p", tag("b", "Cautions. "), CAUTION, class_="caution"),
        )
    )
