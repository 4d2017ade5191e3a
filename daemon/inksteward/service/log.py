"""The service's own words on standard error. A log that cannot be written never stops the control path."""

from __future__ import annotations

import json
import logging
import sys
from collections.abc import MutableMapping
from enum import StrEnum
from typing import Any, TextIO

import structlog

Log = structlog.typing.FilteringBoundLogger
Words = MutableMapping[str, Any]


class Form(StrEnum):
    """How lines are written: for people or for a log collector."""

    CONSOLE = "console"
    JSON = "json"


class _Writer:
    """Writes one line; a closed pipe or a full disk behind it is nobody's business here."""

    def __init__(self, out: TextIO) -> None:
        self._out = out

    def msg(self, line: str) -> None:
        try:
            self._out.write(f"{line}\n")
            self._out.flush()
        except (OSError, ValueError):  # ValueError: the stream was closed
            return

    log = debug = info = warn = warning = error = critical = fatal = exception = msg


class _Forward(logging.Handler):
    """Takes what libraries say through the standard library's logging."""

    def emit(self, record: logging.LogRecord) -> None:
        try:
            text = record.getMessage()
        except (TypeError, ValueError):  # a library's own mistake in its format
            text = str(record.msg)
        log_of(record.name).log(max(record.levelno, logging.INFO), text)


def _as_json(_: Any, __: str, words: Words) -> str:
    try:
        return json.dumps(words, default=repr, ensure_ascii=False)
    except (TypeError, ValueError, RecursionError):
        return json.dumps({name: repr(value) for name, value in words.items()})


def _as_text(_: Any, __: str, words: Words) -> str:
    at, level, event = (words.pop(name, "") for name in ("timestamp", "level", "event"))
    trace = words.pop("exception", None)
    rest = " ".join(f"{name}={value!s}" for name, value in words.items())
    line = f"{at} {level:<7} {event} {rest}".rstrip()
    return f"{line}\n{trace}" if trace else line


def set_up(form: Form, out: TextIO | None = None) -> None:
    """Direct every logger of this process to ``out`` (standard error)."""
    structlog.configure(
        processors=[
            structlog.stdlib.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            _as_json if form is Form.JSON else _as_text,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        logger_factory=lambda *_: _Writer(out or sys.stderr),
        cache_logger_on_first_use=False,
    )
    root = logging.getLogger()
    root.handlers[:] = [_Forward()]
    root.setLevel(logging.WARNING)


def log_of(part: str) -> Log:
    """The logger of one part of the service."""
    logger: Log = structlog.get_logger().bind(part=part)
    return logger
