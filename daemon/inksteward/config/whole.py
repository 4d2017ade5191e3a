"""The configuration: read, judged as a whole, built into the press and the settings of the service.

``load`` reads a TOML file; ``parse`` is pure and takes plain data, so that the journal's copy of the
configuration gives the same ``Config`` again. Every mistake is reported at once.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

from inksteward.canonical import canonical
from inksteward.config import build, rules
from inksteward.config.condition_files import with_conditions
from inksteward.config.errors import ConfigError, ConfigErrors
from inksteward.config.files import text_of
from inksteward.config.layers import DEFAULTS, key_text, laid, merged
from inksteward.config.opening_files import with_opening_model
from inksteward.config.reading import MISSING, Finding, plain, read
from inksteward.config.settings import (
    Approval,
    Broker,
    ControlSettings,
    DriverKind,
    DriverSettings,
    JournalSettings,
    Measuring,
    OpeningModel,
    PageSettings,
)
from inksteward.config.unit_forms import ConfigForm
from inksteward.config.words import NOT_SHOWN, secret, shown
from inksteward.model import Condition, Ink, Press

Installed = Mapping[DriverKind, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Config:
    """The whole configuration. Files and directories are as written; ``beside`` resolves them.

    ``press`` holds no valid calibration until ``judged`` says which calibrations have not expired.
    ``calibrated`` gives for each unit the first and the last day on which its calibration counts.
    """

    press: Press
    inks: tuple[Ink, ...]
    dry_back: Mapping[str, float]
    conditions: tuple[Condition, ...]
    broker: Broker
    approval: Approval
    measuring: Measuring
    control: ControlSettings
    drivers: tuple[DriverSettings, ...]
    operators_file: str
    journal: JournalSettings
    page: PageSettings
    opening_model: OpeningModel | None
    calibrated: Mapping[str, tuple[date, date]]
    canonical_json: bytes = field(repr=False)

    def data(self) -> dict[str, Any]:
        """The file's content as plain JSON data (dates as text): ``parse`` makes an equal Config of it."""
        data: dict[str, Any] = json.loads(self.canonical_json)
        return data

    def ink(self, name: str) -> Ink | None:
        """Constants of the ink of that name, or None."""
        return next((ink for ink in self.inks if ink.ink == name), None)

    def condition(self, name: str) -> Condition | None:
        """The printing condition of that name, or None."""
        return next((each for each in self.conditions if each.condition == name), None)

    def calibration_valid(self, today: date) -> dict[str, bool]:
        """For each unit whether its calibration counts on that day: first and last day included."""
        return {unit: first <= today <= last for unit, (first, last) in self.calibrated.items()}

    def judged(self, calibration_valid: Mapping[str, bool]) -> Config:
        """The same with ``calibration.valid`` set; a unit that is not named has no valid calibration."""
        units = tuple(
            replace(
                unit, calibration=replace(unit.calibration, valid=calibration_valid.get(unit.unit, False))
            )
            for unit in self.press.units
        )
        return replace(self, press=replace(self.press, units=units))


def load(path: Path) -> Config:
    """Configuration from a TOML file; a driver that is not installed is a mistake in it.

    Raises ConfigUnreadable if the file cannot be read, ConfigErrors with every mistake in it otherwise.
    """
    source = str(path)
    text = text_of(path)
    try:
        data = tomllib.loads(text)
    except (
        ValueError,
        RecursionError,
    ) as error:  # TOMLDecodeError is a ValueError, a number too long another
        raise ConfigErrors((_syntax_error(source, text, str(error)),)) from error
    whole = with_opening_model(with_conditions(data, path), path)
    return _judged(whole, source, installed_drivers())


def parse(data: dict[str, Any], source: str) -> Config:
    """Configuration from plain data. Raises ConfigErrors with every mistake; ``source`` names the data there."""
    return _judged(data, source, None)


def _judged(data: dict[str, Any], source: str, installed: Installed | None) -> Config:
    found: list[Finding] = []
    clean = plain(data, found)
    unusable = tuple(place for finding in found for place in laid(finding.place, clean))
    if not isinstance(clean.get(DEFAULTS, {}), dict):
        found.append(Finding((DEFAULTS,), clean[DEFAULTS], "a table"))
    content = canonical(clean)
    reading = read(merged(json.loads(content)), unusable)
    found += reading.findings
    found += rules.findings(reading)
    found += rules.driver_findings(reading, installed) if installed is not None else ()
    if found:
        errors = (
            ConfigError(source, key_text(item.place, clean), _value(item), item.expected) for item in found
        )
        raise ConfigErrors(tuple(dict.fromkeys(errors)))
    return _built(reading.form, content)


def installed_drivers() -> Installed:
    """Names of the installed drivers of each kind: entry points of inksteward.strip_readers, .key_banks and
    .sheet_counters.
    """
    return {
        kind: tuple(sorted(entry.name for entry in entry_points(group=f"inksteward.{kind}s")))
        for kind in DriverKind
    }


def beside(config_file: Path, written: str) -> Path:
    """A file or directory named in the configuration: relative names count from the configuration's folder."""
    return config_file.parent / written


def _built(form: ConfigForm, content: bytes) -> Config:
    press = build.press(form)
    return Config(
        press=press,
        inks=build.inks(form),
        dry_back=build.dry_back(form),
        conditions=build.conditions(form),
        broker=build.broker(form.broker, press.press),
        approval=build.approval(form),
        measuring=build.measuring(form),
        control=build.control(form.control),
        drivers=build.drivers(form),
        operators_file=form.approval.operators_file,
        journal=build.journal(form),
        page=build.page(form),
        opening_model=build.opening_model(form),
        calibrated={
            unit.unit: (unit.calibration.calibrated_on, unit.calibration.expires_on) for unit in form.unit
        },
        canonical_json=content,
    )


def _value(finding: Finding) -> str:
    if any(isinstance(part, str) and secret(part) for part in finding.place):
        return NOT_SHOWN
    return "missing" if finding.value is MISSING else shown(finding.value)


def _syntax_error(source: str, text: str, message: str) -> ConfigError:
    """A TOML mistake with its line, which the parser names at the end of its message."""
    place = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)$", message)
    if place is None:
        return ConfigError(source, "file", NOT_SHOWN, f"TOML ({message})")
    lines = text.splitlines() or [""]
    number = min(int(place.group(1) or len(lines)), len(lines))
    words = f"TOML ({message[: place.start()]})"
    return ConfigError(source, f"line {number}", shown(lines[number - 1].strip()), words)
