"""A press at work and its operator, who go on whatever becomes of the service, and what must be true afterwards."""

from __future__ import annotations

import asyncio
import json
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from inksteward.events import CommandEnded, CommandReleased, Move
from inksteward.journal_verify import verify
from inksteward.journals import Journals
from inksteward.replay import replay
from inksteward.service.app import Service
from tests.service.bad_line import BadLine, bad_line
from tests.service.bench import Shop, decision, serving, set_up_shop, signed
from tests.service.floor import Floor
from tests.service.kill_story import Killed, _effects, _judge_words
from tests.service.listener import Probe, feed, probe, publish_all

TURN_S = 0.1
SCAN_EVERY = 4
"""Turns."""
SHEETS = 15
"""Sheets a turn: a scan every 60 sheets, as in a makeready in a great hurry."""
FEED_EVERY, FEED_LN = 8, 0.25
"""Every so many scans the ink runs thicker or thinner, so that there is always something to correct."""
MOST_WAITING = 6
"""So many scans without an answer, and nobody scans any more until one comes."""
AGAIN_S = 1.5
"""A decision or request without an answer is sent again, as the contract allows."""
FAILED, ACKNOWLEDGE_EVERY = ("fate_unknown", "move_failed"), 20
PATIENCE_S = 60.0

Plan = Callable[[Service, "Shift", BadLine], Awaitable[None]]


