"""``inksteward listen``: what a device says, and what its driver makes of it."""

from __future__ import annotations

import argparse
import asyncio
import fcntl
import os
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from inksteward.config import Config, DriverSettings
    from inksteward.wiring.byte_log import ByteLogFile
    from inksteward.wiring.listening import Wanted

GOOD, FAILED, USAGE = 0, 1, 2

_Subparsers = argparse._SubParsersAction  # the type that add_subparsers answers has no public name


def add_listen(subparsers: _Subparsers[argparse.ArgumentParser]) -> None:
    """Register ``listen``; the parsed arguments get ``run``: a function of them -> exit code."""
    parser = subparsers.add_parser(
        "listen",
        help="what a device says, byte by byte, and what its driver makes of it",
        description="Runs one driver of a configuration without the service and shows what goes over its line, the "
        "frames in it, and what would be delivered or is refused. Nothing of it reaches the service, and nothing is "
        "ever sent to a key bank. Other drivers write what their protocol needs, the line protocol's acknowledgements "
        "for one: it is shown as sent; --silent keeps it back.",
        epilog=f"exit codes: {GOOD} as wanted, {FAILED} the line cannot be opened, the driver failed or --count was "
        f"not reached, {USAGE} a mistake in configuration or arguments",
    )
    parser.add_argument("config", type=Path, metavar="CONFIG", help="TOML file")
    parser.add_argument("name", metavar="NAME", help="the driver's name in it")
    parser.add_argument("--count", type=_count, metavar="N", help="end after so many payloads and refusals")
    parser.add_argument("--seconds", type=_seconds, metavar="S", help="end after so many seconds")
    parser.add_argument("--save", type=Path, metavar="FILE", help="write a byte log, one JSON object a line")
    parser.add_argument("--bytes", type=Path, metavar="FILE", help="replay a byte log; no port is opened")
    parser.add_argument("--silent", action="store_true", help="write nothing, not even acknowledgements")
    parser.set_defaults(run=run)


def _count(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and 1 <= int(text) <= 1_000_000):
        raise argparse.ArgumentTypeError(f"{text!r}: expected a whole number from 1 to 1000000")
    return int(text)


def _seconds(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0.0 < value <= 604_800.0:
        raise argparse.ArgumentTypeError(f"{text!r}: expected seconds above 0, a week at most")
    return value


def run(arguments: argparse.Namespace) -> int:
    """Listen; the exit code."""
    from inksteward.config import ConfigErrors, load
    from inksteward.service.errors import StartError
    from inksteward.wiring.byte_log import ByteLogError, ByteLogFile
    from inksteward.wiring.listening import NotListened, Wanted

    log = None
    try:
        config = load(arguments.config)
        driver = _prepared(arguments, config)
        if arguments.save is not None:
            log = ByteLogFile(arguments.save)
        wanted = Wanted(arguments.count, arguments.seconds, arguments.bytes is not None)
        asyncio.run(_listen(config, arguments.config, driver, wanted, log))
    except BrokenPipeError:
        raise  # whoever read along has seen enough: the command itself knows what to do
    except (ConfigErrors, StartError) as error:
        return _told(error, USAGE)
    except (NotListened, ByteLogError, OSError) as error:
        return _told(error, FAILED)
    finally:
        if log is not None:
            log.close()
    return GOOD


def _told(error: Exception, code: int) -> int:
    sys.stdout.flush()
    sys.stderr.write(f"inksteward listen: {error}\n")
    return code


def _prepared(arguments: argparse.Namespace, config: Config) -> DriverSettings:
    """The driver as it is listened to. Raises StartError or NotListened."""
    from inksteward.service.errors import CONFIGURATION, StartError
    from inksteward.wiring import protocol_bytelog
    from inksteward.wiring.byte_log import read_log
    from inksteward.wiring.listening import MQTT_DRIVER, NotListened, at, on_a_line, passive

    found = {driver.name: driver for driver in config.drivers}
    driver = found.get(arguments.name)
    if driver is None:
        known = ", ".join(found)
        raise StartError(
            f"{arguments.config}: no driver {arguments.name!r}: expected one of {known}", CONFIGURATION
        )
    if arguments.bytes is not None:
        if not on_a_line(driver):
            raise NotListened(
                f"{driver.name}: a byte log is replayed to a driver on a line, one with a setting url"
            )
        read_log(arguments.bytes)
        return at(driver, protocol_bytelog.SCHEME, str(arguments.bytes))
    if driver.driver != MQTT_DRIVER and _held(arguments.config, config):
        raise NotListened(
            f"{driver.name}: the service of this press runs and has its drivers' lines: stop it first, "
            "or what is read here would be missing there"
        )
    return passive(driver, arguments.silent)


def _held(path: Path, config: Config) -> bool:
    """Whether a service keeps the configured journal. Looks, and makes nothing."""
    from inksteward.config import beside

    try:
        lock = os.open(beside(path, config.journal.directory) / ".lock", os.O_RDONLY)
    except OSError:  # no journal there yet, or none that we may look at: the port's own lock still tells
        return False
    try:
        fcntl.flock(
            lock, fcntl.LOCK_SH | fcntl.LOCK_NB
        )  # flock has no question, only a try; let go of at once
    except BlockingIOError:
        return True
    finally:
        os.close(lock)
    return False


async def _listen(
    config: Config, path: Path, driver: DriverSettings, wanted: Wanted, log: ByteLogFile | None
) -> None:
    from inksteward.config import beside
    from inksteward.service.mqtt_client import tls_of
    from inksteward.wiring.broker import HearingLink
    from inksteward.wiring.listening import Listener

    tls = tls_of(config.broker, lambda name: str(beside(path, name)))

    def show(text: str) -> None:
        sys.stdout.write(text)
        sys.stdout.flush()

    listener = Listener(driver, wanted, show, log)
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, listener.stop.set)
    show(
        f"{driver.kind.words} {driver.name}, driver {driver.driver}: judged by its form alone; ends with Ctrl-C\n"
    )
    await listener.run(config, HearingLink(config, tls))
