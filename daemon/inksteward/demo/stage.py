"""Plays the demo: broker, press, instruments, service and operator as separate processes, watched over MQTT."""

from __future__ import annotations

import asyncio
import json
import signal
import sys
import time
from collections.abc import AsyncIterator, Coroutine
from contextlib import asynccontextmanager
from typing import Any
from urllib.parse import urlsplit

import aiomqtt

from inksteward.bench.configuration import job
from inksteward.demo import screen
from inksteward.demo.audience import Audience
from inksteward.demo.broker import broker
from inksteward.demo.plan import (
    OPERATOR,
    RUN_ID,
    SCAN_EVERY_SHEETS,
    DemoError,
    Plan,
    write_config,
    write_operator,
)
from inksteward.demo.processes import Processes
from inksteward.demo.record import Record
from inksteward.demo.wires import WIRES, filters_of
from inksteward_simulators.link import BenchLink
from inksteward_simulators.link_messages import RunRequest
from inksteward_simulators.tasks import first_ended, stopped

RETAINED = ("job", "press", "reading", "alarm", "status")
ONLINE_S = 30.0
LAST_WORD_S = 5.0
STUCK_S = 60.0


async def play(audience: Audience) -> int:
    """The whole run; returns its exit code. SIGTERM and SIGHUP end it, so that no part is left running.

    Broker and service take SIGHUP for "read anew": a terminal that is closed would not end them by itself.
    """
    plan, began, told = audience.plan, time.monotonic(), asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGHUP):
        asyncio.get_running_loop().add_signal_handler(number, told.set)
    async with broker(plan.broker, plan.out) as (address, kind):
        print(f"broker: {kind}, {address}")
        parts = Processes(plan.out)
        try:
            await _until_told(told, _play(audience, address, parts))
        finally:
            await parts.end_all()
            if plan.broker is not None:
                await _clear(plan, address)
    return audience.conclude(time.monotonic() - began)


async def _until_told(told: asyncio.Event, part: Coroutine[Any, Any, None]) -> None:
    """Play the part. Raises CancelledError, once the part has ended, when told to end."""
    playing, telling = asyncio.create_task(part), asyncio.create_task(told.wait())
    try:
        await asyncio.wait((playing, telling), return_when=asyncio.FIRST_COMPLETED)
        if not playing.done():
            raise asyncio.CancelledError("told to end")
        playing.result()
    finally:
        await stopped(playing, telling)


async def _play(audience: Audience, address: str, parts: Processes) -> None:
    plan, record = audience.plan, audience.record
    press = plan.scenario.press
    started = await parts.ready(
        "press",
        *("press", "--scenario", str(plan.scenario_file), "--seed", str(plan.seed)),
        *("--time-factor", str(plan.factor), "--broker", address, "--run-id", RUN_ID),
    )
    link_port = int(started["link_port"])
    ptys = await _instruments(plan, address, parts, f"127.0.0.1:{link_port}")
    kid = write_operator(plan)
    write_config(plan, address, ptys)
    print(plan.page_words, flush=True)
    async with _client(*_host_and_port(address)) as client:
        root = f"inksteward/v1/{press}/"
        for topic in audience.topics:
            await client.subscribe(root + topic, qos=1)
        await parts.start("service", "inksteward.cli", "run", str(plan.config_file), "--log", "json")
        await _online(client, root, parts)
        await client.publish(root + "job", json.dumps(job(plan.scenario, RUN_ID)), qos=1, retain=True)
        await _operator(audience, address, parts, kid, link_port)
        async with await BenchLink.connect(link_port) as bench:
            await bench.run(RunRequest(printing=True))
            await first_ended(_watch(audience, client, root, parts), audience.beside(link_port))
            await bench.run(RunRequest(printing=False))
            record.truth = (await bench.truth()).model_dump()
        await parts.end("operator")
        code = await parts.end("service")
        if code != 0:
            raise DemoError(f"the service ended with {code}: see service.log")
        await _hear_out(client, root, record)


async def _hear_out(client: aiomqtt.Client, root: str, record: Record) -> None:
    """Take what the service said of proposals until its last word."""
    try:
        async with asyncio.timeout(LAST_WORD_S):
            async for message in client.messages:
                if _status(message, root) == "offline":
                    return
                topic = str(message.topic).removeprefix(root)
                if topic in ("decision", "outcome") or topic.startswith("proposal/"):
                    record.take(topic, _data(message))
    except TimeoutError as error:
        raise DemoError(f"the service's last word did not come within {LAST_WORD_S:g} s") from error


