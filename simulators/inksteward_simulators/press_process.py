"""The simulated press as a process: real time (times a factor), counter over MQTT, bench link for the others."""

import argparse
import asyncio
import contextlib
import json
import signal
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from urllib.parse import unquote, urlsplit

import aiomqtt

from inksteward_simulators.fault_plan_wire import take_faults
from inksteward_simulators.link import LinkServer
from inksteward_simulators.press.desk import PressDesk
from inksteward_simulators.press.press import Press
from inksteward_simulators.press.reveal import fountain_turning
from inksteward_simulators.scenario import ScenarioError, load_scenario
from inksteward_simulators.tasks import first_ended

TICK_S = 0.04
CATCH_UP_S = 5.0
"""Press time made up for in one go after a hold-up, so that the link still answers in between."""
COUNTER_EVERY_S = 1.0
COUNTER_EVERY_SHEETS = 20
RECONNECT_S = 1.0


class SheetClock:
    """Turns elapsed monotonic time into press time. Never drifts: it works from the start, not from tick to tick."""

    def __init__(self, desk: PressDesk, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._desk = desk
        self._monotonic = monotonic
        self._start = monotonic()
        self._passed_s = 0.0

    def catch_up(self) -> bool:
        """Advance the press toward now; returns whether more is still owed."""
        owed_s = (self._monotonic() - self._start) * self._desk.time_factor - self._passed_s
        part_s = min(max(owed_s, 0.0), CATCH_UP_S)
        press = self._desk.press
        ran = press.printing
        made = press.advance(part_s)
        if press.printing != ran:  # it was halted for a time, or the halt is over
            self._desk.changed.set()
        if made or press.printing != ran:
            self._desk.printed()
        self._passed_s += part_s
        return owed_s > part_s

    async def run(self) -> None:
        """Keep the press at the time of now until cancelled."""
        while True:
            await asyncio.sleep(0.0 if self.catch_up() else TICK_S)


def counter_payload(press: Press, time_factor: float, good: bool | None, at: datetime) -> dict[str, Any]:
    """The published counter. `speed_sph` is the rate that a wall clock sees: press speed times the time factor."""
    return {
        "run_id": press.run_id,
        "sheet": max(press.sheet, 0),
        "speed_sph": press.speed_sph * (time_factor or 1.0),
        "printing": press.printing,
        "fountain_turning": fountain_turning(press),
        "good": good,
        "at": at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z"),
    }


@dataclass(frozen=True, slots=True)
class Broker:
    """Where the counter goes."""

    host: str
    port: int
    username: str | None
    password: str | None


def broker_of(url: str) -> Broker:
    """Read ``mqtt://[user:password@]host[:port]``. Raises ValueError naming what is wrong."""
    parts = urlsplit(url)
    if parts.scheme != "mqtt" or not parts.hostname or parts.path not in ("", "/"):
        raise ValueError(f"broker = {url!r}: expected mqtt://host:port")
    login = (None if part is None else unquote(part) for part in (parts.username, parts.password))
    return Broker(parts.hostname, parts.port or 1883, *login)


async def publish_counter(desk: PressDesk, broker: Broker, connected: asyncio.Event) -> None:
    """Publish the counter and take faults for ever, connecting again whenever the broker was lost."""
    topic = f"inksteward/v1/{desk.press.scenario.press}/counter"
    while True:
        client = aiomqtt.Client(
            broker.host,
            broker.port,
            username=broker.username,
            password=broker.password,
            identifier=f"sim-press-{desk.press.scenario.press}",
            protocol=aiomqtt.ProtocolVersion.V5,
        )
        try:
            async with client:
                await first_ended(_count(desk, client, topic), take_faults(desk, client, connected))
        except aiomqtt.MqttError as error:
            print(
                f"broker {broker.host}:{broker.port}: {error}; next try in {RECONNECT_S:g} s", file=sys.stderr
            )
            await asyncio.sleep(RECONNECT_S)


async def _count(desk: PressDesk, client: aiomqtt.Client, topic: str) -> None:
    while True:
        said_run, said_sheet = desk.press.run_id, desk.press.sheet
        desk.changed.clear()
        payload = counter_payload(desk.press, desk.time_factor, desk.good, datetime.now(UTC))
        await client.publish(topic, json.dumps(payload), qos=0)
        due = time.monotonic() + COUNTER_EVERY_S
        while time.monotonic() < due and desk.press.run_id == said_run:
            if desk.press.sheet - said_sheet >= COUNTER_EVERY_SHEETS or desk.changed.is_set():
                break
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(min(TICK_S, max(due - time.monotonic(), 0.0))):
                    await desk.changed.wait()


async def serve(arguments: argparse.Namespace) -> None:
    """Run the press until it is told to end."""
    scenario = load_scenario(arguments.scenario)
    factor = scenario.time_factor if arguments.time_factor is None else arguments.time_factor
    press = Press(scenario, seed=arguments.seed, run_id=arguments.run_id, printing=arguments.printing)
    desk = PressDesk(press, factor)
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, desk.ended.set)
    server = LinkServer(desk.handlers)
    port = await server.start(arguments.link_port)
    connected = asyncio.Event()
    tasks: list[asyncio.Task[Any]] = [asyncio.create_task(desk.ended.wait())]
    if arguments.broker is not None:
        tasks.append(asyncio.create_task(publish_counter(desk, broker_of(arguments.broker), connected)))
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(arguments.broker_wait_s):
                await connected.wait()
    if factor > 0.0:
        tasks.append(asyncio.create_task(SheetClock(desk).run()))
    ready = {"ready": True, "link_port": port, "press": scenario.press, "seed": press.truth.seed}
    print(json.dumps({**ready, "broker_connected": connected.is_set()}), flush=True)
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            task.result()  # a task that failed ends the process with its own error
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await server.close()


def parser() -> argparse.ArgumentParser:
    """The command line of the press process."""
    made = argparse.ArgumentParser(prog="python -m inksteward_simulators press", description=__doc__)
    made.add_argument("--scenario", default="makeready", help="bundled name, or a TOML or JSON file")
    made.add_argument("--seed", type=int, default=None, help="draws the truth (default: the scenario's)")
    made.add_argument(
        "--time-factor", type=float, default=None, help="press seconds per second; 0: only `advance`"
    )
    made.add_argument(
        "--link-port", type=int, default=0, help="loopback port of the bench link (default: any free)"
    )
    made.add_argument(
        "--broker",
        default=None,
        help="mqtt://host:port for the counter, and for faults on command (default: none)",
    )
    made.add_argument(
        "--broker-wait-s", type=float, default=2.0, help="wait so long for the broker before `ready`"
    )
    made.add_argument("--run-id", default="run-1")
    made.add_argument("--printing", action="store_true", help="print at once instead of waiting for `run`")
    return made


def main(argv: list[str] | None = None) -> int:
    """Entry of `python -m inksteward_simulators press`."""
    arguments = parser().parse_args(argv)
    try:
        asyncio.run(serve(arguments))
    except (ScenarioError, ValueError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    return 0
