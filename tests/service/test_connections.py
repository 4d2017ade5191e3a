"""Connections to the broker: given up cleanly, renewed, and subscribed to everything that was asked for."""

import asyncio
import itertools
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import aiomqtt
import pytest

from inksteward.config import parse
from inksteward.service import mqtt_client
from inksteward.service.mqtt_client import Connection, Identity
from inksteward.service.mqtt_session import Session
from tests.service.bench import scenario, settings_of
from tests.service.flood import flooder, pour, publish
from tests.service.processes import broker_process
from tests.service.test_lanes import link, until

_numbers = itertools.count(1)


async def test_a_connection_that_is_given_up_is_closed() -> None:
    """A connection that the broker took without a word is closed when it is given up, not when its keepalive ends: an
    answer that comes late must not find a client that nobody listens to.
    """
    ended = asyncio.Event()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while await reader.read(1000):
            pass
        ended.set()
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    broker = replace(parse(settings_of(scenario()), "line").broker, port=server.sockets[0].getsockname()[1])
    made = Connection(broker, Identity("late", persistent=False), None, lambda message, done: None, v5=True)
    with pytest.raises(aiomqtt.MqttError, match="timed out"):
        await made.__aenter__()
    await asyncio.wait_for(ended.wait(), mqtt_client.KEEPALIVE_S / 2)
    server.close()
    await server.wait_closed()


@pytest.mark.broker
async def test_connections_are_renewed(mosquitto: str, tmp_path: Path) -> None:
    """After a flood every connection is given up for a new one, which is told as a loss with that reason, and the
    service hears again: a mosquitto that had too much for a client may have nothing more of QoS 1 for it.
    """
    async with link(mosquitto, tmp_path) as (made, own, client):
        told: list[tuple[bool, str]] = []

        async def changed(name: str, up: bool, text: str) -> None:
            told.append((up, text))

        made.on_link = changed
        before = [session.connection() for session in made._sessions]
        made.renew()
        await until(lambda: told and told[-1][0])
        assert not {session.connection() for session in made._sessions} & set(before)
        assert (False, "renewed after a flood") in told
        for topic in ("decision", "job", "request"):
            await client.publish(made._root + topic, b"{}", qos=1)
        await until(lambda: {"decision", "job", "request"} <= set(own))


@pytest.mark.broker
async def test_what_is_asked_for_while_we_subscribe_is_heard(
    mosquitto: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A driver that asks for a topic while its session is about to subscribe to others hears that topic as well."""
    listen, heard, root = Connection.listen_to, list[str](), f"asked-{next(_numbers)}"
    up = asyncio.Event()

    async def changed(is_up: bool, text: str) -> None:
        up.set()

    broker = parse({**settings_of(scenario()), "broker": {"url": mosquitto}}, "lanes").broker
    who = Identity(root, persistent=False)
    made = Session(
        broker, lambda: who, None, lambda message, done: heard.append(message.topic.value), changed
    )

    async def asked_meanwhile(self: Connection, topics: Sequence[str]) -> None:
        await made.listen_to(f"{root}/late")
        await listen(self, topics)

    monkeypatch.setattr(Connection, "listen_to", asked_meanwhile)
    await made.listen_to(f"{root}/early")
    running = asyncio.create_task(made.run())
    await asyncio.wait_for(up.wait(), 10)
    host, port = mosquitto.removeprefix("mqtt://").split(":")
    async with aiomqtt.Client(host, int(port)) as client:
        for topic in ("early", "late"):
            await client.publish(f"{root}/{topic}", b"", qos=1)
        await until(lambda: len(heard) == 2)
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


@pytest.mark.soak
async def test_what_a_congested_broker_keeps_back(tmp_path: Path) -> None:
    """What connections are renewed for: a client that did not keep up with a flood gets no more messages of QoS 1 from
    this mosquitto, though it reads and acknowledges again; on a new connection it does. Skipped where a broker is
    better.
    """
    with broker_process(tmp_path / "broker") as broker:
        heard = list[bytes]()
        async with slow_client(broker.port) as slow, flooder(broker.url, "flood") as out:
            slow.pause()
            await pour(out, lambda number: publish("flood", bytes(300)), 10_000.0, 4.0)
            for number in range(30):
                out.write(publish("word", b"in it", number=100 + number))
                await pour(out, lambda number: publish("flood", bytes(300)), 1000.0, 0.1)
            slow.resume()
            reading = asyncio.create_task(slow.read(heard))
            await asyncio.sleep(3.0)
            out.write(publish("word", b"behind it", number=7))
            await asyncio.sleep(3.0)
            reading.cancel()
            if b"behind it" in heard:
                pytest.skip("this broker keeps nothing back")
            async with slow_client(broker.port) as fresh:
                reading = asyncio.create_task(fresh.read(heard))
                out.write(publish("word", b"to a new one", number=8))
                await asyncio.sleep(3.0)
                reading.cancel()
    assert heard == [b"to a new one"]


class SlowClient:
    """Subscribed to everything with QoS 1, over MQTT 3.1.1; reads when it likes and acknowledges what it reads."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer

    async def greet(self) -> None:
        """Connect with a clean session and a name of the broker's choice, and subscribe."""
        self._writer.write(b"\x10\x0c\x00\x04MQTT\x04\x02\x00\x00\x00\x00")
        self._writer.write(b"\x82\x06\x00\x01\x00\x01#\x01")
        await self._reader.readexactly(4 + 5)

    def pause(self) -> None:
        """Read nothing."""
        self._writer.transport.pause_reading()  # type: ignore[attr-defined]  # it is one for reading, too

    def resume(self) -> None:
        """Read again."""
        self._writer.transport.resume_reading()  # type: ignore[attr-defined]

    async def read(self, heard: list[bytes]) -> None:
        """Until cancelled; payloads of QoS 1 are kept."""
        while True:
            (first,) = await self._reader.readexactly(1)
            length = shift = 0
            while True:
                (byte,) = await self._reader.readexactly(1)
                length, shift = length | (byte & 0x7F) << shift, shift + 7
                if byte < 0x80:
                    break
            body = await self._reader.readexactly(length)
            if first & 0xF6 == 0x32:
                name = int.from_bytes(body[:2], "big")
                heard.append(body[4 + name :])
                self._writer.write(b"\x40\x02" + body[2 + name : 4 + name])


@asynccontextmanager
async def slow_client(port: int) -> AsyncIterator[SlowClient]:
    """One that is subscribed; its connection is cut in the end."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        client = SlowClient(reader, writer)
        await client.greet()
        yield client
    finally:
        writer.transport.abort()
