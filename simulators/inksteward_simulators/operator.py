"""The operator as a process: decides on proposals by a deck, or shows them to a person at the terminal."""

import argparse
import asyncio
import contextlib
import os
import sys
from pathlib import Path
from typing import Any, TextIO

from inksteward_simulators.broker import Session
from inksteward_simulators.console import link_address, low_high, ready, say
from inksteward_simulators.operator_asks import END, asked, heard_of_request, script_of
from inksteward_simulators.operator_judges import DeckJudge, TerminalJudge
from inksteward_simulators.operator_people import PeopleJudge, hands_of, judge_of
from inksteward_simulators.operator_script import ScriptJudge
from inksteward_simulators.operator_seat import TOPICS, Seat
from inksteward_simulators.operator_sign import Signer
from inksteward_simulators.operator_table import Unclear, heard
from inksteward_simulators.scenario import ScenarioError
from inksteward_simulators.schema_check import SchemaFault, SchemaFolder
from inksteward_simulators.tasks import ended, typed_lines


def _typed(line: str, seat: Seat, judge: TerminalJudge) -> bool:
    """Take one line of a person: a request for the seat, else a word for the judge; False if it was the end."""
    if line.strip() == END:
        return False
    try:
        request = asked(line)
    except Unclear as error:
        print(error, flush=True)
        return True
    if request is None:
        judge.typed(line)
    else:
        seat.ask(**request)
    return True


async def _take_lines(seat: Seat, judge: TerminalJudge, script: Path | None) -> None:
    """Hand standard input or the script over, line by line; ends at the word for it."""
    if isinstance(judge, ScriptJudge) and script is not None:
        await judge.play(
            script_of(script.read_text(encoding="utf-8")), lambda line: _typed(line, seat, judge)
        )
        return
    async for line in typed_lines():
        if not _typed(line, seat, judge):
            return
    await asyncio.Event().wait()  # goes on without standard input when it ends


def _tell(what: str, facts: dict[str, Any], judge: TerminalJudge) -> None:
    """Show a person what is to be known of an event of the seat."""
    if what == "reading" and isinstance(judge, ScriptJudge):
        judge.read(facts["sheet"] or 0)
    line = heard_of_request(facts) if what == "asked" else heard(what, facts)
    if line:
        print(line, flush=True)


def _judge(options: argparse.Namespace) -> TerminalJudge | DeckJudge | PeopleJudge:
    """Whoever makes up the operator's mind. Raises ScenarioError."""
    if options.interactive:
        return TerminalJudge() if options.script is None else ScriptJudge()
    return judge_of(options.scenario, options.seed, (options.think_s[0], options.think_s[1]))


async def serve(options: argparse.Namespace, log: TextIO) -> None:
    """Sit there until told to end."""
    judge = _judge(options)
    terminal = judge if isinstance(judge, TerminalJudge) else None

    def told(what: str, **facts: Any) -> None:
        say(what, log, **facts)
        if terminal is not None:
            _tell(what, facts, terminal)

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
    if isinstance(judge, PeopleJudge):
        seat.insists = judge.insists
    client = f"sim-operator-{options.press}-{options.operator}"
    session = Session(options.broker, options.press, client, TOPICS, seat.on_message)

    async def announce() -> None:
        await session.connected.wait()
        if terminal is None:
            ready(what="operator", operator=options.operator, signed=options.key is not None)
        else:
            print(f"operator {options.operator}: waiting for proposals; ? for help", flush=True)
        await seat.failed()

    typed = [] if terminal is None else [_take_lines(seat, terminal, options.script)]
    try:
        await ended(session.run(), announce(), *typed, *hands_of(judge, options.link, told))
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
    made.add_argument("--scenario", help="bundled name or file: decide as its [operator] does")
    made.add_argument("--link", type=link_address, help="[127.0.0.1:]PORT of the bench link, for hand moves")
    made.add_argument("--per-zone", action="store_true", help="name the OK sheet with aims per zone")
    made.add_argument("--no-ok-sheet", action="store_true", help="never name an OK sheet")
    made.add_argument("--interactive", action="store_true", help="show proposals as tables, take y/n/e lines")
    made.add_argument("--script", type=Path, help="with --interactive: the lines come from this file")
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
    except (ScenarioError, SchemaFault, ValueError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    return 0