class Shift:
    """Prints, counts, scans, approves every proposal that it hears of, drives the keys that it is told to, and looks
    after moves that failed. It may take over from one before it that worked at the same press.
    """

    def __init__(self, heard: Probe, floor: Floor, before: Shift | None = None) -> None:
        self.heard, self.floor = heard, floor
        self.moves: list[dict[str, Any]] = [] if before is None else before.moves
        self.scanning, self.over, self.sheets, self.most_waiting = True, False, SHEETS, MOST_WAITING
        self.scan_every, self.feed_every = SCAN_EVERY, FEED_EVERY
        self.first: int = 0 if before is None else before.scans
        self.scans: int = self.first
        self.ended = asyncio.Event()
        self._decisions: dict[str, tuple[dict[str, Any], float]] = {}
        self._read = self._turns = 0
        self._failed: list[dict[str, Any]] = []

    async def work(self) -> None:
        """Until told to go home."""
        await self.heard.online(patience_s=PATIENCE_S)
        await publish_all(self.heard, self.floor)
        while not self.over:
            await self._turn()
            await asyncio.sleep(TURN_S)
        self.ended.set()

    async def _turn(self) -> None:
        self._turns += 1
        for topic, raw, retained in self.heard.heard[self._read :]:
            self._read += 1
            if topic.startswith("keys/") and topic.endswith("/command"):
                self._drive(json.loads(raw))
            elif topic == "alarm":
                self._failed = [row for row in json.loads(raw)["alarms"] if row["code"] in FAILED]
            elif topic.startswith("proposal/") and raw and not retained:
                proposal = json.loads(raw)
                self._decisions[proposal["proposal_id"]] = (
                    decision(proposal, f"d-{proposal['proposal_id']}"),
                    0.0,
                )
        await self._decide()
        if self._failed and self._turns % ACKNOWLEDGE_EVERY == 0:
            await self._acknowledge(self._failed[0])
        self.floor.press.step(self.sheets)
        self.floor.count()
        self._positions()
        for topic, raw in self.floor.take():
            await self.heard.say(topic, raw, retain=topic.startswith("keys/"), qos=0)
        if (
            self.scanning
            and self._turns % self.scan_every == 0
            and len(self.unanswered()) < self.most_waiting
        ):
            if self.scans % self.feed_every == 0:
                for unit in self.floor.press.units.values():
                    unit.disturbance.feed(FEED_LN * (-1) ** (self.scans // self.feed_every))
            self.scans += 1
            await self.heard.say("scan", self.floor.scanned(f"s-{self.scans}"))

    async def _decide(self) -> None:
        now = asyncio.get_running_loop().time()
        ended = {outcome["proposal_id"] for outcome in self.heard.all("outcome")}
        for number, (payload, last) in list(self._decisions.items()):
            if number in ended:
                del self._decisions[number]
            elif now - last > AGAIN_S:
                self._decisions[number] = (payload, now)
                await self.heard.say("decision", payload)

    async def _acknowledge(self, alarm: dict[str, Any]) -> None:
        """Somebody has looked at the keys; refused as long as the command may still be carried out."""
        number = f"r-{len(self.heard.heard)}"
        what = {"kind": "acknowledge", "code": alarm["code"], "unit": alarm["unit"]}
        await self.heard.say("request", signed({"request_id": number, **what, "operator": "op-anna"}))

    def _drive(self, command: dict[str, Any]) -> None:
        self.moves.append(command)
        targets = {row["zone"]: row["to_pct"] for row in command["targets"]}
        self.floor.press.drive(command["unit"], targets, command["sweep_pct"])

    def _positions(self) -> None:
        done = {move["unit"]: move["command_id"] for move in self.moves}
        for unit in self.floor.scenario.units:
            self.floor.position(unit.unit)
            topic, raw = self.floor.said.pop()
            position = json.loads(raw)
            position["command_id"] = None if position["moving"] else done.get(unit.unit)
            self.floor.said.append((topic, json.dumps(position).encode()))

    def unanswered(self) -> set[str]:
        """Scans that were published and have no answer yet."""
        return {f"s-{number}" for number in range(self.first + 1, self.scans + 1)} - self._answered()

    def _answered(self) -> set[str]:
        return {one["id"] for one in self.heard.all("answer")}

    async def leave(self) -> None:
        """Go home in the middle of whatever it is; returns when the last word was said."""
        self.over = True
        await self.ended.wait()

    async def hold(self) -> None:
        """Scan no more and put the press on hold; returns when everything that was asked has its answer, and every
        proposal its end."""
        self.scanning = False
        request = signed({"request_id": "r-end", "kind": "hold", "operator": "op-anna"})
        await self.heard.say("request", request)

        def ended() -> bool:
            shown = [raw for topic, raw, _ in self.heard.heard if topic.startswith("proposal/") and raw]
            made = {json.loads(raw)["proposal_id"] for raw in shown}
            answered = not self.unanswered() and "r-end" in self._answered()
            return answered and made <= {one["proposal_id"] for one in self.heard.all("outcome")}

        await self.heard.until(ended, PATIENCE_S)


@asynccontextmanager
async def working(shift: Shift) -> AsyncIterator[Shift]:
    """A shift at work beside the block; an error of it is raised at the end."""
    task = asyncio.create_task(shift.work())
    try:
        yield shift
        assert not task.done() or shift.over, task.exception()
    finally:
        shift.over = True
        await asyncio.wait((task,), timeout=PATIENCE_S)
        task.cancel()


async def moved(shift: Shift, more: int = 1, patience_s: float = PATIENCE_S) -> None:
    """Wait until so many more proposals have ended with moved keys."""

    def count() -> int:
        return sum(one["result"] == "moved" for one in shift.heard.all("outcome"))

    wanted = count() + more
    await shift.heard.until(lambda: count() >= wanted, patience_s)


async def new_move(heard: Probe, floor: Floor) -> None:
    """After a fault: new scans lead to a new proposal, and its approval to a command."""
    for unit in floor.scenario.units:
        floor.position(unit.unit)
    await publish_all(heard, floor)
    for number in range(1, 13):
        await feed(heard, floor, 60)
        before = len(heard.all("reading"))
        await heard.say("scan", floor.scanned(f"after-{number}"))
        reading = await heard.next("reading", before + 1)
        made = [row["proposal_id"] for row in reading["units"].values() if row["proposal_id"]]
        if made:
            break
    else:
        raise AssertionError(f"no proposal after {number} scans")
    shown = [json.loads(raw) for topic, raw, _ in heard.heard if topic.startswith("proposal/") and raw]
    proposal = next(one for one in reversed(shown) if one["proposal_id"] in made)
    await heard.say("decision", decision(proposal, "d-after"))
    await heard.next(f"keys/{proposal['unit']}/command")


async def story(folder: Path, port: int, press: str, plan: Plan, seed: int = 0) -> Killed:
    """A service whose broker (at ``port``) lies behind a bad line. ``plan`` makes things go wrong; afterwards the line
    is healed, a move must succeed, and the press is put on hold.
    """
    async with bad_line(port, seed) as line:
        shop = set_up_shop(folder, line.url, press)
        seen = Killed(shop)
        direct = replace(shop, url=f"mqtt://127.0.0.1:{port}")
        async with probe(direct) as heard, serving(shop.options()) as service:
            shift = Shift(heard, Floor(shop.scenario))
            seen.heard, seen.moves = heard.heard, shift.moves
            async with working(shift):
                await plan(service, shift, line)
                line.heal()
                await moved(shift)
                await shift.hold()
        seen.census = dict(line.seen)
    seen.rows = shop.rows()
    return seen


def sound(shop: Shop) -> None:
    """Every file of the record verifies, and all of them replay to the same bytes."""
    paths = Journals(shop.journal).paths()
    for path in paths:
        report = verify(path)
        assert report.sound, report.findings
    done = replay(paths)
    assert done.same, done.difference


def judge_shift(seen: Killed) -> Counter[str]:
    """As after a kill: nothing was said that the journal does not hold, nothing in it was left unsaid, every proposal
    ended once, no scan was lost, no command went twice or without its release. How the proposals ended, counted.
    """
    sound(seen.shop)
    _judge_words(seen)
    ordered = {move.command["command_id"]: move.command for move in _effects(seen.rows, Move)}
    released = [row.event.command_id for row in seen.rows if isinstance(row.event, CommandReleased)]
    ended = [row.event.command_id for row in seen.rows if isinstance(row.event, CommandEnded)]
    moves = [command["command_id"] for command in seen.moves]
    for what in (moves, released, ended):
        assert len(set(what)) == len(what), "a command went twice"
    assert set(moves) <= set(released) <= set(ordered), "keys moved that nobody released"
    outcomes = {one["proposal_id"]: one for one in seen.told("outcome")}
    for number, command in ordered.items():
        outcome = outcomes[command["proposal_id"]]
        if number in released:
            assert number in ended, "a release without an end"
        else:
            assert outcome["result"] in ("refused", "lapsed")
    return Counter(f"{one['result']} {one['code']}" for one in outcomes.values())
