"""The page put together: its socket, its server in the service's loop, and what the service tells it."""

from __future__ import annotations

import asyncio
import socket
from pathlib import Path

from inksteward.config import Config
from inksteward.events import Event, Publish
from inksteward.service.clock import Clock
from inksteward.service.consumer import Consumer
from inksteward.service.log import log_of
from inksteward.service.operators import OperatorsWatch
from inksteward.service.page.app import PageApp
from inksteward.service.page.asking import Asking
from inksteward.service.page.board import Board
from inksteward.service.page.place import PageFiles
from inksteward.service.page.server import cut_stalled, server
from inksteward.service.page.sessions import Sessions
from inksteward.service.rates import Rates
from inksteward.service.record import Record
from inksteward.service.sign_in import SignIn

END_S = 5.0


class Page:
    """Listens from its making on; answers while ``run`` runs. Every call but ``run`` and ``end`` returns at once."""

    def __init__(
        self,
        config: Config,
        listener: socket.socket,
        files: PageFiles,
        parts: tuple[Consumer, Record, OperatorsWatch, SignIn, Clock],
    ) -> None:
        consumer, record, operators, sign_in, clock = parts
        self.board = Board(config, clock, lambda: consumer.state, lambda: operators.content)
        self.rates = Rates()
        asking = Asking(config, consumer, record, self.board, clock, self.rates)
        sessions = Sessions(lambda: operators.content)
        self._app = PageApp(config.page, self.board, asking, sessions, sign_in, clock)
        self._listener = listener
        self._server = server(self._app.build(), files)
        self._log = log_of("page")
        scheme = "http" if files.cert is None else "https"
        host = f"[{config.page.host}]" if ":" in config.page.host else config.page.host
        self.address = f"{scheme}://{host}:{config.page.port}/"

    def restore(self, path: Path) -> None:
        """Take what was before from the open journal file."""
        self.board.chronicle.restore(path)
        self.board.restored()

    def said(self, effect: Publish) -> None:
        """The core published something."""
        self.board.said(effect)

    def stepped(self, event: Event) -> None:
        """The core has taken an event."""
        self.board.stepped(event)

    async def run(self) -> None:
        """Serve until ``end``."""
        self._log.info("the page is served", address=self.address)
        await self._server.serve(sockets=[self._listener])

    async def end(self, running: asyncio.Task[None]) -> None:
        """Close every stream, then the server; returns when ``running`` has ended."""
        self._app.closing.set()
        cut_stalled(self._server)
        self._server.should_exit = True
        await asyncio.wait((running,), timeout=END_S)
        running.cancel()
        self._listener.close()
