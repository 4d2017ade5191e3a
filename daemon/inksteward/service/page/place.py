"""Where the page is: its socket and its certificate. Needs nothing of what serves it."""

from __future__ import annotations

import socket
import ssl
from collections.abc import Callable
from dataclasses import dataclass

from inksteward.config import PageSettings
from inksteward.service.errors import StartError

BACKLOG = 64
KERNEL_BYTES = 256 * 1024
"""What the kernel may hold for one browser (it allows itself twice that); left alone it takes megabytes, and a slow
browser is shown what is minutes old.
"""


def listening(page: PageSettings) -> socket.socket:
    """A socket that listens where the configuration says. Raises StartError."""
    try:
        listener = socket.create_server(
            (page.host, page.port),
            family=socket.AF_INET6 if ":" in page.host else socket.AF_INET,
            backlog=BACKLOG,
        )
    except OSError as error:
        raise StartError(
            f"page: cannot listen on {page.host} port {page.port}: {error.strerror or error}"
        ) from error
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, KERNEL_BYTES)  # connections have it from here
    return listener


@dataclass(frozen=True, slots=True)
class PageFiles:
    """PEM files of the page's certificate and its key, None without TLS."""

    cert: str | None = None
    key: str | None = None


def page_files(page: PageSettings, path: Callable[[str], str]) -> PageFiles:
    """The files that are named, tried out; ``path`` resolves a name. Raises OSError for those that cannot be used."""
    if page.cert_file is None or page.key_file is None:
        return PageFiles()
    found = PageFiles(path(page.cert_file), path(page.key_file))
    ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(path(page.cert_file), found.key)
    return found
