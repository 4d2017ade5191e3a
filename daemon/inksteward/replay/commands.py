"""Commands on journals: ``inksteward replay`` and ``inksteward journal verify | show``.

Exit codes: 0 all is as it should be, 1 a fault was found, 2 the command cannot be carried out.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from inksteward.authority import Key, thumbprint
from inksteward.authority_file import AuthorityFileError, read_public_x
from inksteward.event_codec import CodecError
from inksteward.journal_format import JournalError
from inksteward.journal_read import read_rows
from inksteward.journal_verify import Report, verify
from inksteward.replay.same import Difference, ReplayReport, replay
from inksteward.replay.telling import line, touches

OK, FAULT, CANNOT = 0, 1, 2
_WIDEST = 160

_Subparsers = argparse._SubParsersAction  # the type that add_subparsers answers has no public name


def add_replay(subparsers: _Subparsers[argparse.ArgumentParser]) -> None:
    """Register ``replay``; the parsed arguments get ``run``: a function of them -> exit code."""
    parser = subparsers.add_parser(
        "replay", help="run recorded events through the core again and compare what it answers"
    )
    parser.add_argument("journal", nargs="+", type=Path, help="journal files, oldest first")
    parser.set_defaults(run=partial(_guarded, "replay", _replay))


def add_journal(subparsers: _Subparsers[argparse.ArgumentParser]) -> None:
    """Register ``journal verify`` and ``journal show``; sets ``run`` as add_replay does."""
    parser = subparsers.add_parser("journal", help="check a run record, or read it")
    commands = parser.add_subparsers(dest="journal_command", required=True)
    check = commands.add_parser("verify", help="is the record what was written?")
    check.add_argument("journal", type=Path, help="journal file")
    check.add_argument("--head", metavar="HASH", help="a hash that the journal is known to have had")
    check.add_argument("--service-key", type=Path, metavar="FILE", help="public key that signs checkpoints")
    check.set_defaults(run=partial(_guarded, "journal verify", _verify))
    show = commands.add_parser("show", help="one line for each event")
    show.add_argument("journal", type=Path, help="journal file")
    show.add_argument("--from", dest="first", type=int, default=1, metavar="N", help="first row")
    show.add_argument("--to", dest="last", type=int, metavar="N", help="last row")
    show.add_argument("--topic", metavar="T", help="only what came in or went out under this topic")
    show.set_defaults(run=partial(_guarded, "journal show", _show))


def _guarded(name: str, command: Callable[[argparse.Namespace], int], args: argparse.Namespace) -> int:
    try:
        return command(args)
    except (JournalError, CodecError, AuthorityFileError) as error:
        sys.stderr.write(f"inksteward {name}: {error}\n")
        return CANNOT


def _verify(args: argparse.Namespace) -> int:
    key = None
    if args.service_key is not None:
        x, _ = read_public_x(args.service_key)
        key = Key(thumbprint(x), x)
    report = verify(args.journal, args.head, key)
    sys.stdout.write(_told(report))
    return OK if report.sound else FAULT


def _told(report: Report) -> str:
    lines = [f"{report.path}: {'sound' if report.sound else 'NOT SOUND'}"]
    if report.rows:
        lines.append(f"  rows 1 to {report.rows} hold with {report.effects} effects; last hash {report.head}")
    else:
        lines.append("  no row holds" if report.findings else f"  no rows yet; follows {report.head}")
    if report.vouched:
        lines.append(
            f"  vouched for up to row {report.vouched} ({report.checkpoints} signed checkpoints hold)"
        )
    for finding in report.findings:
        where = "" if finding.seq is None else f"row {finding.seq}: "
        lines.append(f"  fault: {where}{finding.code}: {finding.text}")
    lines += [f"  note: {doubt}" for doubt in report.doubts]
    return "\n".join(lines) + "\n"


def _replay(args: argparse.Namespace) -> int:
    for path in args.journal:
        report = verify(path)
        if not report.sound:
            sys.stdout.write(_told(report) + "nothing was replayed: the record itself is at fault\n")
            return FAULT
    done = replay(args.journal)
    sys.stdout.write(_outcome(done))
    return OK if done.same else FAULT


def _outcome(done: ReplayReport) -> str:
    counted = f"{done.events} events, {done.effects} effects, {done.events_per_s:.0f} events/s"
    if done.difference is None:
        return f"same: {counted}\n"
    return f"{_differs(done.difference)}up to there the same: {counted}\n"


def _differs(found: Difference) -> str:
    effect = "" if found.n is None else f", effect {found.n}"
    lines = [f"{found.kind}: {found.path}, row {found.seq}{effect}"]
    if found.n is not None:
        lines.append(f"  at {found.place or 'the whole effect'}")
        lines.append(f"    stored {_value(found.stored_value)}")
        lines.append(f"    again  {_value(found.again_value)}")
    lines.append(f"  stored: {_cut(found.stored) or 'no such effect'}")
    lines.append(f"  again:  {_cut(found.again) or 'no such effect'}")
    return "\n".join(lines) + "\n"


def _value(value: Any) -> str:
    return "nothing" if value is None else _cut(repr(value))


def _cut(text: str) -> str:
    return text if len(text) <= _WIDEST else f"{text[: _WIDEST - 1]}…"


def _show(args: argparse.Namespace) -> int:
    for row in read_rows(args.journal, args.first):
        if args.last is not None and row.stamp.seq > args.last:
            break
        event, effects = row.event, row.effects
        if args.topic is None or touches(args.topic, event, effects):
            sys.stdout.write(line(row.stamp, event, effects) + "\n")
    return OK
