"""``inksteward demo``: the whole loop on a simulated press, every part a process of its own."""

from __future__ import annotations

import argparse
import asyncio
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from inksteward.demo.plan import Plan


def add_demo(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Register ``inksteward demo``."""
    made = subparsers.add_parser(
        "demo",
        help="run the service beside a simulated press, from a poor opening to its aims",
        description=__doc__,
    )
    made.add_argument("--seed", type=int, default=3, help="draws the true press and the operator (default 3)")
    made.add_argument(
        "--scenario", default="makeready", help="a bundled scenario or a TOML file (default makeready)"
    )
    made.add_argument("--broker", help="mqtt://127.0.0.1:PORT of a broker that runs (default: start one)")
    made.add_argument(
        "--wires",
        choices=("mqtt", "serial", "text", "folder", "modbus"),
        default="mqtt",
        help="how strip reader and key cabinet are wired: over MQTT; on pseudo-terminals; the reader by plain text "
        "that is described, or by files in a folder; the keys by Modbus TCP",
    )
    made.add_argument(
        "--interactive", action="store_true", help="you decide, at this terminal or at the page"
    )
    made.add_argument(
        "--time-factor", type=float, help="press seconds in one second (default: the scenario's)"
    )
    made.add_argument("--sheets", type=int, default=1500, help="give up after so many (default 1500)")
    made.add_argument(
        "--out", type=Path, default=Path("demo-out"), help="folder for journal, logs and picture"
    )
    made.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Run the demo; 0 only if all that it promises was seen."""
    try:
        from inksteward.demo.audience import Spectator
        from inksteward.demo.plan import DemoError, plan_of
        from inksteward.demo.stage import play
    except ModuleNotFoundError as error:
        print(f"inksteward demo: {error.name} is missing: install inksteward[demo]", file=sys.stderr)
        return 2
    try:
        plan: Plan = plan_of(options)
        return asyncio.run(play(Spectator(plan)))
    except DemoError as error:
        print(f"inksteward demo: {error}", file=sys.stderr)
        return 2
    except (KeyboardInterrupt, asyncio.CancelledError):
        print("\nstopped", file=sys.stderr)
        return 130
