"""What the page answers to whom: names, origins, headers, sizes; and that it ends with the service."""

import asyncio
import http.client
import ssl
import time
from pathlib import Path

import pytest

from inksteward.demo.broker import free_port
from inksteward.service.errors import StartError
from inksteward.service.page.watching import MOST_BROWSERS
from inksteward.service.starting import read
from tests.page.kit import Web, event, page_shop, paged, streamed
from tests.service.bench import serving
from tests.service.certificates import Authority

NOBODY = "mqtt://127.0.0.1:1"
"""No broker: what is tried here needs none."""


async def test_strict_headers_on_every_answer(tmp_path: Path) -> None:
    """Page, files, refusals and errors all carry a policy without unsafe sources, and are not cached."""
    async with paged(page_shop(tmp_path, NOBODY, "fence-1")) as (_, web):
        replies = [await web.get(path) for path in ("/", "/static/index.html", "/static/none", "/api/none")]
        replies.append(await web.post("/api/decide", {}))
        replies.append(await web.get("/", Host="elsewhere.example"))
    assert [reply.status for reply in replies] == [200, 200, 404, 404, 401, 421]
    for reply in replies:
        policy = reply.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "script-src 'self';" in policy
        assert "unsafe" not in policy
        assert reply.headers["x-content-type-options"] == "nosniff"
        assert reply.headers["referrer-policy"] == "no-referrer"
        assert reply.headers["cache-control"] == "no-store"


@pytest.mark.parametrize("host", ["localhost:{}", "127.0.0.1:{}", "[::1]:{}"])
async def test_names_of_this_machine(tmp_path: Path, host: str) -> None:
    """On loopback the page answers under each name of this machine, with its port."""
    async with paged(page_shop(tmp_path, NOBODY, "fence-2")) as (_, web):
        assert (await web.get("/", Host=host.format(web.port))).status == 200


@pytest.mark.parametrize("host", ["press.example:{}", "127.0.0.1", "127.0.0.1:1", "localhost.example:{}"])
async def test_names_of_others(tmp_path: Path, host: str) -> None:
    """Under a foreign name nothing is answered but a refusal: a name can be made to lead here."""
    async with paged(page_shop(tmp_path, NOBODY, "fence-3")) as (_, web):
        host = host.format(web.port)
        assert (await web.get("/", Host=host)).status == 421
        assert (await web.post("/api/sign-in", {}, Host=host, Origin=f"http://{host}")).status == 421


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 403),
        ({"Origin": "http://elsewhere.example"}, 403),
        ({"Origin": ""}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": "https://127.0.0.1:{}"}, 403),
        ({"Origin": "http://localhost:{}"}, 403),
        ({"Origin": "http://127.0.0.1:{}", "Content-Type": "text/plain"}, 415),
        ({"Origin": "http://127.0.0.1:{}", "Content-Type": "application/x-www-form-urlencoded"}, 415),
    ],
)
async def test_posts_from_elsewhere(tmp_path: Path, headers: dict[str, str], status: int) -> None:
    """A POST that does not come from this very page, or is not JSON, is refused even with a session's cookie."""
    async with paged(page_shop(tmp_path, NOBODY, "fence-4")) as (_, web):
        assert (await web.sign_in()).status == 200
        given = {name: value.format(web.port) for name, value in {"Origin": "", **headers}.items()}
        reply = await web.post("/api/request", {"request_id": "r-1", "kind": "hold"}, **given)
        assert reply.status == status
        assert (await web.ask("hold", "r-2")).data["accepted"]


async def test_long_bodies(tmp_path: Path) -> None:
    """A body of 64 KiB is read, one byte more is not."""
    async with paged(page_shop(tmp_path, NOBODY, "fence-5")) as (_, web):
        assert (await web.post("/api/sign-in", b" " * 65536)).status == 400
        assert (await web.post("/api/sign-in", b" " * 65537)).status == 413


