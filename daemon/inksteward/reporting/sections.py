"""The parts of a report after its first page: the sheet, the charts, who decided what, what was told."""

from __future__ import annotations

from math import sqrt
from statistics import fmean

from inksteward.diagnosis.spc import Chart
from inksteward.reporting.chart import Course, control_chart, limits_told
from inksteward.reporting.figures import (
    Share,
    Signalled,
    averages,
    limits_of,
    means,
    of_zone,
    share_of,
    shares,
    signalled,
    worst_zone,
)
from inksteward.reporting.markup import Markup, joined, table, tag
from inksteward.reporting.plan import conformance, sheet_plan
from inksteward.reporting.story import Ink, Story
from inksteward.reporting.wording import VIA, clock, count, ink_name, moment, percent, signed_two

RULES = (
    "Limits come from the mean moving range of successive readings: the centre ± 3 standard deviations for the "
    "readings themselves (chart of individuals, Shewhart 1931: 370 healthy readings between false signals), and ± "
    "2.962 of its own standard deviations for the moving average of weight 0.2 (EWMA, Roberts 1959: 500). A "
    "running sum (CUSUM, Page 1954; slack 0.5, limit 5 standard deviations: 465) is named where it signals. Those "
    "numbers hold for independent readings of a process that nobody moves. A control limit is not a tolerance: it "
    "says what this press does by itself."
)
NAMES = {
    Chart.INDIVIDUALS: "a reading beyond 3 standard deviations",
    Chart.EWMA: "the moving average beyond its limit",
    Chart.CUSUM: "the running sum beyond its limit",
}


def section(title: str, *inside: object) -> Markup:
    """A part with its heading."""
    return tag("section", tag("h2", title), *inside)


def last_sheet(story: Story) -> Markup:
    """The sheet as it was read last."""
    rows = [(ink, ink.last()) for ink in story.controlled()]
    if not rows:
        return section("The sheet", tag("p", "No sheet of a job with aims was read.", class_="none"))
    sheet = max(seen.sheet for _, seen in rows)
    one = all(seen.sheet == sheet for _, seen in rows)
    which = f"Sheet {sheet:,}" if one else "Every ink as its whole strip was read last"
    told = (
        f"{which}, seen from above: columns are the zones of the ink keys, lanes the inks. Each shape is the density "
        "of the solid in that zone, against the aim and tolerance that held then."
    )
    picture = sheet_plan(
        "plan", f"The last sheet that was read, {sheet:,}" if one else "The last readings", rows
    )
    return section("The last sheet that was read", tag("figure", picture, tag("figcaption", told)))


def zones(story: Story) -> Markup:
    """Conformance of each ink and zone."""
    inks = story.controlled()
    if not inks:
        return Markup("")
    rows: list[tuple[Ink, list[Share], Share]] = []
    for ink in inks:
        judged = ink.judged()
        rows.append((ink, shares(judged, ink.zones), share_of(v for s in judged for v in s.in_tolerance)))
    after = any(sheet.after_ok for ink in inks for sheet in ink.sheets)
    span = "after the OK sheet" if after else "in the whole record, makeready included (there is no OK sheet)"
    told = (
        f"Share of readings in tolerance, in percent, by zone and ink, {span}: "
        f"{count(max(len(ink.judged()) for ink in inks), 'reading')} of each ink at most. "
        "The denser the hatching, the less."
    )
    picture = conformance("conformance", "Readings in tolerance, by zone and ink", rows)
    most = max(ink.zones for ink in inks)
    body = []
    for zone in range(most):
        cells: list[object] = [str(zone + 1)]
        for _, found, _ in rows:
            share = found[zone] if zone < len(found) else Share(0, 0)
            cells.append(f"{share.right} of {share.read}" if share.read else "not read")
        body.append(cells)
    body.append(["all", *(f"{whole.right} of {whole.read}: {percent(whole.pct)}" for _, _, whole in rows)])
    heads = ["zone", *(f"{ink_name(ink.ink)} ({ink.unit})" for ink in inks)]
    figures = table(f"Readings in tolerance, of those that were read, {span}", heads, body, "numbers")
    summary = table(
        f"By ink, {span}", _SUMMARY, [_summed(ink, whole) for ink, _, whole in rows], "numbers full"
    )
    return section(
        "In tolerance, by zone and ink", tag("figure", picture, tag("figcaption", told)), summary, figures
    )


_SUMMARY = (
    "ink",
    "aim, D",
    "tolerance, D",
    "readings",
    "in tolerance",
    "scatter about the aim, D",
    "key movements in all",
    "travel in all, % of key travel",
)


def _summed(ink: Ink, whole: Share) -> tuple[object, ...]:
    """A row of the summary: aims and tolerances as they were last, root mean square of all deviations."""
    judged, last = ink.judged(), ink.last()
    errors = [error for sheet in judged for error in sheet.deviation_d() if error is not None]
    aims = [aim for aim in last.aim_d if aim is not None]
    ends = [
        (low - aim, high - aim)
        for low, aim, high in zip(last.low_d, last.aim_d, last.high_d, strict=True)
        if low is not None and aim is not None and high is not None
    ]
    low, high = (f"{min(aims):.2f}", f"{max(aims):.2f}") if aims else ("", "")
    return (
        f"{ink_name(ink.ink)} ({ink.unit})",
        low if low == high else f"{low} to {high}",
        f"{signed_two(ends[0][0])} to {signed_two(ends[0][1])}" if ends else "",
        len(judged),
        percent(whole.pct),
        f"{sqrt(fmean(error * error for error in errors)):.3f}" if errors else "",
        f"{ink.moves:,}",
        f"{ink.travel_pct:,.0f}",
    )


