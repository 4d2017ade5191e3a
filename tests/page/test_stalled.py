"""A browser that does not take what is sent to it: it costs a bounded buffer, holds up nobody, and is cut off."""

from __future__ import annotations

import asyncio
import json
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from inksteward.events import Publish
from inksteward.service.app import Service
from inksteward.service.page import server
from inksteward.service.page.board import Board
from inksteward.service.page.page import Page
from inksteward.service.page.place import KERNEL_BYTES
from tests.page.kit import Web, event, page_shop, paged, streamed

NOBODY = "mqtt://127.0.0.1:1"
PART_BYTES, PARTS = 200_000, 40
MOST_HELD = 64 * 1024 + PART_BYTES + 4096
"""The buffer's mark, the part that went over it, and what is written around it."""


def page_of(service: Service) -> Page:
    """The page of the service."""
    assert service.page is not None
    return service.page


def connections(service: Service) -> list[Any]:
    """The open connections, as the server keeps them."""
    return list(page_of(service)._server.server_state.connections)


@contextmanager
def deaf(web: Web, room: int = 4096) -> Iterator[socket.socket]:
    """A raw socket that asks for the stream, and reads nothing unless the test does."""
    with socket.socket() as raw:
        raw.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, room)
        raw.connect(("127.0.0.1", web.port))
        raw.sendall(f"GET /api/stream HTTP/1.1\r\nHost: 127.0.0.1:{web.port}\r\n\r\n".encode())
        yield raw


async def looked_at(board: Board, count: int) -> None:
    """Wait until so many browsers look."""
    async with asyncio.timeout(10.0):
        while board.lookers != count:
            await asyncio.sleep(0.02)


def change(board: Board, number: int) -> None:
    """Something long that has changed once more."""
    payload = json.dumps({"number": number, "units": [], "ballast": "x" * PART_BYTES}).encode()
    board.said(Publish("press", payload, True))


async def test_a_browser_that_never_reads_costs_a_bounded_buffer(tmp_path: Path) -> None:
    """While one browser leaves 8 MB of changes unread, the service holds no more for it than the buffer's mark and one
    part, the kernel no more than its share; another browser gets every change at once, and requests are answered.
    """
    async with paged(page_shop(tmp_path, NOBODY, "stalled-1")) as (service, web):
        board = page_of(service).board
        await web.sign_in()
        with deaf(web):
            await looked_at(board, 1)
            (connection,) = [
                one for one in connections(service) if one.cycle and not one.cycle.response_complete
            ]
            held = []
            async with streamed(web) as other:
                await event(other, "now")
                for number in range(PARTS):
                    change(board, number)
                    began = time.monotonic()
                    assert (await event(other, "press"))["number"] == number
                    assert time.monotonic() - began < 2.0
                    held.append(connection.transport.get_write_buffer_size())
            assert (await web.ask("hold", "r-1")).data["accepted"]
            kernel = connection.transport.get_extra_info("socket")
            assert kernel.getsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF) <= 2 * KERNEL_BYTES
            assert 0 < max(held) <= MOST_HELD  # it did stall, and it stayed there
            assert held[-1] == held[-10]


async def test_a_browser_that_never_reads_is_cut_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When it has taken nothing for the time that it is given, its place is free again and its connection gone, with
    what lay in the buffer; one that waits for nothing else stays.
    """
    monkeypatch.setattr(server, "STALLED_S", 1.0)
    async with paged(page_shop(tmp_path, NOBODY, "stalled-2")) as (service, web):
        board = page_of(service).board
        async with streamed(web) as other:
            await event(other, "now")
            with deaf(web) as raw:
                await looked_at(board, 2)
                stalled = [one for one in connections(service) if one.client == raw.getsockname()]
                for number in range(PARTS):
                    change(board, number)
                    await event(other, "press")
                assert len(stalled) == 1
                await looked_at(board, 1)
                assert stalled[0] not in connections(service)
                assert stalled[0].transport.get_write_buffer_size() == 0
            await event(other, "beat")
            assert board.lookers == 1


async def test_a_slow_browser_is_not_cut_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A browser that reads slowly but goes on reading stays for longer than a silent one would, and in the end has the
    last state without all that lay between.
    """
    monkeypatch.setattr(server, "STALLED_S", 1.5)
    async with paged(page_shop(tmp_path, NOBODY, "stalled-3")) as (service, web):
        board = page_of(service).board
        with deaf(web, 65536) as raw:
            raw.setblocking(False)
            loop, got, paused = asyncio.get_running_loop(), bytearray(), 0
            await looked_at(board, 1)
            for number in range(PARTS):
                change(board, number)
                got += await loop.sock_recv(raw, 65536)
                await asyncio.sleep(0.1)
                paused += connections(service)[0].flow.write_paused
                assert board.lookers == 1
            last = f'"number": {PARTS - 1},'.encode()
            async with asyncio.timeout(15.0):
                while last not in got:
                    got += await loop.sock_recv(raw, 65536)
    assert paused > PARTS / 2
    assert got.count(b'"number":') < PARTS


async def test_the_service_ends_beside_a_browser_that_never_reads(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """A browser that takes nothing does not keep the service from ending at once, and nothing is told as an error."""
    async with paged(page_shop(tmp_path, NOBODY, "stalled-4")) as (service, web):
        board = page_of(service).board
        with deaf(web):
            await looked_at(board, 1)
            async with asyncio.timeout(10.0):
                for number in range(PARTS):
                    change(board, number)
                    await asyncio.sleep(0.1)
            assert connections(service)[0].flow.write_paused
            began = time.monotonic()
            service.stop.set()
            await looked_at(board, 0)
            assert time.monotonic() - began < 1.5
    assert [row.getMessage() for row in caplog.records if row.levelname == "ERROR"] == []
