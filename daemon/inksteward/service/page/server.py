"""uvicorn within the service's own loop: it takes no signals, opens no socket, and ends when it is told to."""

from __future__ import annotations

import contextlib
from collections.abc import Generator

import uvicorn
from starlette.types import ASGIApp

from inksteward.service.page.place import PageFiles

CONNECTIONS = 64
"""At a time, streams included; more are answered 503."""
GRACE_S = 2
IDLE_CONNECTION_S = 15


class _Quiet(uvicorn.Server):
    """Signals belong to the service: uvicorn would take SIGTERM from it and stop by itself."""

    @contextlib.contextmanager
    def capture_signals(self) -> Generator[None, None, None]:
        """Capture none."""
        yield


def server(app: ASGIApp, files: PageFiles) -> uvicorn.Server:
    """A server that ``serve(sockets=[...])`` runs."""
    config = uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        lifespan="off",
        ws="none",
        http="h11",
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
