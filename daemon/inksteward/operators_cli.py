"""Commands for the operators file: ``inksteward operators add | list | revoke``; and ``new-key``, for the operator."""

from __future__ import annotations

import argparse
import getpass
import json
import sys
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from inksteward.authority import (
    Key,
    Operator,
    Operators,
    OperatorsInvalid,
    new_key,
    parse_operators,
    public_data,
    public_jwk,
    public_x,
    thumbprint,
)
from inksteward.authority_file import (
    AuthorityFileError,
    OperatorsFile,
    changing,
    load,
    read_public_x,
    save,
    write_private_key,
)
from inksteward.pins import PinRefused, hash_pin

_OK, _REFUSED = 0, 2


class _Stop(Exception):
    """The command ends here; the text says why."""


def add_operators(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Register ``operators``. Each command sets ``run``: a function of the parsed arguments -> exit code."""
    parser = subparsers.add_parser("operators", help="who may decide: add, list, revoke; new-key")
    commands = parser.add_subparsers(dest="operators_command", required=True)
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument("--file", type=Path, default=Path("operators.toml"), help="operators file")

    add = commands.add_parser("add", parents=[common], help="add an operator, or another key of one")
    add.add_argument("operator", help="id, for example op-anna")
    add.add_argument("--name", help="name as shown to others (needed for a new operator)")
    key = add.add_mutually_exclusive_group(required=True)
    key.add_argument(
        "--private-key", type=Path, metavar="PATH", help="make a key; write its private part here"
    )
    key.add_argument("--public-key", type=Path, metavar="FILE", help="public key that the operator sent")
    key.add_argument(
        "--no-key", action="store_true", help="no key for now: nothing can be decided until one is added"
    )
    add.add_argument("--kid", help="id of the key (default: its thumbprint); write --kid=ID")
    add.add_argument(
        "--pin",
        choices=("ask", "stdin", "none"),
        help="PIN to sign in at the operator's page: ask for it, read one line, or set none "
        "(default: ask for a new operator, none for a known one)",
    )
    add.set_defaults(run=lambda args: _guarded(_add, args))

    listing = commands.add_parser("list", parents=[common], help="show operators and their keys")
    listing.set_defaults(run=lambda args: _guarded(_list, args))

    revoke = commands.add_parser("revoke", parents=[common], help="take the right to decide away")
    revoke.add_argument("operator", help="id")
    revoke.add_argument("--kid", help="only this key; write --kid=ID (default: the operator as a whole)")
    revoke.set_defaults(run=lambda args: _guarded(_revoke, args))
    _add_new_key(commands)


def _add_new_key(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    fresh = commands.add_parser(
        "new-key",
        help="on the operator's own machine: make a key, say its public part for 'add --public-key'",
    )
    fresh.add_argument("private_key", type=Path, metavar="PATH", help="write the private part here")
    fresh.add_argument("--kid", help="id of the key (default: its thumbprint); write --kid=ID")
    fresh.set_defaults(run=lambda args: _guarded(_new_key, args))


def _guarded(command: Callable[[argparse.Namespace], str], args: argparse.Namespace) -> int:
    try:
        sys.stdout.write(command(args))
    except (_Stop, AuthorityFileError, OperatorsInvalid, PinRefused) as error:
        sys.stderr.write(f"inksteward operators: {error}\n")
        return _REFUSED
    return _OK


def _add(args: argparse.Namespace) -> str:
    made, key = _key(args)
    # Judged before a PIN is asked for, and once more while nobody else can change the file.
    first = _present(args.file)
    _added(args, first.operators, key)
    new = first.operators.find(args.operator) is None
    pin = _pin(args, new=new)
    with changing(args.file):
        content = _present(args.file)
        if (content.operators.find(args.operator) is None) != new:
            raise _Stop(f"{args.operator} was added by another command meanwhile: nothing was changed")
        operators = _added(args, content.operators, key)
        pins = content.pin_hashes if pin is None else {**content.pin_hashes, args.operator: pin}
        # Not before here: a private key must not lie about for an operator who was refused.
        if made is not None:
            write_private_key(args.private_key, made)
        save(args.file, OperatorsFile(operators, pins))
    return _said(args, operators, pins, key)


def _present(path: Path) -> OperatorsFile:
    return load(path) if path.exists() else OperatorsFile()


def _added(args: argparse.Namespace, operators: Operators, key: Key | None) -> Operators:
    """The operators with the new one, or with another key. Raises _Stop and OperatorsInvalid."""
    before = operators.find(args.operator)
    if before is None and args.name is None:
        raise _Stop(f"{args.operator} is new: --name is needed")
    if before is not None and args.name not in (None, before.name):
        raise _Stop(f"{args.operator} is known as {before.name}: a name is not changed here")
    if before is not None and before.revoked:
        raise _Stop(f"{args.operator} was revoked: use a new id")
    operator = before or Operator(args.operator, args.name, ())
    if key is not None:
        operator = replace(operator, keys=(*operator.keys, key))
    return _with(operators, operator)


def _said(args: argparse.Namespace, operators: Operators, pins: Mapping[str, str], key: Key | None) -> str:
    operator = operators.find(args.operator)
    lines = [f"{args.operator}: {'' if operator is None else operator.name}\n"]
    if key is not None:
        lines.append(f"key {key.kid}\n")
    if args.private_key is not None:
        lines.append(f"private key in {args.private_key}: it belongs into the operator's hands only\n")
    if operator is not None and not operator.keys:
        pin = "a PIN decides nothing in this version" if args.operator in pins else "no PIN either"
        lines.append(f"no key, {pin}: this operator cannot decide anything yet\n")
    return "".join(lines)


def _new_key(args: argparse.Namespace) -> str:
    made, key = _made(args.kid)
    write_private_key(args.private_key, made)
    return json.dumps(public_jwk(key.x, key.kid)) + "\n"


def _key(args: argparse.Namespace) -> tuple[Ed25519PrivateKey | None, Key | None]:
    if args.public_key is not None:
        x, kid = read_public_x(args.public_key)
        return None, Key(args.kid or kid, x)
    return (None, None) if args.no_key else _made(args.kid)


def _made(kid: str | None) -> tuple[Ed25519PrivateKey, Key]:
    made = new_key()
    while thumbprint(public_x(made)).startswith("-"):  # such an id would read as an option
        made = new_key()
    x = public_x(made)
    return made, Key(kid or thumbprint(x), x)


def _with(operators: Operators, operator: Operator) -> Operators:
    others = tuple(each for each in operators.all if each.operator != operator.operator)
    place = next(
        (i for i, each in enumerate(operators.all) if each.operator == operator.operator), len(others)
    )
    return parse_operators(public_data(Operators((*others[:place], operator, *others[place:]))))


def _pin(args: argparse.Namespace, *, new: bool) -> str | None:
    """Hash of the PIN that was asked for; None: the operator's PIN stays as it is."""
    way = args.pin or ("ask" if new else "none")
    if way == "none":
        return None
    if way == "stdin":
        pin = sys.stdin.readline().rstrip("\n")
    else:
        try:
            pin = getpass.getpass(f"PIN for {args.operator}: ")
            again = getpass.getpass("once more: ")
        except EOFError as error:
            raise _Stop(
                "no PIN was typed: nothing was changed; --pin stdin reads one, --pin none sets none"
            ) from error
        if again != pin:
            raise _Stop("the two PINs differ: nothing was changed")
    return hash_pin(pin)


def _list(args: argparse.Namespace) -> str:
    content = load(args.file)
    lines = []
    for operator in content.operators.all:
        pin = "PIN set" if operator.operator in content.pin_hashes else "no PIN"
        state = "  revoked" if operator.revoked else ""
        lines.append(f"{operator.operator}  {operator.name}  {pin}{state}\n")
        lines += [f"  key {key.kid}{'  revoked' if key.revoked else ''}\n" for key in operator.keys]
    return "".join(lines) or "no operators\n"


def _revoke(args: argparse.Namespace) -> str:
    with changing(args.file):
        content = load(args.file)
        operator = content.operators.find(args.operator)
        if operator is None:
            raise _Stop(f"{args.operator}: no such operator in {args.file}")
        pins = content.pin_hashes
        if args.kid is None:
            after = replace(operator, revoked=True)
            pins = {who: pin for who, pin in pins.items() if who != args.operator}
            said = f"{args.operator}: revoked with all keys, PIN removed\n"
        elif args.kid in {key.kid for key in operator.keys}:
            keys = (replace(key, revoked=key.revoked or key.kid == args.kid) for key in operator.keys)
            after = replace(operator, keys=tuple(keys))
            said = f"{args.operator}: key {args.kid} revoked\n"
        else:
            raise _Stop(f"{args.operator} has no key {args.kid}")
        save(args.file, OperatorsFile(_with(content.operators, after), pins))
    return said
