"""Plays the demo: broker, press, instruments, service and operator as separate processes, watched over MQTT."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any
from urllib.parse import urlsplit

import aiomqtt

from inksteward.bench.configuration import job
from inksteward.demo import screen
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
from inksteward.demo.summary import conclude
from inksteward_simulators.link import BenchLink
from inksteward_simulators.link_messages import RunRequest

WATCHED = ("reading", "proposal/+", "decision", "outcome", "counter", "alarm", "status")
ONLINE_S = 30.0
STUCK_S = 60.0


async def play(plan: Plan) -> int:
    """The whole demo; returns its exit code."""
    began = time.monotonic()
    async with broker(plan.broker, plan.out) as (address, kind):
        print(f"broker: {kind}, {address}")
        parts = Processes(plan.out)
        try:
            record = await _play(plan, address, parts)
        finally:
            await parts.end_all()
    return conclude(plan, record, time.monotonic() - began)


async def _play(plan: Plan, address: str, parts: Processes) -> Record:
    press = plan.scenario.press
    started = await parts.ready(
        "press",
        *("press", "--scenario", str(plan.scenario_file), "--seed", str(plan.seed)),
        *("--time-factor", str(plan.factor), "--broker", address, "--run-id", RUN_ID),
    )
    link = f"127.0.0.1:{started['link_port']}"
    ptys = await _instruments(plan, address, parts, link)
    kid = write_operator(plan)
    write_config(plan, address, ptys)
    host, port = urlsplit(address).hostname or "127.0.0.1", urlsplit(address).port or 1883
    async with _client(host, port) as client:
        root = f"inksteward/v1/{press}/"
        for topic in WATCHED:
            await client.subscribe(root + topic, qos=1)
        await parts.start("service", "inksteward.cli", "run", str(plan.config_file), "--log", "json")
        await _online(client, root, parts)
        await client.publish(root + "job", json.dumps(job(plan.scenario, RUN_ID)), qos=1, retain=True)
        await _operator(plan, address, parts, kid)
        async with await BenchLink.connect(int(started["link_port"])) as bench:
            await bench.run(RunRequest(printing=True))
            record = await _watch(plan, client, root, parts)
            await bench.run(RunRequest(printing=False))
            record.truth = (await bench.truth()).model_dump()
        await parts.end("operator")
        await parts.end("service")
        return record


@asynccontextmanager
async def _client(host: str, port: int) -> AsyncIterator[aiomqtt.Client]:
    try:
        async with aiomqtt.Client(host, port, protocol=aiomqtt.ProtocolVersion.V5) as client:
            yield client
    except aiomqtt.MqttError as error:
        raise DemoError(f"the broker at {host}:{port} cannot be used: {error}") from error


async def _instruments(plan: Plan, address: str, parts: Processes, link: str) -> dict[str, str]:
    """Strip reader and key cabinet, over MQTT or on pseudo-terminals; the latter's names."""
    via = "pty" if plan.wires == "serial" else "mqtt"
    common = ("--link", link, "--press", plan.scenario.press, "--via", via, "--seed", str(plan.seed))
    wire = () if via == "pty" else ("--broker", address)
    cabinet = await parts.ready("cabinet", "key-cabinet", *common, *wire)
    strip = await parts.ready(
        "reader", "strip-reader", *common, *wire, "--every-sheets", str(SCAN_EVERY_SHEETS)
    )
    print(f"press {plan.scenario.press}: {len(plan.scenario.units)} units, wires: {plan.wires}")
    return {"keys": str(cabinet.get("pty", "")), "strip": str(strip.get("pty", ""))}


async def _operator(plan: Plan, address: str, parts: Processes, kid: str) -> None:
    words = (
        *("operator", "--broker", address, "--press", plan.scenario.press, "--operator", OPERATOR),
        *("--key", str(plan.key_file), "--kid", kid, "--seed", str(plan.seed)),
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
            message = await asyncio.wait_for(anext(client.messages), 1.0)
        except TimeoutError:
            continue
        if str(message.topic) == root + "status" and _data(message).get("state") == "online":
            return
    raise DemoError(f"the service was not online within {ONLINE_S:g} s: see service.log")


def _data(message: aiomqtt.Message) -> dict[str, Any]:
    data: dict[str, Any] = json.loads(message.payload) if message.payload else {}
    return data


async def _watch(plan: Plan, client: aiomqtt.Client, root: str, parts: Processes) -> Record:
    """Show what happens until the goal is reached or the sheets are used up."""
    record = Record()
    print(screen.MARKS)
    moved_at, sheet = time.monotonic(), -1
    while record.sheet < plan.sheets and not _done(plan, record):
        fallen = parts.fallen()
        if fallen:
            raise DemoError(fallen)
        if record.sheet != sheet:
            moved_at, sheet = time.monotonic(), record.sheet
        if time.monotonic() - moved_at > STUCK_S:
            raise DemoError(f"no sheet was counted for {STUCK_S:g} s: see press.log")
        try:
            message = await asyncio.wait_for(anext(client.messages), 1.0)
        except TimeoutError:
            continue
        _show(record, str(message.topic).removeprefix(root), _data(message), plan.interactive)
    return record


def _done(plan: Plan, record: Record) -> bool:
    return record.reached and (plan.interactive or not record.missing_kinds)


def _show(record: Record, topic: str, data: dict[str, Any], quiet: bool) -> None:
    if not data:
        return
    record.take(topic, data)
    if topic == "reading":
        print("\n".join(screen.reading(data)), flush=True)
    elif topic.startswith("proposal/") and not quiet:
        print(screen.proposal(data), flush=True)
    elif topic == "outcome" and not quiet:
        print(screen.outcome(data, record.kind_of(data)), flush=True)
