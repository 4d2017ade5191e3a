"""A shop with a page, and a plain HTTP client for it."""

from __future__ import annotations

import asyncio
import http.client
import json
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from inksteward.authority import Operator, Operators
from inksteward.authority_file import OperatorsFile, save
from inksteward.demo.broker import free_port
from inksteward.pins import hash_pin
from inksteward.service.app import Service
from inksteward_simulators.scenario_forms import Scenario
from tests.service.bench import ANNA_PUBLIC, Shop, serving, set_up_shop

PIN, OTHER_PIN = "271828", "314159"
BEN = Operator("op-ben", "Ben", ())
OPERATORS = OperatorsFile(
    Operators((*ANNA_PUBLIC.all, BEN)), {"op-anna": hash_pin(PIN), "op-ben": hash_pin(OTHER_PIN)}
)


@dataclass
class Reply:
    """An HTTP answer."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def data(self) -> Any:
        """Its JSON."""
        return json.loads(self.body)


@dataclass
class Web:
    """One browser without a window: keeps a cookie, says where it comes from."""

    port: int
    cookie: str | None = None
    headers: dict[str, str] = field(default_factory=dict)
    tls: ssl.SSLContext | None = None

    @property
    def origin(self) -> str:
        return f"{'http' if self.tls is None else 'https'}://127.0.0.1:{self.port}"

    async def get(self, path: str, **headers: str) -> Reply:
        return await asyncio.to_thread(self._ask, "GET", path, None, headers)

    async def post(self, path: str, data: Any, **headers: str) -> Reply:
        usual = {"Origin": self.origin, "Content-Type": "application/json"}
        raw = data if isinstance(data, bytes) else json.dumps(data).encode()
        return await asyncio.to_thread(self._ask, "POST", path, raw, {**usual, **headers})

    async def sign_in(self, name: str = "op-anna", pin: str = PIN) -> Reply:
        """Sign in, and keep the cookie."""
        reply = await self.post("/api/sign-in", {"name": name, "pin": pin})
        if "set-cookie" in reply.headers:
            self.cookie = reply.headers["set-cookie"].partition(";")[0]
        return reply

    async def ask(self, kind: str, number: str, **members: Any) -> Reply:
        """A request."""
        return await self.post("/api/request", {"request_id": number, "kind": kind, **members})

    def _ask(self, method: str, path: str, body: bytes | None, headers: dict[str, str]) -> Reply:
        sent = {**({"Cookie": self.cookie} if self.cookie else {}), **self.headers, **headers}
        where = ("127.0.0.1", self.port)
        if self.tls is None:
            line = http.client.HTTPConnection(*where, timeout=15)
        else:
            line = http.client.HTTPSConnection(*where, timeout=15, context=self.tls)
        try:
            line.request(method, path, body, {name: value for name, value in sent.items() if value})
            got = line.getresponse()
            found = {name.lower(): value for name, value in got.getheaders()}
            return Reply(got.status, found, got.read())
        finally:
            line.close()


def page_shop(folder: Path, url: str, press: str, form: Scenario | None = None, **sections: Any) -> Shop:
    """A configured press with a page on a free port, and two operators with PINs."""
    shop = set_up_shop(folder, url, press, form, page={"serve": True, "port": free_port()}, **sections)
    save(folder / "operators.toml", OPERATORS)
    return shop


@asynccontextmanager
async def paged(shop: Shop) -> AsyncIterator[tuple[Service, Web]]:
    """The service of the shop and a browser at its page."""
    async with serving(shop.options()) as service:
        await service.link.known.wait()
        yield service, Web(service.config.page.port)


@asynccontextmanager
async def streamed(web: Web) -> AsyncIterator[asyncio.StreamReader]:
    """The open stream of a browser, behind its headers."""
    reader, writer = await asyncio.open_connection("127.0.0.1", web.port, limit=1 << 22)
    cookie = f"Cookie: {web.cookie}\r\n" if web.cookie else ""
    writer.write(f"GET /api/stream HTTP/1.1\r\nHost: 127.0.0.1:{web.port}\r\n{cookie}\r\n".encode())
    try:
        await reader.readuntil(b"\r\n\r\n")
        yield reader
    finally:
        writer.close()


async def event(reader: asyncio.StreamReader, wanted: str) -> dict[str, Any]:
    """The next event of that name, or the next part of that name."""
    async with asyncio.timeout(15.0):
        while True:
            line = (await reader.readline()).decode()
            assert line, "the stream ended"
            if not line.startswith("event: "):
                continue
            name = line.removeprefix("event: ").strip()
            data: dict[str, Any] = json.loads((await reader.readline()).removeprefix(b"data: "))
            if name == wanted:
                return data
            if name == "part" and data["name"] == wanted:
                return data["body"]
