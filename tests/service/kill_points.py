"""The service, killed by its own hand: ``python -m tests.service.kill_points POINT COUNT run CONFIG...``.

At the COUNT-th time that it comes to POINT the process sends itself SIGKILL. With COUNT 0 it lives, and leaves how
often it came to each point in the file that KILL_CENSUS names. With KILL_PLANT in the environment its journal
stores every statement for itself, without transactions: a fault that must be found.
"""

from __future__ import annotations

import atexit
import json
import os
import signal
import sqlite3
import sys
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import serial

from inksteward import cli
from inksteward.events import Publish
from inksteward.service.mqtt_link import BrokerLink

POINTS = ("statement", "commit", "publish", "published", "byte")
"""Before each SQL statement, after each commit, before and after each publish, after each byte on a serial line."""


class Deadline:
    """Counts how often each point was reached; ends the process at the chosen one."""

    def __init__(self, point: str, count: int) -> None:
        self._point, self._count = point, count
        self.seen: Counter[str] = Counter()

    def at(self, point: str) -> None:
        """A point was reached."""
        self.seen[point] += 1
        if point == self._point and self.seen[point] == self._count:
            os.kill(os.getpid(), signal.SIGKILL)

    def tell(self, path: str) -> None:
        """Write the census."""
        Path(path).write_text(json.dumps(self.seen))


def watch_sql(deadline: Deadline) -> None:
    """Every statement and every commit on any database, those with many rows row by row."""

    planted = "KILL_PLANT" in os.environ

    class Watched(sqlite3.Connection):
        def execute(self, sql: str, *rest: Any) -> sqlite3.Cursor:
            deadline.at("statement")
            if planted and sql in ("BEGIN IMMEDIATE", "COMMIT"):
                return self.cursor()
            done = super().execute(sql, *rest)
            if sql == "COMMIT":
                deadline.at("commit")
            return done

        def executemany(self, sql: str, rows: Iterable[Any]) -> sqlite3.Cursor:
            cursor = self.cursor()
            for row in rows:
                deadline.at("statement")
                cursor.execute(sql, row)
            return cursor

    connect = sqlite3.connect

    def watched(*args: Any, **named: Any) -> sqlite3.Connection:
        return connect(*args, **{**named, "factory": Watched})

    sqlite3.connect = watched  # type: ignore[assignment]


def watch_publish(deadline: Deadline) -> None:
    """Every publish, before it is handed to the broker and after the broker has it."""
    send = BrokerLink.send

    async def watched(self: BrokerLink, effect: Publish) -> None:
        deadline.at("publish")
        await send(self, effect)
        deadline.at("published")

    BrokerLink.send = watched  # type: ignore[method-assign]


def watch_serial(deadline: Deadline) -> None:
    """Every byte that is written to a serial line."""
    write = serial.Serial.write

    def watched(self: serial.Serial, data: bytes) -> int:
        for place in range(len(data)):
            write(self, data[place : place + 1])
            deadline.at("byte")
        return len(data)

    serial.Serial.write = watched  # type: ignore[method-assign, assignment]


def main(words: list[str]) -> int:
    """Run the service under this deadline."""
    point, count, *rest = words
    deadline = Deadline(point, int(count))
    if "KILL_CENSUS" in os.environ:
        atexit.register(deadline.tell, os.environ["KILL_CENSUS"])
    for watch in (watch_sql, watch_publish, watch_serial):
        watch(deadline)
    return cli.main(rest)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
