"""``inksteward watch`` and ``inksteward decide``."""

from __future__ import annotations

import argparse
import asyncio
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from inksteward.terminal.deciding import Wish
    from inksteward.terminal.wire import Address

_Subparsers = argparse._SubParsersAction  # the type that add_subparsers answers has no public name
WATCHED = ("status", "alarm", "reading", "proposal/+", "outcome")
PROPOSAL_S, ANSWER_S, OUTCOME_S = 3.0, 15.0, 120.0
MOVED, REFUSED, UNUSABLE = 0, 1, 2


def add_watch(subparsers: _Subparsers[argparse.ArgumentParser]) -> None:
    """Register ``watch``."""
    parser = subparsers.add_parser(
        "watch", help="what the page shows, as lines of text", description="Runs until interrupted."
    )
    broker_options(parser)
    parser.set_defaults(run=watch)


def add_decide(subparsers: _Subparsers[argparse.ArgumentParser]) -> None:
    """Register ``decide``."""
    parser = subparsers.add_parser(
        "decide",
        help="approve, edit or reject the proposal that stands for a unit",
        description="Shows the proposal of UNIT and asks; with --digest it decides without asking, if that is the "
        "proposal that stands.",
        epilog=f"exit codes: {MOVED} done as decided, {REFUSED} refused, lapsed or failed, {UNUSABLE} nothing was sent",
    )
    parser.add_argument("unit", metavar="UNIT")
    broker_options(parser)
    key_options(parser, "who decides")
    parser.add_argument(
        "--leave", type=int, nargs="+", default=[], metavar="ZONE", help="leave these moves out"
    )
    parser.add_argument(
        "--change", nargs="+", default=[], metavar="ZONE=PCT", help="other targets for these zones"
    )
    parser.add_argument("--leave-sweep", action="store_true", help="leave the sweep as it is")
    parser.add_argument("--reject", metavar="REASON", help="a no, and why")
    parser.add_argument("--digest", help="the proposal that is meant, as watch shows it; 8 digits are enough")
    parser.set_defaults(run=decide)


def broker_options(parser: argparse.ArgumentParser) -> None:
    """Options that say where the broker is, and which press."""
    parser.add_argument(
        "--broker", default="mqtt://127.0.0.1:1883", help="mqtt://HOST[:PORT] or mqtts://HOST[:PORT]"
    )
    parser.add_argument("--press", required=True, metavar="ID")
    for name, told in (
        ("ca", "who vouches for the broker"),
        ("cert", "your certificate"),
        ("key", "and its key"),
    ):
        parser.add_argument(f"--tls-{name}-file", metavar="FILE", help=f"{told}, PEM")


def key_options(parser: argparse.ArgumentParser, who: str) -> None:
    """Options that say who signs, and with which key."""
    parser.add_argument("--operator", required=True, metavar="ID", help=who)
    parser.add_argument(
        "--key", required=True, type=Path, metavar="FILE", help="the operator's private key, PEM"
    )
    parser.add_argument("--kid", help="id of the key (default: its thumbprint)")


def address(options: argparse.Namespace) -> Address:
    """Where the options say that the broker is."""
    from inksteward.terminal.wire import Address

    files = (options.tls_ca_file, options.tls_cert_file, options.tls_key_file)
    return Address(options.broker, options.press, *files)


def watch(options: argparse.Namespace) -> int:
    """Print what comes until interrupted."""
    from inksteward.terminal.wire import WireError

    try:
        asyncio.run(_watch(address(options)))
    except WireError as error:
        print(f"inksteward watch: {error}", file=sys.stderr)
        return UNUSABLE
    except KeyboardInterrupt:
        pass
    return 0


async def _watch(address: Address) -> None:
    from inksteward.terminal.wire import wire
    from inksteward.terminal.words import lines

    async with wire(address) as line:
        await line.listen(*WATCHED)
        before: dict[str, list[str]] = {}
        async for heard in line.heard():
            told = lines(heard)
            if heard.topic != "status" or told != before.get("status"):  # said again every ten seconds
                print("\n".join(told), flush=True) if told else None
            before[heard.topic] = told


def decide(options: argparse.Namespace) -> int:
    """Decide, and wait for what came of it; the exit code."""
    from inksteward.authority_file import AuthorityFileError, read_private_key
    from inksteward.terminal.deciding import NotDecided
    from inksteward.terminal.wire import WireError

    try:
        return asyncio.run(_decide(options, _wish(options), read_private_key(options.key)))
    except (NotDecided, WireError, AuthorityFileError) as error:
        print(f"inksteward decide: {error}", file=sys.stderr)
        return UNUSABLE


def _wish(options: argparse.Namespace) -> Wish:
    from inksteward.terminal.deciding import NotDecided, Wish

    change: dict[int, float] = {}
    for word in options.change:
        zone, _, target = word.partition("=")
        try:
            change[int(zone)] = float(target)
        except ValueError as error:
            raise NotDecided(f"--change {word}: expected ZONE=PCT, such as 7=44.0") from error
    if options.reject is not None and (change or options.leave or options.leave_sweep):
        raise NotDecided("--reject: nothing can be left out or changed with it")
    return Wish(tuple(options.leave), change, options.leave_sweep, options.reject)


async def _decide(options: argparse.Namespace, wish: Wish, key: Any) -> int:
    from inksteward.terminal.deciding import NotDecided, checked, decision, targets
    from inksteward.terminal.wire import Heard, WireError, wire
    from inksteward.terminal.words import errors, lines, proposal

    async with wire(address(options)) as line:
        await line.listen(f"proposal/{options.unit}")
        try:
            made = checked(
                await line.wait(f"proposal/{options.unit}", "unit", options.unit, PROPOSAL_S), options.digest
            )
        except WireError as error:
            raise NotDecided(f"no proposal stands for {options.unit}") from error
        print("\n".join(proposal(made)))
        if wish.reject is None:
            print(
                "to move: "
                + ", ".join(f"zone {z} to {to:g} %" for z, to in sorted(targets(made, wish).items()))
            )
        if options.digest is None and not await _sure():
            raise NotDecided("not confirmed: nothing was sent")
        await line.listen("answer", "outcome")
        sent = decision(made, wish, options.operator, key, options.kid)
        await line.say("decision", sent)
        answer = await line.wait("answer", "id", sent["decision_id"], ANSWER_S)
        if not answer["accepted"]:
            print(f"refused: {errors(answer)}", file=sys.stderr)
            return REFUSED
        outcome = await line.wait("outcome", "proposal_id", made["proposal_id"], OUTCOME_S)
        print("\n".join(lines(Heard("outcome", outcome))))
        return MOVED if outcome["result"] == ("moved" if wish.reject is None else "rejected") else REFUSED


async def _sure() -> bool:
    print("type yes to send this decision: ", end="", flush=True)
    said: str = await asyncio.to_thread(sys.stdin.readline)
    return said.strip() == "yes"
