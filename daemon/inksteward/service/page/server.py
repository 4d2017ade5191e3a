"""uvicorn within the service's own loop: it takes no signals, opens no socket, and ends when it is told to."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Generator

import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

from inksteward.service.page.place import PageFiles

CONNECTIONS = 64
"""At a time, streams included; more are answered 503."""
GRACE_S = 2
IDLE_CONNECTION_S = 15
STALLED_S = 15.0
"""A browser that has left lying for so long what was sent to it is cut off: its place is for one that looks."""


class _Impatient(H11Protocol):
    """What is sent to a browser waits until it has taken what lies there (64 KiB); this one does not wait for ever.

    The end is an abort: a close would keep the buffer, and the connection with it, for as long as the other end likes.
    """

    _stalled: asyncio.TimerHandle | None = None

    def pause_writing(self) -> None:
        """The buffer is full."""
        super().pause_writing()
        self._stalled = asyncio.get_running_loop().call_later(STALLED_S, self.transport.abort)

    def resume_writing(self) -> None:
        """It is nearly empty again."""
        self._forgive()
        super().resume_writing()

    def connection_lost(self, exc: Exception | None) -> None:
        """There is nobody left to wait for."""
        self._forgive()
        super().connection_lost(exc)

    def _forgive(self) -> None:
        if self._stalled is not None:
            self._stalled.cancel()
            self._stalled = None


class _Quiet(uvicorn.Server):
    """Signals belong to the service: uvicorn would take SIGTERM from it and stop by itself."""

    @contextlib.contextmanager
    def capture_signals(self) -> Generator[None, None, None]:
        """Capture none."""
        yield


def cut_stalled(running: uvicorn.Server) -> None:
    """At the end: what lies there for browsers that do not take it is not waited for."""
    for connection in list(running.server_state.connections):
        if isinstance(connection, _Impatient) and connection.flow.write_paused:
            connection.transport.abort()


def server(app: ASGIApp, files: PageFiles) -> uvicorn.Server:
    """A server that ``serve(sockets=[...])`` runs."""
    config = uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        lifespan="off",
        ws="none",
        http=_Impatient,
        loop="none",
        proxy_headers=False,
        server_header=False,
        ssl_certfile=files.cert,
        ssl_keyfile=files.key,
        limit_concurrency=CONNECTIONS,
        timeout_keep_alive=IDLE_CONNECTION_S,
        timeout_graceful_shutdown=GRACE_S,
    )
    config.load()
    return _Quiet(config)
