"""``inksteward run``."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from inksteward.service.errors import BROKEN, CANNOT_START, CLEAN, CONFIGURATION

_Subparsers = argparse._SubParsersAction  # the type that add_subparsers answers has no public name


def add_run(subparsers: _Subparsers[argparse.ArgumentParser]) -> None:
    """Register ``run``; the parsed arguments get ``run``: a function of them -> exit code."""
    parser = subparsers.add_parser(
        "run",
        help="run the service of one press",
        description="Runs until SIGTERM or SIGINT; SIGHUP reads the operators file anew.",
        epilog=f"exit codes: {CLEAN} stopped, {CONFIGURATION} a mistake in the configuration, "
        f"{CANNOT_START} it cannot start for another reason, {BROKEN} a fault while running",
    )
    parser.add_argument("config", type=Path, metavar="CONFIG", help="TOML file")
    parser.add_argument("--journal", type=Path, metavar="DIR", help="run record (default: as configured)")
    parser.add_argument(
        "--service-key", type=Path, metavar="FILE", help="Ed25519 private key in PEM: signs the run record"
    )
    parser.add_argument("--log", choices=("json", "console"), default="console", help="form of the log lines")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Run the service; its exit code."""
    import asyncio

    from inksteward.service.app import serve
    from inksteward.service.errors import StartError
    from inksteward.service.log import Form, set_up
    from inksteward.service.starting import Options

    set_up(Form(arguments.log))
    try:
        return asyncio.run(serve(Options(arguments.config, arguments.journal, arguments.service_key)))
    except StartError as error:
        sys.stderr.write(f"inksteward run: {error}\n")
        return error.code
