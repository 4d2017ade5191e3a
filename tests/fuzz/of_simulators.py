"""Targets: what the simulators read: frames, payloads, commands, the bench link, scenarios, typed words."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from contextlib import AsyncExitStack, suppress
from datetime import UTC, datetime
from functools import cache
from importlib import resources
from typing import Any

from pydantic import BaseModel

from inksteward_drivers.framing import Decoder, Frame
from inksteward_simulators import framing, payloads
from inksteward_simulators import link_messages as msg
from inksteward_simulators.cabinet import Cabinet, CommandRefused, read_command
from inksteward_simulators.cabinet_wires import LineCabinet, refuse_late
from inksteward_simulators.link import LinkServer, parse
from inksteward_simulators.operator_deck import Card, Choice
from inksteward_simulators.operator_seat import Seat
from inksteward_simulators.operator_sign import Signer
from inksteward_simulators.operator_table import Unclear, understood
from inksteward_simulators.scenario import ScenarioError, load_scenario, scenario_from_toml
from inksteward_simulators.schema_check import SchemaFolder
from inksteward_simulators.strip_layout import layout_of
from tests.contract_outbound import OUTBOUND
from tests.drivers.bench import press
from tests.fuzz.form import AT_END, Target, attempt, dense, finite, strict
from tests.fuzz.of_drivers import TARGETS as OF_DRIVERS
from tests.fuzz.of_files import TARGETS as OF_FILES
from tests.fuzz.of_files import file_of

COMMAND = OUTBOUND["command"][0]
LATER = datetime(2026, 3, 2, 8, 15, 31, tzinfo=UTC)
REQUESTS: dict[str, type[BaseModel]] = {
    "pull": msg.PullRequest,
    "drive": msg.DriveRequest,
    "run": msg.RunRequest,
    "fault": msg.FaultRequest,
    "advance": msg.AdvanceRequest,
}


def frames(raw: bytes) -> None:
    """Any bytes: the simulators' framing, written apart, finds what the drivers' finds."""
    theirs, ours = framing.Receiver(), Decoder()
    said = theirs.take(raw) + theirs.quiet()
    expected = [
        (int(item.kind), item.epoch, item.seq, item.body)
        if isinstance(item, Frame)
        else (item.why, item.size)
        for item in ours.feed(raw) + ours.idle()
    ]
    assert [tuple(item) for item in said] == expected


def payload(raw: bytes) -> None:
    """Any bytes: ValueError, or an object whose numbers are finite."""
    with suppress(ValueError):
        finite(payloads.load_object(raw))


def command(raw: bytes) -> None:
    """Any bytes as a command: refused in words, or what the contract's own model reads too."""
    found = attempt(CommandRefused, lambda: read_command(raw))
    late = (
        found
        if isinstance(found, CommandRefused)
        else attempt(CommandRefused, lambda: refuse_late(found, LATER))
    )
    if isinstance(late, CommandRefused):
        assert late.code
        assert late.text
        return
    finite(found)
    assert json.loads(raw)["command_id"] == found.command_id


class Bench:
    """A press, a key cabinet on the line, and a bench link that only reads: one loop, real sockets of this machine."""

    def __init__(self) -> None:
        self.loop = asyncio.new_event_loop()
        self._open = AsyncExitStack()
        self.loop.run_until_complete(self._begin())

    async def _begin(self) -> None:
        self.server = LinkServer({name: _reader(form) for name, form in REQUESTS.items()})
        self.reader, self.writer = await asyncio.open_connection("127.0.0.1", await self.server.start())
        link = await self._open.enter_async_context(press())
        self.cabinet = Cabinet(link, ("u1", "u2"))
        self.key_line = LineCabinet(self.cabinet, "cabinet-1")

    async def ask(self, line: bytes) -> bytes:
        """One line to the link; its reply."""
        self.writer.write(line + b"\n")
        return await asyncio.wait_for(self.reader.readline(), 10)

    def do(self, asked: Awaitable[Any]) -> Any:
        """Run until that is done."""
        return self.loop.run_until_complete(_awaited(asked))

    def close(self) -> None:
        """Close the connections and their loop."""
        _bench.cache_clear()
        self.loop.run_until_complete(self._end())
        self.loop.close()

    async def _end(self) -> None:
        self.writer.close()
        await self.server.close()
        await self.cabinet.close()
        await self._open.aclose()


async def _awaited(asked: Awaitable[Any]) -> Any:
    return await asked


def _reader(form: type[BaseModel]) -> Callable[[dict[str, Any]], Awaitable[BaseModel]]:
    async def read(body: dict[str, Any]) -> BaseModel:
        finite(parse(form, body))
        return msg.Nothing()

    return read


@cache
def _bench() -> Bench:
    made = Bench()
    AT_END.append(made.close)
    return made


def link(raw: bytes) -> None:
    """Any line to the bench link gets one line as answer: done, or refused with field, value and expectation."""
    line = raw.replace(b"\n", b" ")
    reply = _bench().do(_bench().ask(line))
    answer = strict(reply)
    assert answer["ok"] or answer["error"]["expected"]


def key_line(raw: bytes) -> None:
    """Any body of a frame to the cabinet: an answer of the line protocol."""
    kind, body = _bench().do(_bench().key_line.serve(raw))
    framing.to_wire(framing.Telegram(kind, 0, 0, body))
    assert kind == framing.ACK or strict(body)


def scenario(raw: bytes) -> None:
    """Any text as a scenario: every wrong field in words, or finite numbers."""
    with suppress(ScenarioError):
        finite(scenario_from_toml(raw.decode("utf-8", "replace")))


