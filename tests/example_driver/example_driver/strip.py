"""A strip reader: every line is a scan without ``scan_id`` and ``taken_at``, which the service's side adds."""

from __future__ import annotations

import json

from inksteward.contract import Refused, parse_object
from inksteward.ports import Deliver, DriverContext

from .lines import Lines, Link


class Strip:
    """Delivers scans; what is no JSON object is counted and told, and the service hears nothing of it."""

    def __init__(self, context: DriverContext) -> None:
        self.name = context.name
        self._context = context
        self._lines = Lines(context)
        self.discarded = 0

    async def run(self, deliver: Deliver, link: Link) -> None:
        """Deliver scans until cancelled."""

        async def take(line: bytes) -> None:
            try:
                scan = parse_object(line)
            except Refused as refused:
                self.discarded += 1
                await link(True, f"{self.discarded} lines were no scans; the last: {refused}")
                return
            scan |= {"scan_id": self._context.new_id(), "taken_at": self._context.now_rfc3339()}
            await deliver("scan", json.dumps(scan).encode(), False)

        await self._lines.run(take, link)


def build(context: DriverContext) -> Strip:
    """What the entry point names. Settings: ``host``, ``port``. Raises ValueError."""
    return Strip(context)