async def _clear(plan: Plan, address: str) -> None:
    """Take everything retained off a broker that is not ours."""
    root = f"inksteward/v1/{plan.scenario.press}/"
    units = [unit.unit for unit in plan.scenario.units]
    per_unit = [name for unit in units for name in (f"proposal/{unit}", f"keys/{unit}/position")]
    try:
        async with _client(*_host_and_port(address)) as client:
            for topic in (*RETAINED, *per_unit):
                await client.publish(root + topic, b"", qos=1, retain=True)
    except DemoError as error:
        print(f"what is retained was not cleared: {error}", file=sys.stderr)


def _host_and_port(address: str) -> tuple[str, int]:
    parts = urlsplit(address)
    return parts.hostname or "127.0.0.1", parts.port or 1883


@asynccontextmanager
async def _client(host: str, port: int) -> AsyncIterator[aiomqtt.Client]:
    try:
        async with aiomqtt.Client(host, port, protocol=aiomqtt.ProtocolVersion.V5) as client:
            yield client
    except aiomqtt.MqttError as error:
        raise DemoError(f"the broker at {host}:{port} cannot be used: {error}") from error


async def _instruments(plan: Plan, address: str, parts: Processes, link: str) -> dict[str, str]:
    """Strip reader and key cabinet, over MQTT or on pseudo-terminals; the latter's names."""
    wires = WIRES[plan.wires]
    common = ("--link", link, "--press", plan.scenario.press, "--seed", str(plan.seed), "--broker", address)
    cabinet = await parts.ready("cabinet", "key-cabinet", *common, "--via", wires.keys)
    strip = await parts.ready(
        *("reader", "strip-reader", *common, "--via", wires.strip, "--every-sheets", str(SCAN_EVERY_SHEETS)),
        *("--scenario", str(plan.scenario_file), "--filters", ",".join(filters_of(plan.scenario))),
        *("--folder", str(plan.out / "strips")),
    )
    print(f"press {plan.scenario.press}: {len(plan.scenario.units)} units, wires: {plan.wires}")
    keys, reader = cabinet.get("pty") or cabinet.get("port"), strip.get("pty") or strip.get("folder")
    return {"keys": str(keys or ""), "strip": str(reader or "")}


async def _operator(audience: Audience, address: str, parts: Processes, kid: str, link_port: int) -> None:
    """Whoever decides: a person, the scenario's own operator, or else one that shows every kind of decision."""
    plan = audience.plan
    words = (
        *("operator", "--broker", address, "--press", plan.scenario.press, "--operator", OPERATOR),
        *("--key", str(plan.key_file), f"--kid={kid}", "--seed", str(plan.seed)),
        *("--scenario", str(plan.scenario_file), "--link", str(link_port)),
        *audience.operator,
    )
    if plan.interactive:
        await parts.start("operator", "inksteward_simulators", *words, "--interactive", terminal=True)
        return
    slow = 8.0 / plan.factor
    await parts.ready("operator", *words, "--think-s", f"{slow:.3f}", f"{3 * slow:.3f}", "--no-ok-sheet")


async def _online(client: aiomqtt.Client, root: str, parts: Processes) -> None:
    """Wait until the service says that it is online."""
    end = time.monotonic() + ONLINE_S
    while time.monotonic() < end:
        fallen = parts.fallen()
        if fallen:
            raise DemoError(fallen)
        try:
            async with asyncio.timeout(1.0):
                message = await anext(client.messages)
        except TimeoutError:
            continue
        if _status(message, root) == "online":
            return
    raise DemoError(f"the service was not online within {ONLINE_S:g} s: see service.log")


def _status(message: aiomqtt.Message, root: str) -> str | None:
    """What the service says of itself now; a retained copy may be an earlier service's word."""
    if message.retain or str(message.topic) != root + "status":
        return None
    return str(_data(message).get("state"))


def _data(message: aiomqtt.Message) -> dict[str, Any]:
    data: dict[str, Any] = json.loads(message.payload) if message.payload else {}
    return data


async def _watch(audience: Audience, client: aiomqtt.Client, root: str, parts: Processes) -> None:
    """Show what happens until it is enough, the sheets are used up or the person at the terminal has left."""
    plan, record = audience.plan, audience.record
    print(screen.MARKS, flush=True)
    moved_at, sheet = time.monotonic(), -1
    while record.sheet < plan.sheets and not audience.enough():
        if plan.interactive and parts.left("operator"):
            return
        fallen = parts.fallen()
        if fallen:
            raise DemoError(fallen)
        if record.sheet != sheet or not record.printing:
            moved_at, sheet = time.monotonic(), record.sheet
        if time.monotonic() - moved_at > STUCK_S:
            raise DemoError(f"no sheet was counted for {STUCK_S:g} s: see press.log")
        try:
            async with asyncio.timeout(1.0):
                message = await anext(client.messages)
        except TimeoutError:
            continue
        topic, data = str(message.topic).removeprefix(root), _data(message)
        record.take(topic, data)
        audience.show(topic, data)
