"""``inksteward train``: a simulated press in real time or faster, faults that nobody announces, a debrief at the end.

Everything runs as in ``inksteward demo --interactive``; decisions, holds and releases are signed and go the way that
they go at a press. A simulated press teaches this software, not the machine: at a press follow the maker's manual and
the local rules.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from inksteward.train.audience import Trainee


def add_train(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Register ``inksteward train``."""
    made = subparsers.add_parser(
        "train",
        help="decide at a simulated press on which things go wrong, and talk it over",
        description=__doc__,
    )
    made.add_argument("--list", action="store_true", help="scenarios, one line each")
    made.add_argument(
        "--scenario",
        default="makeready",
        help="a name, a TOML file, or any: drawn by the seed (default makeready)",
    )
    made.add_argument("--seed", type=int, default=3, help="draws the true press (default 3)")
    made.add_argument("--time-factor", type=float, help="press seconds in one second (default 1)")
    made.add_argument("--sheets", type=int, default=900, help="sheets to print (default 900)")
    made.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="'SHEET KIND ...'",
        help="one more fault, as in '300 stuck unit=u2 zone=7 until=600'; may be given again",
    )
    made.add_argument(
        "--decisions",
        type=Path,
        metavar="FILE",
        help="a script of what you would type (- for standard input)",
    )
    made.add_argument("--wires", choices=("mqtt", "serial"), default="mqtt", help="as in the demo")
    made.add_argument("--broker", help="mqtt://127.0.0.1:PORT of a broker that runs (default: start one)")
    made.add_argument(
        "--out", type=Path, default=Path("train-out"), help="folder for journal, logs and debrief"
    )
    made.set_defaults(run=run, interactive=True)


def run(options: argparse.Namespace) -> int:
    """Run it; 0 if all that holds at every press was seen, however the sheets turned out."""
    try:
        from inksteward.demo.plan import DemoError
        from inksteward.demo.stage import play
        from inksteward.train.audience import welcome
        from inksteward.train.choice import DRAWN, told
    except ModuleNotFoundError as error:
        print(f"inksteward train: {error.name} is missing: install inksteward[demo]", file=sys.stderr)
        return 2
    if options.list:
        rows = [*told(), (DRAWN, "One of those in which something goes wrong, drawn by the seed.")]
        print("\n".join(f"{name:<20} {line}" for name, line in rows))
        return 0
    try:
        trainee = trainee_of(options)
        print(welcome(trainee.plan), flush=True)
        return asyncio.run(play(trainee))
    except DemoError as error:
        print(f"inksteward train: {error}", file=sys.stderr)
        return 2
    except (KeyboardInterrupt, asyncio.CancelledError):
        print("\nstopped", file=sys.stderr)
        return 130


def trainee_of(options: argparse.Namespace) -> Trainee:
    """The person and the plan for the command's options. Raises DemoError."""
    from inksteward.demo.plan import plan_with
    from inksteward.train.audience import Trainee
    from inksteward.train.choice import chosen, with_faults

    words = _script(options.decisions)
    name, scenario = chosen(options.scenario, options.seed)
    plan = plan_with(with_faults(scenario, options.fault), options)
    if words is None:
        return Trainee(plan, name, None)
    script = plan.out / "decisions.txt"
    script.write_text(words, encoding="utf-8")
    return Trainee(plan, name, script)


def _script(path: Path | None) -> str | None:
    """The words of a script, all of them understood. Raises DemoError."""
    from inksteward.demo.plan import DemoError
    from inksteward_simulators.operator_asks import script_of
    from inksteward_simulators.operator_table import Unclear

    if path is None:
        return None
    try:
        words = sys.stdin.read() if str(path) == "-" else path.read_text(encoding="utf-8")
        script_of(words)
    except (OSError, UnicodeDecodeError) as error:
        raise DemoError(f"--decisions {path}: expected a readable file in UTF-8 ({error})") from error
    except Unclear as error:
        raise DemoError(f"--decisions {path}: {error}") from error
    return words
