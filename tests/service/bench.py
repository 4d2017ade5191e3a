"""What the service's tests stand on: a configuration on disk, a broker to kill, a probe, the service itself."""

import asyncio
import getpass
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aiomqtt

from inksteward.authority import Key, Operator, Operators, new_key, public_x, sign, thumbprint
from inksteward.authority_file import OperatorsFile, save
from inksteward.bench.configuration import configuration
from inksteward.bench.loop import Loop
from inksteward.events import Effect, Event, Received
from inksteward.journal_read import Row, read_rows
from inksteward.journals import Journals
from inksteward.service.app import Service
from inksteward.service.clock import Clock
from inksteward.service.starting import Options, read
from inksteward_simulators.scenario import load_scenario
from inksteward_simulators.scenario_forms import Scenario
from tests.conftest import free_port, require_tool

PATIENCE_S = 15.0
ANNA = new_key()
KID = thumbprint(public_x(ANNA))
ANNA_PUBLIC = Operators((Operator("op-anna", "Anna", (Key(KID, public_x(ANNA)),)),))
UTC_WORDS = "2026-03-02T08:15:30.000Z"


def toml(data: dict[str, Any]) -> str:
    """Plain data as TOML: enough for a configuration (numbers, texts, flags, lists and tables of them)."""
    return "".join(f"{json.dumps(name)} = {_value(value)}\n" for name, value in data.items())


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(name)} = {_value(item)}" for name, item in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return json.dumps(value)


def scenario() -> Scenario:
    """A press of one unit: enough for everything that does not depend on size."""
    whole = load_scenario("makeready")
    return whole.model_copy(update={"units": whole.units[1:2]})


@dataclass(frozen=True)
class Shop:
    """A configured press on disk."""

    folder: Path
    press: str
    url: str
    scenario: Scenario

    @property
    def config(self) -> Path:
        return self.folder / "press.toml"

    @property
    def journal(self) -> Path:
        return self.folder / "journal"

    def options(self, **changes: Any) -> Options:
        return Options(self.config, **changes)

    def rows(self, journal: Path | None = None) -> list[Row]:
        """Every row of the record, over all its files."""
        paths = Journals(journal or self.journal).paths()
        return [row for path in paths for row in read_rows(path)]

    def events(self, kind: type, journal: Path | None = None) -> list[Any]:
        """The record's events of one kind."""
        return [row.event for row in self.rows(journal) if isinstance(row.event, kind)]


def settings_of(form: Scenario, **sections: Any) -> dict[str, Any]:
    """Configuration data for a press; positions may be older here, on a machine that others use as well."""
    measuring = {"patch_width_mm": 4.8, "position_max_age_s": 10.0}
    return configuration(form, **{"measuring": measuring, **sections})


def set_up_shop(folder: Path, url: str, press: str, form: Scenario | None = None, **sections: Any) -> Shop:
    """Write configuration and operators file of a press; operator op-anna has a key."""
    form = form or scenario()
    data = settings_of(form, **sections)
    data["press"] = {"id": press, "simulated": True}
    data["broker"] = {"url": url, **sections.get("broker", {})}
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "press.toml").write_text(toml(data))
    save(folder / "operators.toml", OperatorsFile(ANNA_PUBLIC))
    return Shop(folder, press, url, form)


def signed(payload: dict[str, Any]) -> dict[str, Any]:
    """The payload with op-anna's signature."""
    return {**payload, "signature": sign(payload, ANNA, KID)}


def decision(proposal: dict[str, Any], number: str = "d-1", **changes: Any) -> dict[str, Any]:
    """Anna's signed approval of a proposal."""
    return signed(
        {
            "decision_id": number,
            "proposal_id": proposal["proposal_id"],
            "digest": proposal["digest"],
            "verdict": "approve",
            "operator": "op-anna",
            "decided_at": UTC_WORDS,
            **changes,
        }
    )


