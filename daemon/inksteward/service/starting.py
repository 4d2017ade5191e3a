"""From files to a service that can start: configuration, operators, TLS, the journal and the state it leads to."""

from __future__ import annotations

import ssl
import uuid
from dataclasses import dataclass
from pathlib import Path

from inksteward.authority_file import AuthorityFileError, OperatorsFile
from inksteward.authority_file import load as load_operators
from inksteward.config import Config, ConfigErrors, beside
from inksteward.config import load as load_config
from inksteward.journal import JournalError, Outstanding, Seal
from inksteward.journals import Journals
from inksteward.ports import NotSent
from inksteward.service import files
from inksteward.service.checkpoints import Checkpoints, seal_with
from inksteward.service.clock import Clock
from inksteward.service.errors import CONFIGURATION, StartError
from inksteward.service.mqtt_client import tls_of
from inksteward.service.mqtt_link import require_safe
from inksteward.service.record import Record
from inksteward.service.restoring import label_of, last_state, open_last
from inksteward.steward import State, initial


@dataclass(frozen=True, slots=True)
class Options:
    """What the command line says. ``journal`` None: as configured; ``service_key`` None: no checkpoints."""

    config: Path
    journal: Path | None = None
    service_key: Path | None = None


@dataclass(frozen=True, slots=True)
class Setup:
    """What was read before anything is opened. ``instance`` names this process on the broker."""

    config: Config
    instance: str
    operators_path: Path
    operators: OperatorsFile
    journal: Path
    tls: ssl.SSLContext | None
    seal: Seal | None


@dataclass(frozen=True, slots=True)
class Opened:
    """The record as found: the state it leads to (None: nothing before us) and what is still to be sent."""

    record: Record
    state: State | None
    label: str
    unsent: tuple[Path, tuple[Outstanding, ...]]


def read(options: Options) -> Setup:
    """Read configuration, operators, certificates and key. Raises StartError."""
    try:
        config = load_config(options.config)
    except ConfigErrors as error:
        raise StartError(str(error), CONFIGURATION) from error
    operators_path = beside(options.config, config.operators_file)
    try:
        require_safe(config)
        operators = load_operators(operators_path)
        seal = None if options.service_key is None else seal_with(options.service_key)
        tls = tls_of(config.broker, lambda name: str(beside(options.config, name)))
    except (AuthorityFileError, NotSent) as error:
        raise StartError(str(error), CONFIGURATION) from error
    except OSError as error:
        text = f"{options.config}: broker: ca_file, cert_file or key_file cannot be used: {error}"
        raise StartError(text, CONFIGURATION) from error
    journal = options.journal or beside(options.config, config.journal.directory)
    return Setup(config, uuid.uuid4().hex, operators_path, operators, journal, tls, seal)


def open_record(setup: Setup, clock: Clock) -> Opened:
    """Hold, verify and open the journal, or begin the first one. Raises StartError."""
    journals = Journals(setup.journal)
    journal = open_last(journals)
    state = last_state(journals)
    wanted = files.label(setup.config, state or initial(), clock.today())
    try:
        if journal is None:
            journal = journals.begin(wanted, clock.wall_ms())
            unsent: tuple[Path, tuple[Outstanding, ...]] = (journal.path, ())
        else:
            unsent = (journal.path, journal.unacknowledged())
            if journal.head.seq > 0 and label_of(journal.path) != wanted:
                journal = journals.begin(wanted, clock.wall_ms(), journal)
    except JournalError as error:
        raise StartError(str(error)) from error
    record = Record(journals, journal, clock, Checkpoints(setup.seal, clock.mono_ns))
    return Opened(record, state, wanted, unsent)