def ok_sheet(story: Story) -> Markup:
    """Which scan the operator named, who, when, and how it read."""
    asked = story.ok_sheets
    if not asked:
        return section("The OK sheet", tag("p", "No OK sheet was named in this record.", class_="none"))
    parts: list[object] = []
    for row in asked:
        who = row["operator_name"] or row["operator"]
        way = VIA.get(row["via"], row["via"])
        at = f"{who} ({row['operator']}) named scan {row['scan_id']}, {moment(row['asked_at'])}, {way}."
        parts.append(tag("p", at))
    named = asked[-1]["scan_id"]
    found = [(ink, sheet) for ink in story.controlled() for sheet in ink.sheets if sheet.scan_id == named]
    if found:
        title = f"The OK sheet, {found[0][1].sheet:,}"
        told = "The OK sheet against the aims that held when it was read; its densities became the aims of the run."
        parts.append(tag("figure", sheet_plan("ok", title, found), tag("figcaption", told)))
    return section("The OK sheet", *parts)


def charts(story: Story) -> Markup:
    """Individuals and moving average of each ink: mean of all zones, and the zone that was off most."""
    inks = story.controlled()
    if not inks:
        return Markup("")
    parts = [_ink_charts(story, ink) for ink in inks]
    keys = (
        "Grey band: between the limits, which are dashed and stand at the right edge. Thin line: centre. Dotted: aim. "
        "Hollow points: before the OK sheet, not judged. A square marks a point at which the chart's rule signals. In "
        "a long run each stretch keeps its least and its greatest value."
    )
    return section("Control charts", tag("p", RULES), tag("p", keys), *parts)


def _ink_charts(story: Story, ink: Ink) -> Markup:
    judged = ink.judged()
    before = [] if not judged[0].after_ok else [sheet for sheet in ink.sheets if not sheet.after_ok]
    name = ink_name(ink.ink)
    parts: list[object] = [tag("h3", f"{name}, unit {ink.unit}")]
    if not judged[0].after_ok:
        told = "No reading follows an OK sheet, so all are judged: while keys are being moved, signals are no news."
        parts.append(tag("p", told, class_="caption"))
    parts.append(_pair(story, ink, "mean of all zones", means(before), means(judged)))
    worst = worst_zone(judged, ink.zones)
    if worst is not None:
        told = f"zone {worst + 1}, off most"
        parts.append(_pair(story, ink, told, of_zone(before, worst), of_zone(judged, worst)))
    return tag("div", *parts, class_="ink")


def _pair(
    story: Story, ink: Ink, what: str, before: list[tuple[int, float]], judged: list[tuple[int, float]]
) -> Markup:
    if not judged:
        return tag("p", f"{what}: not read.", class_="none")
    values = [value for _, value in judged]
    limits = limits_of(values)
    found = signalled(values, limits) if limits else []
    number = f"{ink.unit}-{what.partition(' ')[0]}"
    ok = _ok_number(story, ink)
    running = averages(values, limits.centre) if limits else []
    smooth = [(sheet, value) for (sheet, _), value in zip(judged, running, strict=False)]
    kinds = [("individuals", "readings", judged, limits.individuals if limits else None, Chart.INDIVIDUALS)]
    if limits:
        kinds.append(("ewma", "moving average", smooth, limits.ewma, Chart.EWMA))
    told = f"{limits_told(limits)}. {_signals_told(judged, found)}"
    figures = []
    for kind, head, points, reach, rule in kinds:
        course = Course(
            before if kind == "individuals" else (),
            points,
            reach,
            limits.centre if limits else None,
            found,
            rule,
            ok,
        )
        title = f"{ink_name(ink.ink)}, {what}: {head}"
        figures.append(
            tag(
                "figure", tag("h4", f"{what}: {head}"), control_chart(f"{number}-{kind}", title, told, course)
            )
        )
    return joined((tag("div", *figures, class_="pair"), tag("p", f"{what}: {told}", class_="caption")))


def _ok_number(story: Story, ink: Ink) -> int | None:
    named = [row["scan_id"] for row in story.ok_sheets]
    found = [sheet.sheet for sheet in ink.sheets if named and sheet.scan_id == named[-1]]
    return found[0] if found else None


def _signals_told(points: list[tuple[int, float]], found: list[Signalled]) -> str:
    told = []
    for chart in Chart:
        at = [points[signal.index][0] for signal in found if chart in signal.charts]
        if at:
            told.append(f"{NAMES[chart]} at {count(len(at), 'reading')}, first at sheet {at[0]:,}")
    return f"Signals: {'; '.join(told)}." if told else "No rule signals."


def times(row_ms: int | None) -> str:
    """A time in a table, or that it is not over."""
    return "stands" if row_ms is None else clock(row_ms)
