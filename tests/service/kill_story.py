"""One life of a press with a service that is killed in it, a second one after it, and what must be true afterwards."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import socket
import sys
import time
from asyncio.subprocess import Process
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from inksteward.events import CommandEnded, CommandReleased, Move, Publish, Received, Started
from inksteward.journal_read import Row
from inksteward.journal_verify import verify
from inksteward.journals import Journals
from inksteward.replay import replay
from inksteward_simulators import framing
from tests.service.bench import PATIENCE_S, Shop, decision, set_up_shop
from tests.service.floor import Floor
from tests.service.listener import Probe, fence, probe, standing
from tests.service.silent_cabinet import SilentCabinet, silent_cabinet

OWN = ("answer", "reading", "outcome", "alarm", "press", "proposal/")
"""Topics on which the service says what its journal holds; ``status`` also carries its will and its last word."""


class BusyCabinet(SilentCabinet):
    """A cabinet that does what it is told, at once, and says so; ``moves`` keeps every command that came whole."""

    async def serve(self, body: bytes) -> tuple[int, bytes]:
        message = json.loads(body)
        if message["msg"] == "move":
            self.moves.append(message["command"])
            self.asked.set()
            return framing.ACK, b""
        kind, answer = await super().serve(body)
        position = json.loads(answer)
        for command in self.moves:
            if command["unit"] == position["unit"]:
                for row in command["targets"]:
                    position["opening_pct"][row["zone"] - 1] = row["to_pct"]
                position["sweep_pct"] = command["sweep_pct"] or position["sweep_pct"]
                position["command_id"] = command["command_id"]
        return kind, json.dumps(position).encode()


@dataclass
class Killed:
    """What was seen of both lives."""

    shop: Shop
    heard: list[tuple[str, bytes, bool]] = field(default_factory=list)
    moves: list[dict[str, Any]] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)
    first_rows: int = 0
    died: bool = False
    ready_s: float = 0.0
    census: dict[str, int] = field(default_factory=dict)

    def told(self, topic: str) -> list[dict[str, Any]]:
        """What was heard under a topic."""
        return [json.loads(raw) for name, raw, kept in self.heard if name == topic and raw and not kept]


async def _service(shop: Shop, *before: str, **environment: str) -> Process:
    words = (*before, "run", str(shop.config), "--log", "json")
    with (shop.folder / "service.log").open("ab") as log:
        return await asyncio.create_subprocess_exec(
            sys.executable, "-m", *words, stderr=log, env={**os.environ, **environment}
        )


async def _story(heard: Probe, floor: Floor) -> None:
    """From the job to moved keys."""
    await heard.online()
    proposal = await standing(heard, floor)
    await heard.say("decision", decision(proposal))
    await heard.next("outcome")
    await fence(heard)


async def _first_life(
    seen: Killed, heard: Probe, floor: Floor, where: tuple[str, float], environment: dict[str, str]
) -> None:
    """Let the story run until the service is dead, by its own hand or, at ``instant``, by ours."""
    point, count = where
    at = ("instant", "0") if point == "instant" else (point, str(int(count)))
    census = str(seen.shop.folder / "census.json")
    process = await _service(seen.shop, "tests.service.kill_points", *at, KILL_CENSUS=census, **environment)
    story = asyncio.create_task(_story(heard, floor))
    death = asyncio.create_task(process.wait())
    if point == "instant":
        asyncio.get_running_loop().call_later(count, _kill, process)
    await asyncio.wait((story, death), return_when=asyncio.FIRST_COMPLETED)
    if not death.done():
        await story  # a story that failed with the service alive is the test's failure
        process.send_signal(signal.SIGTERM if point != "instant" else signal.SIGKILL)
        await asyncio.wait_for(death, PATIENCE_S)
    story.cancel()
    await asyncio.gather(story, return_exceptions=True)
    assert process.returncode in (0, -signal.SIGKILL), f"ended by itself with {process.returncode}"
    seen.died = process.returncode == -signal.SIGKILL
    with contextlib.suppress(FileNotFoundError):
        seen.census = json.loads(Path(census).read_text())


def _kill(process: Process) -> None:
    with contextlib.suppress(ProcessLookupError):
        process.kill()


async def _ready(notify: socket.socket) -> None:
    while b"READY=1" not in await asyncio.get_running_loop().sock_recv(notify, 4096):
        pass


async def _second_life(seen: Killed, heard: Probe) -> None:
    """Start it again as it is meant to be started; let it say all that it has to say."""
    there = {state["instance"] for state in heard.all("status")}
    path = seen.shop.folder / "notify"
    path.unlink(missing_ok=True)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as notify:
        notify.bind(str(path))
        begun = time.monotonic()
        process = await _service(seen.shop, "inksteward.cli", NOTIFY_SOCKET=str(path))
        ready = asyncio.create_task(_ready(notify))
        await asyncio.wait((ready, asyncio.create_task(process.wait())), timeout=PATIENCE_S,
                           return_when=asyncio.FIRST_COMPLETED)  # fmt: skip
        assert ready.done(), f"not started again: exit code {process.returncode}"
        seen.ready_s = time.monotonic() - begun
    await heard.until(lambda: {state["instance"] for state in heard.all("status")} - there)
    await fence(heard)
    said = {json.loads(raw)["scan_id"] for topic, raw, _ in heard.heard if topic == "scan"}
    await heard.until(lambda: said <= {answer["id"] for answer in heard.all("answer")})
    process.send_signal(signal.SIGTERM)
    assert await asyncio.wait_for(process.wait(), PATIENCE_S) == 0


async def killed(folder: Path, url: str, press: str, point: str, count: float, **environment: str) -> Killed:
    """Both lives of a service that dies at the ``count``-th time it comes to ``point`` (or at the instant, s)."""
    floor = Floor(set_up_shop(folder, url, press).scenario)
    # the cabinet tells positions over its line alone
    floor.said = [each for each in floor.said if not each[0].startswith("keys/")]
    floor.position = lambda unit: None  # type: ignore[method-assign]
    cabinet_floor = Floor(floor.scenario)
    async with silent_cabinet(cabinet_floor, BusyCabinet) as (cabinet, path):
        bank = [{"name": "keys", "driver": "serial", "units": ["u2"], "settings": {"url": path}}]
        seen = Killed(set_up_shop(folder, url, press, tables={"key_bank": bank}), moves=cabinet.moves)
        async with probe(seen.shop) as heard:
            seen.heard = heard.heard
            await _first_life(seen, heard, floor, (point, count), environment)
            seen.first_rows = len(seen.shop.rows()) if seen.shop.journal.exists() else 0
            await _second_life(seen, heard)
    seen.rows = seen.shop.rows()
    return seen


def _effects(rows: list[Row], kind: type) -> list[Any]:
    return [effect for row in rows for effect in row.effects if isinstance(effect, kind)]


def judge(seen: Killed) -> None:
    """Nothing committed is lost, no command goes twice, none is forgotten, and what nobody knows is said."""
    for path in Journals(seen.shop.journal).paths():
        report = verify(path)
        assert report.sound, report.findings
    done = replay(Journals(seen.shop.journal).paths())
    assert done.same, done.difference
    _judge_words(seen)
    _judge_commands(seen)


def _judge_words(seen: Killed) -> None:
    """What left was committed; what was committed did leave; every proposal ended once; no scan was lost."""
    stored = Counter((effect.topic, effect.payload) for effect in _effects(seen.rows, Publish))
    heard = {(topic, raw) for topic, raw, kept in seen.heard if topic.startswith(OWN) and not kept}
    assert heard <= set(stored), "something was said that the journal does not hold"
    lasting = {(topic, raw) for topic, raw in stored if topic in ("answer", "outcome")}
    assert lasting <= heard, "something in the journal was never said"
    proposals = [json.loads(raw) for topic, raw in stored if topic.startswith("proposal/") and raw]
    ends = Counter(json.loads(raw)["proposal_id"] for topic, raw in stored if topic == "outcome")
    assert ends == Counter({proposal["proposal_id"]: 1 for proposal in proposals})
    taken = {
        row.event.raw for row in seen.rows if isinstance(row.event, Received) and row.event.topic == "scan"
    }
    assert {raw for topic, raw, _ in seen.heard if topic == "scan"} <= taken, "a scan was lost"


def _judge_commands(seen: Killed) -> None:
    """No command twice, none without its release, and every release with an end or an alarm."""
    ordered = {move.command["command_id"]: move.command for move in _effects(seen.rows, Move)}
    released = [row.event.command_id for row in seen.rows if isinstance(row.event, CommandReleased)]
    ended = {row.event.command_id for row in seen.rows if isinstance(row.event, CommandEnded)}
    moved = [command["command_id"] for command in seen.moves]
    assert len(set(moved)) == len(moved), "a command went twice"
    assert len(set(released)) == len(released)
    assert set(moved) <= set(released) <= set(ordered), "keys moved that nobody released"
    outcomes = {one["proposal_id"]: one for one in seen.told("outcome")}
    alarms = {row["code"] for row in (seen.told("alarm") or [{"alarms": []}])[-1]["alarms"]}
    restarted = sum(isinstance(row.event, Started) for row in seen.rows) > 1
    for number, command in ordered.items():
        outcome = outcomes[command["proposal_id"]]
        if number not in released:
            assert restarted
            assert (outcome["result"], outcome["code"]) == ("lapsed", "restart")
        elif number not in ended:
            assert (outcome["result"], outcome["code"]) == ("failed", "fate_unknown")
            assert "fate_unknown" in alarms, "nobody was told that a command's fate is unknown"
        else:
            assert outcome["result"] in ("moved", "failed")
