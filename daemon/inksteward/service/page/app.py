"""What the page answers to: its files, the stream, signing in, decisions and requests."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator, Awaitable, Callable
from contextlib import aclosing
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Send

from inksteward.config import PageSettings
from inksteward.contract.base import Refused, parse_object
from inksteward.service.clock import Clock
from inksteward.service.page.asking import Asking, Unanswered
from inksteward.service.page.board import Board
from inksteward.service.page.fence import Fence
from inksteward.service.page.sessions import IDLE_MS, Session, Sessions
from inksteward.service.page.watching import MOST_BROWSERS, watch
from inksteward.service.sign_in import NotSignedIn, SignIn

STATIC = Path(__file__).parent / "static"
TYPES = {".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
SIGN_IN_FIRST = "sign in first"

Ask = Callable[[str, bytes], Awaitable[dict[str, Any]]]


@cache
def files() -> dict[str, tuple[bytes, str]]:
    """The page's own files, read once: name -> bytes and type."""
    found = (path for path in sorted(STATIC.iterdir()) if path.suffix in TYPES)
    return {path.name: (path.read_bytes(), TYPES[path.suffix]) for path in found}


class _Stream(StreamingResponse):
    """A stream that gives its place back at the moment it ends, however it ends: nobody else closes its source."""

    def __init__(self, source: AsyncGenerator[bytes]) -> None:
        super().__init__(source, media_type="text/event-stream")
        self._source = source

    async def stream_response(self, send: Send) -> None:
        """Send until the source ends or the browser is gone."""
        async with aclosing(self._source):
            await super().stream_response(send)


@dataclass
class PageApp:
    """The ASGI application and what it stands on."""

    settings: PageSettings
    board: Board
    asking: Asking
    sessions: Sessions
    sign_in: SignIn
    clock: Clock
    closing: asyncio.Event = field(default_factory=asyncio.Event)

    def build(self) -> ASGIApp:
        """The application behind its fence."""
        asks = {"decide": self.asking.decide, "request": self.asking.request, "judge": self.asking.judge}
        routes = [
            Route("/", self._index),
            Route("/static/{name}", self._file),
            Route("/api/stream", self._stream),
            Route("/api/chart/{unit}/{zone:int}", self._chart),
            Route("/api/sign-in", self._sign_in, methods=["POST"]),
            Route("/api/sign-out", self._sign_out, methods=["POST"]),
            Route("/api/touch", self._touch, methods=["POST"]),
            *(
                Route(f"/api/{name}", self._operators_only(ask), methods=["POST"])
                for name, ask in asks.items()
            ),
        ]
        return Fence(Starlette(routes=routes), self.settings)

    def me(self, session: Session | None) -> dict[str, Any] | None:
        """Who is signed in, and for how long if nothing is touched."""
        if session is None:
            return None
        left_ms = session.touched_ms + IDLE_MS - self._now_ms()
        return {"id": session.operator, "name": session.name, "left_s": max(left_ms // 1000, 0)}

    @property
    def _cookie(self) -> str:
        return "__Host-inksteward" if self.settings.cert_file is not None else "inksteward"

    def _now_ms(self) -> int:
        return self.clock.mono_ns() // 1_000_000

    def _token(self, request: Request) -> str | None:
        return request.cookies.get(self._cookie)

    async def _index(self, _: Request) -> Response:
        return self._content("index.html")

    async def _file(self, request: Request) -> Response:
        return self._content(request.path_params["name"])

    @staticmethod
    def _content(name: str) -> Response:
        if name not in files():
            return JSONResponse({"text": "no such file"}, 404)
        body, media = files()[name]
        return Response(body, media_type=media)

    async def _stream(self, request: Request) -> Response:
        if self.board.lookers >= MOST_BROWSERS or self.closing.is_set():
            return JSONResponse({"text": f"at most {MOST_BROWSERS} browsers at a time"}, 503)
        token = self._token(request)

        def head() -> dict[str, Any]:
            now_ms = self._now_ms()
            return {"mono_ms": now_ms, "me": self.me(self.sessions.find(token, now_ms))}

        return _Stream(watch(self.board, head, self.closing))

    async def _chart(self, request: Request) -> Response:
        unit, zone = request.path_params["unit"], request.path_params["zone"]
        return JSONResponse(self.board.chronicle.chart(unit, zone))

    async def _sign_in(self, request: Request) -> Response:
        try:
            data = parse_object(await request.body())
        except Refused as refused:
            return JSONResponse({"text": str(refused)}, 400)
        name, pin = data.get("name"), data.get("pin")
        if not isinstance(name, str) or not isinstance(pin, str):
            return JSONResponse({"text": "name and PIN, as text"}, 400)
        source = request.client.host if request.client is not None else ""
        found = await self.sign_in(name, pin, source, self._now_ms())
        if isinstance(found, NotSignedIn):
            return JSONResponse({"text": found.text, "wait_ms": found.wait_ms}, 403)
        self.sessions.end(self._token(request))
        token = self.sessions.begin(found.operator, found.name, self._now_ms())
        answer = JSONResponse({"me": self.me(self.sessions.find(token, self._now_ms()))})
        answer.set_cookie(
            self._cookie, token, path="/", httponly=True, samesite="strict", secure=self._cookie[0] == "_"
        )
        return answer

    async def _sign_out(self, request: Request) -> Response:
        self.sessions.end(self._token(request))
        answer = JSONResponse({"me": None})
        secure = self._cookie[0] == "_"
        answer.delete_cookie(self._cookie, path="/", httponly=True, samesite="strict", secure=secure)
        return answer

    async def _touch(self, request: Request) -> Response:
        return JSONResponse({"me": self.me(self.sessions.touch(self._token(request), self._now_ms()))})

    def _operators_only(self, ask: Ask) -> Callable[[Request], Awaitable[Response]]:
        async def answer(request: Request) -> Response:
            body = await request.body()
            session = self.sessions.touch(self._token(request), self._now_ms())
            if session is None:
                return JSONResponse({"text": SIGN_IN_FIRST}, 401)
            try:
                return JSONResponse(await ask(session.operator, body))
            except Refused as refused:
                errors = [error.data() for error in refused.errors]
                return JSONResponse({"accepted": False, "errors": errors, "text": str(refused)}, 400)
            except Unanswered as error:
                return JSONResponse({"text": str(error)}, error.status)

        return answer
