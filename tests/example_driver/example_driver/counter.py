"""A sheet counter: every line is a count of the contract, delivered as it came."""

from __future__ import annotations

from inksteward.ports import Deliver, DriverContext

from .lines import Lines, Link


class SheetCount:
    """Delivers counts; the service judges them."""

    def __init__(self, context: DriverContext) -> None:
        self.name = context.name
        self._lines = Lines(context)

    async def run(self, deliver: Deliver, link: Link) -> None:
        """Deliver counts until cancelled."""

        async def take(line: bytes) -> None:
            await deliver("counter", line, False)

        await self._lines.run(take, link)


def build(context: DriverContext) -> SheetCount:
    """What the entry point names. Settings: ``host``, ``port``. Raises ValueError."""
    return SheetCount(context)
