"""The debrief: what was printed, went wrong, was said and done, and what the run beside it came to. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from inksteward.train.fates import SCANS_LATER, Fate, afterwards, fates, said_of, sheets_to_decide
from inksteward.train.figures import Figures, figures
from inksteward.train.record import Run
from inksteward.train.story import Story, stories
from inksteward_simulators.fault_plan import PlannedFault
from inksteward_simulators.link_messages import Patch

CAUTIONS = (
    "A simulated press teaches this software, not the machine. At a press follow the maker's manual, the local rules "
    "and whoever is in charge there; nothing learned here replaces training at the machine, guards or an emergency "
    "stop."
)


@dataclass(frozen=True, slots=True)
class Lesson:
    """What was trained on. ``title``: scenario and seed in words; ``inks``: unit -> ink in printing order; ``strip``:
    the patches as they are laid; ``stay_sheets``: how long an ink has to be right; ``delay_sheets``: from pull to
    reading, as in the run beside it."""

    title: str
    inks: dict[str, str]
    faults: tuple[PlannedFault, ...]
    strip: tuple[Patch, ...]
    stay_sheets: int
    delay_sheets: int


def debrief(lesson: Lesson, run: Run, beside: Run) -> str:
    """The whole debrief as Markdown. ``beside``: the same press with every proposal approved at once."""
    found = fates(run)
    told = stories(run, lesson.faults, lesson.strip, lesson.inks)
    parts = [
        f"# Debrief: {lesson.title}",
        _summary(lesson, run, found),
        _table(lesson, run, beside),
        _method(lesson),
        "## What went wrong, and who said so",
        _faults(told),
        "## Proposals that were not followed",
        _not_followed(run, found),
        "## Cautions",
        CAUTIONS,
    ]
    return "\n\n".join(parts) + "\n"


def _summary(lesson: Lesson, run: Run, found: Sequence[Fate]) -> str:
    every = list(lesson.inks)
    mine = figures(run, every, lesson.stay_sheets)
    followed = sum(fate.followed for fate in found)
    wait = sheets_to_decide(list(found))
    pace = "" if wait is None else f" A word came {wait:.0f} sheets after the proposal (median)."
    asked = ", ".join(f"{row.data['kind']} at sheet {row.sheet}" for row in run.of("request"))
    sweeps = f" and {mine.sweeps} of the sweep" if mine.sweeps else ""
    return (
        f"{run.printed} sheets were printed, {mine.waste} of them with an ink out of tolerance. {len(found)} proposals "
        f"were shown, {followed} of them approved as they were.{pace} {mine.moves} key moves{sweeps} were made, "
        f"{mine.travel_pct:.0f} % of key travel in all." + (f" Asked for: {asked}." if asked else "")
    )


def _table(lesson: Lesson, run: Run, beside: Run) -> str:
    """Yours / approved at once, ink by ink."""
    names = ("ink", "sheets out of tolerance", "right from sheet", "key moves", "key travel %")
    rows = ["| " + " | ".join(names) + " |", "|---" + "|---:" * 4 + "|"]
    groups = [(f"{unit} {ink}", [unit]) for unit, ink in lesson.inks.items()]
    for name, units in [*groups, ("any of them", list(lesson.inks))]:
        yours, other = (figures(each, units, lesson.stay_sheets) for each in (run, beside))
        cells = (
            f"{yours.waste} / {other.waste}",
            f"{_right(yours)} / {_right(other)}",
            f"{yours.moves} / {other.moves}",
            f"{yours.travel_pct:.0f} / {other.travel_pct:.0f}",
        )
        rows.append(f"| {name} | " + " | ".join(cells) + " |")
    return "\n".join(rows)


def _right(each: Figures) -> str:
    if each.right is None:
        return "never"
    return str(each.right) + ("" if each.again is None else f", out again at {each.again}")


def _method(lesson: Lesson) -> str:
    return (
        "In each cell: this run / every proposal approved at once. Sheets out of tolerance are counted by the truth "
        "of the simulated press, without the sheet's own noise: a sheet counts if any zone of the ink is out. Right "
        f"means no zone out for {lesson.stay_sheets} sheets running. Approved at once is the bench's closed loop "
        "(inksteward.bench.loop, the same core without wires) on the same press by the same seed with the same "
        f"faults: a scan as often, read {lesson.delay_sheets} sheets after it was pulled (the median of this run), "
        "every proposal approved as it is when it appears, every latched alarm acknowledged at once. Its strip "
        "reader's noise is drawn anew, so a few sheets more or less say nothing."
    )


def _faults(told: Sequence[Story]) -> str:
    return (
        "\n".join(_fault(story) for story in told)
        if told
        else "Nothing was planned to go wrong before the last sheet."
    )


def _fault(story: Story) -> str:
    fault = story.fault
    where = f" {fault.unit}" if fault.unit else ""
    where += f" zone {fault.zone}" if fault.zone is not None else ""
    what = f"{fault.kind.value.replace('_', ' ')}{where}"
    what += "".join(f", {value}" for value in (fault.name, fault.value) if value is not None)
    until = f" to {fault.until_sheet - 1}" if fault.until_sheet is not None else ""
    line = f"- From sheet {fault.at_sheet}{until}: {what}."
    if story.silent:
        return f"{line} Of this nothing is to be said."
    if story.spoke is None:
        return f"{line} The service had no word for it."
    how = (
        "The service first spoke of it"
        if story.spoke.named
        else "Nothing named it; the service first answered"
    )
    line += f" {how} at sheet {story.spoke.sheet} ({story.spoke.words})."
    if story.acted is None:
        return f"{line} The person did nothing about this after that."
    return f"{line} The person acted at sheet {story.acted.sheet} ({story.acted.words})."


def _not_followed(run: Run, found: Sequence[Fate]) -> str:
    stood = sum(not fate.ended for fate in found)
    other = [fate for fate in found if not fate.followed and fate.ended]
    last = f"\n\n{stood} more stood when the press stopped." if stood else ""
    if not other:
        return f"Every proposal that ended was followed.{last}"
    head = f"What the press did is told from the readings, at most {SCANS_LATER} scans later.\n\n"
    return head + "\n".join(_fate(run, fate) for fate in other) + last


def _fate(run: Run, fate: Fate) -> str:
    unit, ink = fate.proposal["unit"], fate.proposal["ink"]
    when = "" if fate.decided is None else f" at sheet {fate.decided}"
    return (
        f"- Sheet {fate.shown}, {unit} {ink}: {said_of(fate.proposal)}. "
        f"{fate.did[:1].upper()}{fate.did[1:]}{when}; {fate.ended}. Afterwards: {afterwards(run, fate.proposal)}."
    )
