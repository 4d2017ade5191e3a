"""A report as one HTML page that needs nothing else: no script, no other file, no clock."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files

from inksteward.reporting import first_page, records, sections
from inksteward.reporting.markup import Markup, joined, tag
from inksteward.reporting.plan import patterns
from inksteward.reporting.story import Stories, Story
from inksteward.reporting.walk import Source

_POLICY = "default-src 'none'; style-src 'unsafe-inline'"


def page(stories: Stories, story: Story, sources: Sequence[Source]) -> bytes:
    """The page of one run, UTF-8; the same for the same record."""
    style = files("inksteward.reporting").joinpath("report.css").read_text("utf-8")
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=_POLICY),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("title", f"Report of run {story.run_id}" if story.run_id else "Report of a record without a run"),
        tag("style", Markup(style)),
    )
    main = tag(
        "main",
        first_page.verdict(sources),
        first_page.figures(story),
        first_page.printed(story),
        sections.last_sheet(story),
        sections.zones(story),
        sections.ok_sheet(story),
        sections.charts(story),
        records.decisions(story),
        records.told(story),
        records.waste(story),
        records.origin(stories, sources),
    )
    body = tag("body", patterns(), first_page.header(stories, story), main, records.footer())
    return joined((Markup("<!DOCTYPE html>\n"), tag("html", head, body, lang="en"), Markup("\n"))).encode()