async def test_streams_end_with_the_service(tmp_path: Path) -> None:
    """With streams open the service still ends within two seconds, and tells each browser that it does."""
    shop = page_shop(tmp_path, NOBODY, "fence-6")
    async with paged(shop) as (service, web), streamed(web) as one, streamed(web) as two:
        await event(one, "hello")
        await event(two, "hello")
        began = time.monotonic()
        service.stop.set()
        await event(one, "closing")
        await event(two, "closing")
        assert time.monotonic() - began < 2.0


async def test_so_many_browsers(tmp_path: Path) -> None:
    """Beyond the room for browsers the next one is told so; when one leaves there is room again."""
    async with paged(page_shop(tmp_path, NOBODY, "fence-7")) as (service, web):
        assert service.page is not None
        lookers = [service.page.board.look() for _ in range(MOST_BROWSERS)]
        assert (await web.get("/api/stream")).status == 503
        service.page.board.leave(lookers[0])
        async with streamed(web) as stream:
            await event(stream, "now")


async def test_a_beat_every_second(tmp_path: Path) -> None:
    """A browser hears something every second although nothing happens."""
    async with paged(page_shop(tmp_path, NOBODY, "fence-8")) as (_, web), streamed(web) as stream:
        await event(stream, "beat")
        began = time.monotonic()
        await event(stream, "beat")
        assert 0.5 < time.monotonic() - began < 1.6


async def test_a_port_that_is_taken(tmp_path: Path) -> None:
    """A page that cannot listen keeps the service from starting, with address and port in the reason."""
    shop = page_shop(tmp_path, NOBODY, "fence-9")
    async with paged(shop) as (service, _):
        other = page_shop(tmp_path / "other", NOBODY, "fence-10", tables={"page": {"serve": True, "port": 1}})
        text = other.config.read_text().replace("port = 1\n", f"port = {service.config.page.port}\n")
        other.config.write_text(text)
        with pytest.raises(
            StartError, match=f"page: cannot listen on 127.0.0.1 port {service.config.page.port}"
        ):
            async with serving(other.options()):
                pass


def test_tls_files_that_cannot_be_used(tmp_path: Path) -> None:
    """Certificate files that are missing keep the service from starting, with the page named."""
    page = {"serve": True, "port": free_port(), "cert_file": "no.pem", "key_file": "no.key"}
    shop = page_shop(tmp_path, NOBODY, "fence-11", tables={"page": page})
    with pytest.raises(StartError, match="page: cert_file or key_file cannot be used"):
        read(shop.options())


async def test_over_tls(tmp_path: Path) -> None:
    """With certificate and key the page speaks TLS alone, and its cookie is never sent without it."""
    authority = Authority(tmp_path, "ca")
    cert, key = authority.certificate("page")
    page = {"serve": True, "port": free_port(), "cert_file": cert.name, "key_file": key.name}
    async with paged(page_shop(tmp_path, NOBODY, "fence-13", tables={"page": page})) as (_, plain):
        web = Web(plain.port, tls=ssl.create_default_context(cafile=str(authority.file)))
        reply = await web.sign_in()
        assert reply.status == 200
        cookie = reply.headers["set-cookie"].lower()
        assert cookie.startswith("__host-inksteward=")
        assert {part.strip() for part in cookie.split(";")[1:]} == {
            "httponly",
            "samesite=strict",
            "path=/",
            "secure",
        }
        assert (await web.ask("hold", "r-1")).data["accepted"]
        with pytest.raises((http.client.HTTPException, OSError)):
            await plain.get("/")


async def test_no_page_when_none_is_configured(tmp_path: Path) -> None:
    """Without page.serve nothing listens."""
    port = free_port()
    shop = page_shop(tmp_path, NOBODY, "fence-12", tables={"page": {"port": port}})
    async with serving(shop.options()) as service:
        await service.link.known.wait()
        assert service.page is None
        with pytest.raises(ConnectionRefusedError):
            await Web(port).get("/")
        await asyncio.sleep(0)