class Floor(Loop):
    """A simulated press without a core: what its instruments and keys would publish is kept for the wire."""

    def __init__(self, form: Scenario) -> None:
        self.said: list[tuple[str, bytes]] = []
        super().__init__(form, seed=3)

    def send(self, event: Event) -> tuple[Effect, ...]:
        if isinstance(event, Received):
            self.said.append((event.topic, event.raw))
        return ()

    def take(self) -> list[tuple[str, bytes]]:
        """What was said since the last call."""
        said, self.said = self.said, []
        return said

    def scanned(self, number: str | None = None) -> bytes:
        """A scan of the present sheet, read with noise."""
        sheet, form = self.press.pull(), self.scenario.job
        patches = []
        for patch in self.layout:
            values = sheet.patch(patch.inks, patch.tone_pct, patch.x_mm, patch.width_mm)
            density = {ink: round(d + float(self.rng.normal(0.0, 0.0075)), 4) for ink, d in values.items()}
            row = {"kind": patch.kind, "inks": list(patch.inks), "tone_pct": patch.tone_pct}
            patches.append({"x_mm": patch.x_mm, **row, "density": density})
        basis = {"polarised": form.polarised, "paper_relative": form.paper_relative, "status": form.status}
        scan = {
            "scan_id": number or f"s-{self.press.sheet:06d}",
            "run_id": "run-1",
            "side": "front",
            "sheet": self.press.sheet,
            "taken_at": UTC_WORDS,
            "extent": "full",
            "instrument": {"id": "strip-1", "kind": "strip", **basis},
            "patches": patches,
        }
        return json.dumps(scan).encode()


@dataclass
class Probe:
    """An outside client: publishes, and keeps everything under the press's root that it hears."""

    client: aiomqtt.Client
    root: str
    heard: list[tuple[str, bytes, bool]] = field(default_factory=list)
    _news: asyncio.Condition = field(default_factory=asyncio.Condition)

    async def listen(self) -> None:
        async for message in self.client.messages:
            async with self._news:
                topic = message.topic.value.removeprefix(self.root)
                self.heard.append((topic, bytes(message.payload), bool(message.retain)))
                self._news.notify_all()

    async def say(self, topic: str, payload: Any, *, retain: bool = False, qos: int = 1) -> None:
        raw = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        await self.client.publish(self.root + topic, raw, qos=qos, retain=retain)

    async def until(self, found: Callable[[], Any], patience_s: float = PATIENCE_S) -> Any:
        """Wait for something that is heard; what ``found`` answered. Fails with what was heard last."""
        try:
            async with asyncio.timeout(patience_s), self._news:
                while not (result := found()):
                    await self._news.wait()
        except TimeoutError:
            last = "\n".join(f"{topic}: {raw[:300]!r}" for topic, raw, _ in self.heard[-12:])
            raise AssertionError(f"not heard within {patience_s:g} s; last:\n{last}") from None
        return result

    def all(self, topic: str) -> list[dict[str, Any]]:
        """The objects heard under a topic, retained copies left out."""
        return [
            json.loads(raw) for name, raw, retained in self.heard if name == topic and raw and not retained
        ]

    async def next(self, topic: str, count: int = 1, patience_s: float = PATIENCE_S) -> dict[str, Any]:
        """The count-th object under a topic."""
        await self.until(lambda: len(self.all(topic)) >= count, patience_s)
        return self.all(topic)[count - 1]

    async def answer(self, number: str) -> dict[str, Any]:
        """The answer to what bore this id."""

        def found() -> dict[str, Any] | None:
            return next((one for one in self.all("answer") if one["id"] == number), None)

        await self.until(found)
        return found() or {}

    async def online(self, instances: int = 1, patience_s: float = PATIENCE_S) -> dict[str, Any]:
        """Wait until so many instances of the service have said that they are there, one after the other."""

        def found() -> list[dict[str, Any]]:
            return [state for state in self.all("status") if state["state"] == "online"]

        await self.until(lambda: len({state["instance"] for state in found()}) >= instances, patience_s)
        return found()[-1]


async def feed(heard: Probe, floor: Floor, sheets: int = 60) -> None:
    """Print on, and publish counter and positions; returns when the service has taken them."""
    floor.press.step(sheets)
    floor.count()
    for unit in floor.scenario.units:
        floor.position(unit.unit)
    await publish_all(heard, floor)


async def publish_all(heard: Probe, floor: Floor) -> None:
    """Publish what the floor said; returns when the service has taken all but perhaps the positions."""
    for topic, raw in floor.take():
        await heard.say(topic, raw, retain=topic.startswith("keys/") or topic == "job")
    await fence(heard)


