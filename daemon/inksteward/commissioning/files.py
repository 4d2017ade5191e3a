"""What the command starts from, judged before anybody is asked anything; and the session file."""

from __future__ import annotations

import argparse
import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from inksteward.authority import Operators, public_x, thumbprint
from inksteward.authority_file import OperatorsFile, read_private_key
from inksteward.authority_file import load as load_operators
from inksteward.commissioning.desk import Stopped
from inksteward.commissioning.plan import Settings
from inksteward.commissioning.session import Person, Session, SessionRefused, read
from inksteward.commissioning.zero import Doubt
from inksteward.config import Config, beside, load
from inksteward.model import Unit
from inksteward.terminal.wire import Address

RANGES = {
    "gauge_tolerance_um": (0.1, 20.0),
    "feel_um": (0.5, 20.0),
    "step_pct": (1.0, 10.0),
    "move_pct": (1.0, 30.0),
    "top_pct": (50.0, 90.0),
    "levels": (2, 6),
    "valid_days": (1, 1830),
}
CAUTIOUS = (
    "Calibration of unit {unit} counts from {first} to {last} only, and without one no key moves. For a unit that was "
    "never calibrated begin cautiously: open every key by hand, well clear of the roller and tried with a gauge; then "
    "state under [unit.calibration] what is sure: zero_um = 0, a generous uncertainty_um (such as 40), today as "
    "calibrated_on and a day soon as expires_on; start the service again, and commission"
)


class Unusable(Exception):
    """The command cannot begin; the text names what is wrong and what was expected."""


@dataclass(frozen=True, slots=True)
class Start:
    """Everything that the session needs from files and options."""

    config_file: Path
    unit: Unit
    address: Address
    people: tuple[Person, Person]
    operators: Operators
    doubt: Doubt
    settings: Settings
    session_file: Path
    out: Path
    valid_days: int

    def same_as(self, described: dict[str, Any]) -> None:
        """Raises Unusable where the running service has the unit otherwise than the configuration here."""
        unit = self.unit
        own = {
            "zones": unit.zones,
            "pitch_mm": unit.pitch_mm,
            "first_edge_mm": unit.first_edge_mm,
            "blade": unit.blade.value,
            "travel_um": unit.travel_um,
            "min_gap_um": unit.min_gap_um,
        }
        for name, value in own.items():
            if described.get(name) != value:
                raise Unusable(
                    f"{name}: the service has {described.get(name)!r}, {self.config_file} says {value!r}"
                )


def start(options: argparse.Namespace, today: date) -> Start:
    """Judge options and files. Raises Unusable, and what reading the files raises."""
    for name, (low, high) in RANGES.items():
        value = getattr(options, name)
        if not low <= value <= high:
            raise Unusable(f"--{name.replace('_', '-')} {value:g}: expected {low:g} to {high:g}")
    path: Path = options.config
    config = load(path)
    unit = _unit(config, options.unit, today)
    known = load_operators(options.operators or beside(path, config.operators_file))
    out = options.out or path.with_name(f"{path.stem}-{unit.unit}-commissioned.toml")
    if out.exists():
        raise Unusable(f"{out} exists: nothing is overwritten, name another with --out")
    tls = (options.tls_ca_file, options.tls_cert_file, options.tls_key_file)
    return Start(
        config_file=path,
        unit=unit,
        address=Address(options.broker or config.broker.url, config.press.press, *tls),
        people=_people(known, options),
        operators=known.operators,
        doubt=Doubt(options.gauge_tolerance_um, options.feel_um, unit.resolution_pct),
        settings=Settings(
            step_pct=options.step_pct,
            move_pct=options.move_pct,
            top_pct=options.top_pct,
            levels=options.levels,
        ),
        session_file=options.session or path.with_name(f"{unit.unit}.commissioning.json"),
        out=out,
        valid_days=options.valid_days,
    )


def _unit(config: Config, name: str, today: date) -> Unit:
    """The unit of that name, if its calibration counts. Raises Unusable."""
    unit = config.press.unit(name)
    if unit is None:
        raise Unusable(f"UNIT {name}: expected one of {', '.join(each.unit for each in config.press.units)}")
    if not config.calibration_valid(today)[name]:
        first, last = config.calibrated[name]
        raise Unusable(CAUTIOUS.format(unit=name, first=first, last=last))
    return unit


def _people(known: OperatorsFile, options: argparse.Namespace) -> tuple[Person, Person]:
    """The two, who must be two. Raises Unusable."""
    if options.operator == options.second:
        raise Unusable(f"--second {options.second}: expected another person than --operator")
    first = _person(known, options.operator, options.key, options.kid)
    second = _person(known, options.second, options.second_key, options.second_kid)
    if public_x(first.key) == public_x(second.key):
        raise Unusable(f"--second-key {options.second_key}: expected a key of that person alone")
    return first, second


def _person(known: OperatorsFile, operator: str, key_file: Path, kid: str | None) -> Person:
    """Somebody of the operators file whose private key is the one that is known there. Raises Unusable."""
    found = known.operators.find(operator)
    if found is None or found.revoked:
        raise Unusable(f"{operator}: expected an operator of the operators file who was not revoked")
    key = read_private_key(key_file)
    x = public_x(key)
    own = next(
        (each for each in found.keys if each.x == x and not each.revoked and kid in (None, each.kid)), None
    )
    if own is None:
        named = f" as {kid}" if kid else ""
        raise Unusable(
            f"{key_file}: expected a key of {operator} that the operators file knows{named}, not {thumbprint(x)}"
        )
    return Person(operator, found.name, key, own.kid, known.pin_hashes.get(operator))


@contextmanager
def locked(session_file: Path) -> Iterator[None]:
    """Only one program works at a session. Raises Unusable when another does, or the folder cannot be written to."""
    lock = session_file.with_name(f".{session_file.name}.lock")
    try:
        handle = os.open(lock, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise Unusable(f"{lock}: {error.strerror}: expected a folder that can be written to") from error
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise Unusable(f"{session_file}: another inksteward commission works at it") from error
        yield
    finally:
        os.close(handle)


def resumed(ready: Start) -> Session:
    """The session of the file, or a new one where there is none. Raises SessionRefused."""
    config = load(ready.config_file).press
    fresh = Session(config.press, ready.unit.unit, ready.unit.calibration.blade_id, ready.unit.zones)
    if not ready.session_file.exists():
        return fresh
    try:
        return read(ready.session_file.read_text("utf-8"), fresh, ready.operators)
    except (OSError, UnicodeDecodeError) as error:
        raise SessionRefused(f"{ready.session_file}: {error}") from error
    except SessionRefused as error:
        raise SessionRefused(f"{ready.session_file}: {error}") from error


def keep(session_file: Path, session: Session) -> None:
    """Store the session: the whole file or the one before it, whatever happens meanwhile. Raises Stopped."""
    try:
        _replaced(session_file, session.text())
    except OSError as error:
        raise Stopped(f"{session_file}: {error.strerror}: what was said last is not kept") from error


def _replaced(session_file: Path, text: str) -> None:
    draft = session_file.with_name(f".{session_file.name}.new")
    with draft.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    os.replace(draft, session_file)
    folder = os.open(session_file.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
