"""``inksteward read-in``: readings of a hand-held instrument, zone by zone, signed with the operator's key."""

from __future__ import annotations

import argparse
import asyncio
import math
import sys
import uuid
from collections.abc import AsyncIterator, Iterator
from typing import TYPE_CHECKING, Any

from inksteward.terminal.command import (
    ANSWER_S,
    MOVED,
    REFUSED,
    UNUSABLE,
    address,
    broker_options,
    key_options,
)

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

_Subparsers = argparse._SubParsersAction  # the type that add_subparsers answers has no public name
MOST_ZONES = 96


class NotRead(Exception):
    """What was typed is no reading; the text says what was expected."""


def add_read_in(subparsers: _Subparsers[argparse.ArgumentParser]) -> None:
    """Register ``read-in``."""
    parser = subparsers.add_parser(
        "read-in",
        help="enter readings of a hand-held instrument",
        description="Each reading is of the sheet that is printing now and on the job's basis: the same status, filter "
        "and reference (paper or absolute) as the strip reader's. Nothing moves by it: it goes into the estimate of "
        "its zone, which the next scan's proposal is made of.",
        epilog=f"exit codes: {MOVED} all taken, {REFUSED} at least one refused or not answered, "
        f"{UNUSABLE} nothing was sent",
    )
    parser.add_argument("unit", metavar="UNIT")
    parser.add_argument("readings", nargs="+", metavar="ZONE=DENSITY", help="such as 7=1.42")
    broker_options(parser)
    key_options(parser, "who read")
    parser.set_defaults(run=read_in)


def read_in(options: argparse.Namespace) -> int:
    """Send the readings one after the other and say what became of each; the exit code."""
    from inksteward.authority_file import AuthorityFileError, read_private_key
    from inksteward.terminal.wire import WireError

    try:
        readings = list(parsed(options.readings))
        return asyncio.run(_read_in(options, readings, read_private_key(options.key)))
    except (NotRead, WireError, AuthorityFileError) as error:
        print(f"inksteward read-in: {error}", file=sys.stderr)
        return UNUSABLE


def parsed(words: list[str]) -> Iterator[tuple[int, float]]:
    """Zone and density of each word. Raises NotRead; whether the unit has the zone the service says."""
    for word in words:
        zone, equals, density = word.partition("=")
        try:
            found = int(zone), float(density)
        except ValueError:
            found = 0, math.nan
        if not (equals and 1 <= found[0] <= MOST_ZONES and math.isfinite(found[1])):
            raise NotRead(f"{word}: expected ZONE=DENSITY, such as 7=1.42")
        yield found


def request(options: argparse.Namespace, zone: int, density: float, key: Ed25519PrivateKey) -> dict[str, Any]:
    """The signed request of one reading."""
    from inksteward.authority import public_x, sign, thumbprint

    payload = {
        "request_id": str(uuid.uuid4()),
        "kind": "reading",
        "operator": options.operator,
        "press": options.press,
        "unit": options.unit,
        "zone": zone,
        "density": density,
    }
    return {**payload, "signature": sign(payload, key, options.kid or thumbprint(public_x(key)))}


async def _read_in(
    options: argparse.Namespace, readings: list[tuple[int, float]], key: Ed25519PrivateKey
) -> int:
    from inksteward.terminal.wire import WireError

    waiting: list[str] = []
    refused = 0
    try:
        async for where, wrong in _answers(options, readings, key, waiting):
            if wrong is None:
                print(f"{where} taken", flush=True)
            else:
                print(f"{where} refused: {wrong}", file=sys.stderr)
                refused += 1
    except WireError as error:
        if not waiting:
            raise
        print(
            f"inksteward read-in: {error}; whether {waiting[-1]} was taken is not known, later ones were not sent",
            file=sys.stderr,
        )
        return REFUSED
    return REFUSED if refused else MOVED


async def _answers(
    options: argparse.Namespace,
    readings: list[tuple[int, float]],
    key: Ed25519PrivateKey,
    waiting: list[str],
) -> AsyncIterator[tuple[str, str | None]]:
    """What each reading was, and what is wrong with it; ``waiting`` holds those that have gone out."""
    from inksteward.terminal.wire import wire
    from inksteward.terminal.words import errors

    async with wire(address(options)) as line:
        await line.listen("answer")
        for zone, density in readings:
            sent = request(options, zone, density, key)
            waiting.append(f"{options.unit} zone {zone}: {density:g} D")
            await line.say("request", sent)
            answer = await line.wait("answer", "id", sent["request_id"], ANSWER_S)
            yield waiting[-1], None if answer["accepted"] else errors(answer)
