"""What every request has to be, and what every answer carries, whatever stands behind it."""

from __future__ import annotations

from collections.abc import Iterable

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from inksteward.config import PageSettings

MOST_BYTES = 64 * 1024
"""Longest body of a request: the contract's longest decision has a tenth of that."""
POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
        "require-trusted-types-for 'script'",
        "trusted-types 'none'",
    )
)
CARRIED = (
    ("Content-Security-Policy", POLICY),
    ("X-Content-Type-Options", "nosniff"),
    ("Referrer-Policy", "no-referrer"),
    ("X-Frame-Options", "DENY"),
    ("Cross-Origin-Opener-Policy", "same-origin"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
    ("Permissions-Policy", "camera=(), geolocation=(), microphone=()"),
    ("Cache-Control", "no-store"),
)
LOOPBACK = ("127.0.0.1", "localhost", "::1")


def authorities(page: PageSettings) -> frozenset[str]:
    """What may stand in ``Host``: the names that were configured, with the port and, if it is the usual one, without.

    A page of somebody else's that makes his own name lead here (DNS rebinding) asks for that name, and gets nothing.
    """
    names: Iterable[str] = (page.host, *page.names)
    if page.host in LOOPBACK:
        names = (*names, *LOOPBACK)
    usual = 443 if page.cert_file is not None else 80
    written = {f"[{name}]" if ":" in name else name.lower() for name in names}
    found = {f"{name}:{page.port}" for name in written}
    return frozenset(found | written if page.port == usual else found)


class Fence:
    """ASGI middleware: known hosts only, POST only from our own page, short bodies, strict headers on every answer."""

    def __init__(self, app: ASGIApp, page: PageSettings) -> None:
        self._app = app
        self._hosts = authorities(page)
        self._scheme = "https" if page.cert_file is not None else "http"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or answer it here."""
        if scope["type"] != "http":
            return

        async def carrying(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in CARRIED:
                    headers[name] = value
            await send(message)

        refusal = self._refusal(scope["method"], Headers(scope=scope))
        if refusal is not None:
            status, text = refusal
            await JSONResponse({"text": text}, status)(scope, receive, carrying)
        else:
            await self._app(scope, receive, carrying)

    def _refusal(self, method: str, headers: Headers) -> tuple[int, str] | None:
        host = headers.get("host", "").lower()
        if host not in self._hosts:
            return 421, "this service does not answer under that name: see page.names in its configuration"
        if method in ("GET", "HEAD"):
            return None
        if method != "POST":
            return 405, "GET and POST only"
        if headers.get("origin") != f"{self._scheme}://{host}":
            return 403, "not from this service's own page"
        if headers.get("content-type", "").partition(";")[0].strip() != "application/json":
            return 415, "JSON only"
        length = headers.get("content-length", "")
        if not length.isdecimal() or int(length) > MOST_BYTES:
            return 413, f"a body of known length, at most {MOST_BYTES} bytes"
        return None
