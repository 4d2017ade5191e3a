"""The operator as a process: decides on proposals by a deck, or shows them to a person at the terminal."""

import argparse
import asyncio
import contextlib
import os
import sys
from pathlib import Path
from typing import Any, TextIO

from inksteward_simulators.broker import Session
from inksteward_simulators.console import low_high, ready, say
from inksteward_simulators.operator_judges import DeckJudge, TerminalJudge
from inksteward_simulators.operator_seat import TOPICS, Seat
from inksteward_simulators.operator_sign import Signer
from inksteward_simulators.operator_table import heard
from inksteward_simulators.schema_check import SchemaFault, SchemaFolder
from inksteward_simulators.tasks import ended, typed_lines


async def _take_lines(judge: TerminalJudge) -> None:
    """Hand standard input to the judge, line by line; goes on without it when it ends."""
    async for line in typed_lines():
        judge.typed(line)
    await asyncio.Event().wait()


async def serve(options: argparse.Namespace, log: TextIO) -> None:
    """Sit there until told to end."""
    terminal = TerminalJudge() if options.interactive else None
    judge = terminal or DeckJudge(options.seed, (options.think_s[0], options.think_s[1]))

    def told(what: str, **facts: Any) -> None:
        say(what, log, **facts)
        if terminal is not None and (line := heard(what, facts)):
            print(line, flush=True)

    async def publish(topic: str, payload: bytes) -> None:
        await session.publish(topic, payload)

    seat = Seat(
        options.operator,
        Signer(options.key, options.kid),
        judge,
        publish,
        told,
        SchemaFolder(options.schemas),
        per_zone=options.per_zone,
        ok_sheet=not options.no_ok_sheet,
    )
    client = f"sim-operator-{options.press}-{options.operator}"
    session = Session(options.broker, options.press, client, TOPICS, seat.on_message)

    async def announce() -> None:
        await session.connected.wait()
        if terminal is None:
            ready(what="operator", operator=options.operator, signed=options.key is not None)
        else:
            print(f"operator {options.operator}: waiting for proposals; ? for help", flush=True)
        await seat.failed()

    typed = [] if terminal is None else [_take_lines(terminal)]
    try:
        await ended(session.run(), announce(), *typed)
    finally:
        await seat.close()


def parser() -> argparse.ArgumentParser:
    """The command line of the operator."""
    made = argparse.ArgumentParser(prog="python -m inksteward_simulators operator", description=__doc__)
    made.add_argument("--broker", required=True, help="mqtt://host:port")
    made.add_argument("--press", default="press-demo")
    made.add_argument("--operator", required=True, help="name as in the operators file, such as op-anna")
    made.add_argument(
        "--key", type=Path, help="Ed25519 private key in PEM (default: unsigned, for a bench only)"
    )
    made.add_argument("--kid", help="id of that key")
    made.add_argument("--seed", type=int, default=1)
    made.add_argument("--think-s", type=float, nargs=2, default=(1.0, 4.0), metavar=("LEAST", "MOST"))
    made.add_argument("--per-zone", action="store_true", help="name the OK sheet with aims per zone")
    made.add_argument("--no-ok-sheet", action="store_true", help="never name an OK sheet")
    made.add_argument("--interactive", action="store_true", help="show proposals as tables, take y/n/e lines")
    made.add_argument(
        "--log", type=Path, help="JSON lines go here (default: standard output; interactive: nowhere)"
    )
    made.add_argument(
        "--schemas", type=Path, help="folder of the published schemas to check decisions against"
    )
    return made


def main(argv: list[str] | None = None) -> int:
    """Entry of `python -m inksteward_simulators operator`."""
    options = parser().parse_args(argv)
    try:
        low_high(options.think_s, "--think-s")
        with contextlib.ExitStack() as files:
            out = sys.stdout
            if options.log is not None or options.interactive:
                out = files.enter_context((options.log or Path(os.devnull)).open("a", encoding="utf-8"))
            asyncio.run(serve(options, out))
    except (SchemaFault, ValueError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    return 0
