"""``inksteward teach-opening``: past jobs teach how far to open, as a model file for [opening] in the configuration."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from inksteward.opening_model.lessons import Lesson

DONE, NOTHING, CANNOT = 0, 1, 2
DESCRIPTION = (
    "Reads run records in which an OK sheet was named: how far the gaps at the OK sheet lay from those that the film "
    "model alone wants, for each ink of each unit, over coverage and film. Three jobs or more of an ink count; the "
    "service then opens by them and says how surely. It never moves a key without a decision."
)
_Subparsers = argparse._SubParsersAction  # the type that add_subparsers answers has no public name


def add_teach_opening(subparsers: _Subparsers[argparse.ArgumentParser]) -> None:
    """Register ``teach-opening``."""
    made = subparsers.add_parser(
        "teach-opening",
        help="learn from past jobs how far to open",
        description=DESCRIPTION,
        epilog=f"exit codes: {DONE} written, {NOTHING} nothing to learn from, {CANNOT} something cannot be read",
    )
    made.add_argument("journal", nargs="+", type=Path, metavar="JOURNAL", help="run records, in any order")
    made.add_argument("--out", required=True, type=Path, metavar="FILE", help="model file to be written")
    made.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Read, fit, write, and say what was learned; the exit code."""
    from inksteward.journal_format import JournalError
    from inksteward.opening_model.teach import model_data

    try:
        lessons = _read(options.journal)
        content = model_data(lessons)
        if not content["lessons"]:
            sys.stderr.write(
                "inksteward teach-opening: no ink with OK sheets of two jobs or more: nothing to learn\n"
            )
            return NOTHING
        options.out.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
    except (JournalError, ImportError, ValueError) as error:
        sys.stderr.write(f"inksteward teach-opening: {error}\n")
        return CANNOT
    except OSError as error:
        sys.stderr.write(f"inksteward teach-opening: {options.out}: {error.strerror}\n")
        return CANNOT
    sys.stdout.writelines(f"{line}\n" for line in told(content))
    sys.stdout.write(f"written to {options.out}: name it under [opening] and start the service anew\n")
    return DONE


def _read(paths: list[Path]) -> list[Lesson]:
    from inksteward.opening_model.lessons import lessons_of

    lessons: list[Lesson] = []
    for path in paths:
        found = lessons_of(path)
        runs = len({lesson.run_id for lesson in found.lessons})
        sys.stdout.write(f"{path}: {runs} job{'' if runs == 1 else 's'} with an OK sheet\n")
        if found.differs_at is not None:
            sys.stdout.write(
                f"  row {found.differs_at} on: this version answers otherwise than the one that recorded\n"
            )
        lessons.extend(found.lessons)
    return lessons


def told(content: dict[str, Any]) -> Iterator[str]:
    """What was learned, a line for each ink: factors at a light and a heavy zone with their intervals."""
    import numpy as np

    from inksteward.config.opening_forms import model_of
    from inksteward.control.taught import LEAST_JOBS, taught

    model = model_of(content)
    for lesson in model.lessons:
        head = f"{lesson.unit} {lesson.ink}: {lesson.jobs} jobs, {lesson.zones} zones"
        film = np.full(2, lesson.centre[1])
        found = taught(model, lesson.unit, lesson.ink, lesson.coverage, film)
        if found is None:
            yield f"{head}: fewer than {LEAST_JOBS} jobs, not used yet"
            continue
        for zone, share in enumerate(lesson.coverage):
            yield f"{head}, at coverage {share * 100:.0f} %: {found.words(zone).removeprefix('past jobs: ')}"