def scenario_file(raw: bytes) -> None:
    """Any file as a scenario in JSON or TOML."""
    for name in ("scenario.json", "scenario.toml"):
        with suppress(ScenarioError):
            finite(load_scenario(file_of(name, raw)))


def signing_key(raw: bytes) -> None:
    """Any file as the operator's private key."""
    with suppress(ValueError):
        assert "signature" in Signer(file_of("operator.pem", raw), "anna-1").seal({"a": 1})


def layout(raw: bytes) -> None:
    """Any file as a strip's layout."""
    with suppress(ValueError):
        finite(layout_of(str(file_of("layout.json", raw)), STATE, "front", None))


def typed(raw: bytes) -> None:
    """Any line typed by the operator: Unclear, or a choice with finite openings."""
    with suppress(Unclear):
        finite(understood(raw.decode("utf-8", "replace")))


class Calm:
    """An operator who lets every proposal lapse."""

    async def choice(self, proposal: dict[str, Any]) -> Choice:
        """Nothing is decided."""
        return Choice(Card.LAPSE)

    async def again(self, proposal: dict[str, Any], errors: list[Any]) -> Choice | None:
        """Never asked."""
        raise AssertionError(errors)


SEAT_TOPICS = ("proposal/u2", "reading", "outcome", "answer", "status")


def seat(raw: bytes) -> None:
    """Any message of a service to the operator's seat, the topic in the first byte: said to be unreadable, or taken."""
    _bench().do(_seated(SEAT_TOPICS[raw[0] % len(SEAT_TOPICS)] if raw else "status", raw[1:]))


async def _seated(topic: str, raw: bytes) -> None:
    said: list[str] = []
    made = Seat(
        "op-anna", Signer(None, None), Calm(), _publish, lambda what, **facts: said.append(what), NO_SCHEMAS
    )
    made.ok_sheet = False
    await made.on_message(topic, raw, False)
    failed = asyncio.create_task(made.failed())
    for _ in range(4):
        await asyncio.sleep(0)
    fault = failed.exception() if failed.done() else None
    failed.cancel()
    await made.close()
    if fault is not None:
        raise fault


async def _publish(topic: str, payload: bytes) -> None:
    raise AssertionError(f"{topic} was published")


NO_SCHEMAS = SchemaFolder(None)
STATE = msg.State(
    press="press-1",
    run_id="run-1",
    sheet=0,
    printing=True,
    speed_sph=9000.0,
    time_factor=1.0,
    time_s=0.0,
    fountain_turning=True,
    good=None,
    contacts=0,
    units=(),
)


def _scenarios() -> tuple[bytes, ...]:
    found = resources.files("inksteward_simulators") / "scenarios"
    return tuple((found / f"{name}.toml").read_bytes() for name in ("makeready", "spring-blade"))


def _scenario_files() -> tuple[bytes, ...]:
    return load_scenario("makeready").model_dump_json().encode(), _scenarios()[1]


def _link_samples() -> tuple[bytes, ...]:
    bodies: dict[str, dict[str, Any]] = {
        "pull": {"side": "front", "patches": [{"x_mm": 14.0, "kind": "solid", "inks": ["C"]}]},
        "drive": {"unit": "u1", "targets": [{"zone": 1, "to_pct": 40.0}], "sweep_pct": 30.0},
        "run": {"printing": True, "run_id": "run-2", "speed_sph": 9000.0},
        "fault": {"unit": "u1", "kind": "stuck", "zone": 2},
        "advance": {"sheets": 5},
    }
    return tuple(dense({"id": number, "op": op, **body}) for number, (op, body) in enumerate(bodies.items()))


def _key_line_samples() -> tuple[bytes, ...]:
    command = {**COMMAND, "unit": "u1", "targets": [{"zone": 2, "from_pct": 40.0, "to_pct": 45.0}]}
    return tuple(
        map(dense, ({"msg": "identify"}, {"msg": "read", "unit": "u1"}, {"msg": "move", "command": command}))
    )


def _seat_samples() -> tuple[bytes, ...]:
    names = ("proposal", "reading", "outcome", "answer", "status")
    rows = [
        (place, each if name != "proposal" else {**each, "digest": payloads.digest_of(each)})
        for place, name in enumerate(names)
        for each in OUTBOUND[name]
    ]
    return tuple(bytes((place,)) + dense(each) for place, each in rows)


TARGETS: dict[str, Target] = {
    "simulators.framing": Target(frames, OF_DRIVERS["drivers.framing"].samples, 150),
    "simulators.payload": Target(payload, lambda: tuple(map(dense, OUTBOUND["proposal"])), 150),
    "simulators.command": Target(command, lambda: (dense(COMMAND),), 150),
    "simulators.link": Target(link, _link_samples, 80),
    "simulators.key_line": Target(key_line, _key_line_samples, 60),
    "simulators.scenario": Target(scenario, _scenarios, 50),
    "simulators.scenario_file": Target(scenario_file, _scenario_files, 40),
    "simulators.layout": Target(
        layout, lambda: (b'[{"x_mm":14.0,"width_mm":5.0,"kind":"solid","inks":["C"]}]',), 100
    ),
    "simulators.key": Target(signing_key, OF_FILES["key.private"].samples, 60),
    "simulators.typed": Target(typed, lambda: (b"y 1", b"n 2 hickey", b"e 1 7=44.5 9=out sweep=out"), 150),
    "simulators.seat": Target(seat, _seat_samples, 60),
}