async def fence(heard: Probe) -> None:
    """Returns when the service has dealt with what was said before (but for scans, requests and positions)."""
    word = f"fence {len(heard.heard)}"
    await heard.say("decision", word.encode())
    await heard.until(lambda: any(word in str(answer["errors"]) for answer in heard.all("answer")))


async def standing(heard: Probe, floor: Floor, scans: int = 6) -> dict[str, Any]:
    """Bring the service to a proposal that stands, by a job, sheets and scans."""
    await publish_all(heard, floor)
    unit = floor.scenario.units[0].unit
    reading: dict[str, Any] = {}
    for number in range(1, scans + 1):
        await feed(heard, floor, 150 if number == 1 else 60)
        before = len(heard.all("reading"))
        await heard.say("scan", floor.scanned(f"s-{number}"))
        reading = await heard.next("reading", before + 1)
        if reading["units"][unit]["proposal_id"]:
            return await heard.next(f"proposal/{unit}")
    raise AssertionError(f"no proposal after {scans} scans: {reading['units'][unit]['no_proposal']}")


@asynccontextmanager
async def probe(shop: Shop, topics: str = "#", *, v5: bool = True) -> AsyncIterator[Probe]:
    """A probe at the shop's broker."""
    address = shop.url.removeprefix("mqtt://").split(":")
    no_delay = ((socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),)
    version = aiomqtt.ProtocolVersion.V5 if v5 else aiomqtt.ProtocolVersion.V311
    client = aiomqtt.Client(address[0], int(address[1]), protocol=version, socket_options=no_delay)
    async with client:
        made = Probe(client, f"inksteward/v1/{shop.press}/")
        await client.subscribe(made.root + topics, qos=1)
        task = asyncio.create_task(made.listen())
        try:
            yield made
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


@asynccontextmanager
async def serving(options: Options) -> AsyncIterator[Service]:
    """The service in this process; its exit code ends up in ``exit_codes`` of the service."""
    service = Service(read(options), Clock())
    service.open()
    task = asyncio.create_task(service.run())
    try:
        yield service
    finally:
        service.stop.set()
        await asyncio.wait((task,), timeout=PATIENCE_S)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        if not task.cancelled() and task.exception() is not None:
            raise task.exception()  # type: ignore[misc]  # it is one: looked at a line before


@contextmanager
def service_process(
    shop: Shop, *words: str, environment: dict[str, str] | None = None
) -> Iterator[subprocess.Popen[bytes]]:
    """``inksteward run`` as a process; its words go to service.log in the shop's folder."""
    with (shop.folder / "service.log").open("ab") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "inksteward.cli", "run", str(shop.config), "--log", "json", *words],
            stderr=log,
            env={**os.environ, **(environment or {})},
        )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
            try:
                process.wait(timeout=PATIENCE_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


class BrokerProcess:
    """A mosquitto on one port that can be killed and started again."""

    def __init__(self, folder: Path, extra: str = "persistence false\n") -> None:
        self.port = free_port()
        self.url = f"mqtt://127.0.0.1:{self.port}"
        self._folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self._config = folder / "mosquitto.conf"
        # Started by root it would become another user, who may not read its access rules in here.
        rules = f"user {getpass.getuser()}\nallow_anonymous true\n{extra}"
        self._config.write_text(f"listener {self.port} 127.0.0.1\n{rules}")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with (self._folder / "mosquitto.log").open("ab") as log:
            self._process = subprocess.Popen(
                [require_tool("mosquitto"), "-c", str(self._config)], stdout=log, stderr=log
            )
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            if _answers(self.port):
                return
            time.sleep(0.02)
        raise AssertionError("mosquitto did not start")

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


def _answers(port: int) -> bool:
    with socket.socket() as found:
        found.settimeout(1.0)
        return found.connect_ex(("127.0.0.1", port)) == 0


@contextmanager
def broker_process(folder: Path, extra: str = "persistence false\n") -> Iterator[BrokerProcess]:
    """A broker of the test's own."""
    broker = BrokerProcess(folder, extra)
    try:
        broker.start()
        yield broker
    finally:
        broker.kill()
