"""``inksteward commission``."""

from __future__ import annotations

import argparse
import asyncio
import sys
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from inksteward.commissioning.files import Start
    from inksteward.commissioning.steps import Work

_Subparsers = argparse._SubParsersAction  # the type that add_subparsers answers has no public name
WRITTEN, STOPPED, UNUSABLE = 0, 1, 2
UNTIL_DAYS = 365


def add_commission(subparsers: _Subparsers[argparse.ArgumentParser]) -> None:
    """Register ``commission``."""
    parser = subparsers.add_parser(
        "commission",
        help="guided commissioning of a unit's ink keys",
        description="Two people at the press are led through the commissioning of a unit's ink keys, beside the "
        "running service. Every move is a proposal that somebody decides. Broken off, the same command goes on.",
        epilog=f"exit codes: {WRITTEN} the calibration was written, {STOPPED} stopped, to be gone on with, {UNUSABLE} "
        "could not begin",
    )
    parser.add_argument(
        "config", type=Path, metavar="CONFIG", help="the configuration that the service runs with"
    )
    parser.add_argument("unit", metavar="UNIT")
    for name, told in (("operator", "who decides and reads"), ("second", "who confirms: another person")):
        prefix = "" if name == "operator" else "second-"
        parser.add_argument(f"--{name}", required=True, metavar="ID", help=told)
        parser.add_argument(
            f"--{prefix}key", required=True, type=Path, metavar="FILE", help="that person's private key, PEM"
        )
        parser.add_argument(f"--{prefix}kid", metavar="ID", help="id of the key (default: its thumbprint)")
    parser.add_argument(
        "--operators", type=Path, metavar="FILE", help="operators file (default: that of CONFIG)"
    )
    parser.add_argument(
        "--session", type=Path, metavar="FILE", help="default: UNIT.commissioning.json beside CONFIG"
    )
    parser.add_argument(
        "--out", type=Path, metavar="FILE", help="new configuration (default: CONFIG-UNIT-commissioned.toml)"
    )
    _numbers(parser)
    parser.add_argument(
        "--broker", help="mqtt://HOST[:PORT] or mqtts://HOST[:PORT] (default: that of CONFIG)"
    )
    for name, told in (
        ("ca", "who vouches for the broker"),
        ("cert", "your certificate"),
        ("key", "and its key"),
    ):
        parser.add_argument(f"--tls-{name}-file", metavar="FILE", help=f"{told}, PEM")
    parser.set_defaults(run=commission)


def _numbers(parser: argparse.ArgumentParser) -> None:
    rows = (
        ("gauge-tolerance-um", None, "half-width of the gauges' own tolerance, from their papers"),
        (
            "feel-um",
            5.0,
            "half-width of what the drag leaves open, half a step of the gauges included (default 5)",
        ),
        ("step-pct", 4.0, "step with which a single key is tried (default 4)"),
        ("move-pct", 10.0, "longest move of all keys at once (default 10)"),
        ("top-pct", 85.0, "widest opening at which is gauged (default 85)"),
    )
    for name, usual, told in rows:
        parser.add_argument(
            f"--{name}", type=float, required=usual is None, default=usual, metavar="X", help=told
        )
    parser.add_argument(
        "--levels", type=int, default=3, metavar="N", help="openings at which is gauged, 2 to 6 (default 3)"
    )
    parser.add_argument(
        "--valid-days", type=int, default=UNTIL_DAYS, metavar="N", help="how long the calibration counts"
    )


def commission(options: argparse.Namespace) -> int:
    """Lead through it; the exit code."""
    from inksteward.authority_file import AuthorityFileError
    from inksteward.commissioning.desk import Stopped
    from inksteward.commissioning.files import Unusable, locked, start
    from inksteward.commissioning.plan import NotPossible
    from inksteward.commissioning.session import SessionRefused
    from inksteward.commissioning.written import NotWritten
    from inksteward.config import ConfigErrors
    from inksteward.terminal.deciding import NotDecided
    from inksteward.terminal.wire import WireError

    def said(error: Exception, code: int) -> int:
        sys.stderr.write(f"inksteward commission: {error}\n")
        return code

    try:
        ready = start(options, _today())
        with locked(ready.session_file):
            asyncio.run(_led(ready))
    except (Unusable, ConfigErrors, AuthorityFileError, SessionRefused) as error:
        return said(error, UNUSABLE)
    except (Stopped, NotPossible, NotWritten, NotDecided, WireError) as error:
        return said(error, STOPPED)
    except KeyboardInterrupt:
        return said(Stopped("interrupted: the same command goes on"), STOPPED)
    return WRITTEN


def _today() -> date:
    return datetime.now(UTC).astimezone().date()


async def _led(ready: Start) -> None:
    from inksteward.commissioning import plan, steps, wording
    from inksteward.commissioning.desk import Desk
    from inksteward.commissioning.files import keep, resumed
    from inksteward.commissioning.shop import shop
    from inksteward.commissioning.steps import Work, carry_out

    desk = Desk()
    session = resumed(ready)
    desk.say(
        *wording.CAUTION,
        f"Session {ready.session_file}: {len(session.entries)} entries. Type stop to end, to go on later.",
    )
    async with shop(ready.address, ready.unit.unit) as there:
        ready.same_as(await there.described())
        settings = plan.settings_of(session) or ready.settings
        if settings != ready.settings:
            desk.say("The session goes on with the steps and openings that it began with.")
        keeping = partial(keep, ready.session_file)
        work = Work(ready.unit, *ready.people, ready.doubt, settings, session, there, desk, keeping)
        await steps.on_hold(work)
        while await carry_out(work):
            pass
    await _ended(ready, work)


async def _ended(ready: Start, work: Work) -> None:
    """Tell what was found, and write it when both want that."""
    from inksteward.commissioning import ending
    from inksteward.commissioning.desk import Stopped

    desk, doubt = work.desk, ending.widest(work.session, ready.doubt)
    found = ending.found(work.session, ready.unit, doubt, work.settings)
    desk.say(*ending.summary(found, ready.unit))
    if await desk.word("write this calibration to a new file? yes or no", "yes", "no") == "no":
        raise Stopped("nothing was written")
    await desk.is_here(work.second)
    work.note("accepted", {"out": ready.out.name}, work.second)
    made = ending.section(work.session, ready.unit, found, doubt, _today(), ready.valid_days)
    out, diff = ending.written(ready.config_file, ready.out, made)
    desk.say(
        f"written: {out}",
        f"the difference: {diff}",
        f"Read the difference, then: inksteward check {out}",
        f"Put it in place of {ready.config_file} and start the service again.",
    )
