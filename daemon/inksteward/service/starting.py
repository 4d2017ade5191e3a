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
from inksteward.journal import Journal, JournalError, Outstanding, Seal
from inksteward.journals import Journals
from inksteward.ports import NotSent
from inksteward.service import files
from inksteward.service.checkpoints import Checkpoints, seal_with
from inksteward.service.clock import Clock
from inksteward.service.errors import CONFIGURATION, StartError
from inksteward.service.log import log_of
from inksteward.service.mqtt_client import tls_of
from inksteward.service.mqtt_link import require_safe
from inksteward.service.page.place import PageFiles, page_files
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
    page: PageFiles


Unsent = tuple[tuple[Path, tuple[Outstanding, ...]], ...]
"""Publishes that no broker has acknowledged, oldest file first."""


@dataclass(frozen=True, slots=True)
class Opened:
    """The record as found: the state it leads to (None: nothing before us), the run or day of its file, and what is
    still to be sent, by file.
    """

    record: Record
    state: State | None
    label: str
    unsent: Unsent
    path: Path


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
    try:
        page = page_files(config.page, lambda name: str(beside(options.config, name)))
    except OSError as error:
        text = f"{options.config}: page: cert_file or key_file cannot be used: {error}"
        raise StartError(text, CONFIGURATION) from error
    journal = options.journal or beside(options.config, config.journal.directory)
    return Setup(config, uuid.uuid4().hex, operators_path, operators, journal, tls, seal, page)


def open_record(setup: Setup, clock: Clock) -> Opened:
    """Hold, verify and open the journal, or begin the first one. Raises StartError.

    The next file is not begun while the last one holds what is still to be sent: the service does that later.
    """
    journals = Journals(setup.journal)
    journal = open_last(journals)
    state = last_state(journals)
    wanted = files.label(setup.config, state or initial(), clock.today())
    unsent: Unsent = ()
    try:
        if journal is None:
            journal = journals.begin(wanted, clock.wall_ms())
        else:
            unsent = _unsent(journals, journal)
            if journal.head.seq > 0 and label_of(journal.path) != wanted and not unsent:
                journal = journals.begin(wanted, clock.wall_ms(), journal)
    except JournalError as error:
        raise StartError(str(error)) from error
    record = Record(journals, journal, clock, Checkpoints(setup.seal, clock.mono_ns))
    label = wanted if journal.head.seq == 0 else label_of(journal.path)
    return Opened(record, state, label, unsent, journal.path)


def _unsent(journals: Journals, journal: Journal) -> Unsent:
    """What the last file and the one before it left. Of the latter what was said once, and clears: the last state of
    a retained topic may have been told since.
    """
    found: list[tuple[Path, tuple[Outstanding, ...]]] = []
    for path in journals.paths()[:-1][-1:]:
        try:
            with journal.earlier(path) as before:
                left = before.unacknowledged()
        except JournalError as error:
            log_of("journal").error(
                "what it left to be sent cannot be read", path=str(path), reason=str(error)
            )
        else:
            found.append((path, tuple(o for o in left if not (o.publish.retain and o.publish.payload))))
    found.append((journal.path, journal.unacknowledged()))
    return tuple((path, left) for path, left in found if left)
