"""Decisions from the page, over a real broker: the same way as any other, and nothing else."""

from __future__ import annotations

import itertools
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from inksteward.events import CommandReleased, Received, Via
from inksteward.service.app import Service
from tests.page.kit import OTHER_PIN, Web, event, page_shop, paged, streamed
from tests.service.bench import Shop
from tests.service.floor import Floor
from tests.service.listener import Probe, probe, standing

pytestmark = pytest.mark.broker
_numbers = itertools.count(1)
UNIT = "u2"


@dataclass
class Scene:
    """A press with a proposal that stands, and Anna signed in at the page."""

    shop: Shop
    service: Service
    web: Web
    heard: Probe
    floor: Floor
    proposal: dict[str, Any]

    def decision(self, number: str = "d-1", **changes: Any) -> dict[str, Any]:
        """What the page sends for a plain yes, and changes to it."""
        made = self.proposal
        left, edits = set(changes.get("leave", ())), dict(changes.pop("edits", ()))
        targets = [
            {"zone": row["zone"], "to_pct": edits.get(row["zone"], row["to_pct"])}
            for row in made["moves"]
            if row["zone"] not in left
        ]
        if edits:
            changes["change"] = [{"zone": zone, "to_pct": target} for zone, target in edits.items()]
        shown = {"targets": targets, "sweep_pct": made["sweep"]["to_pct"] if made["sweep"] else None}
        usual = {"decision_id": number, "proposal_id": made["proposal_id"], "digest": made["digest"]}
        return {**usual, "verdict": "approve", "shown": shown, **changes}

    async def obey(self) -> dict[str, Any]:
        """Drive the keys as commanded and tell; the outcome."""
        command = await self.heard.next(f"keys/{UNIT}/command")
        targets = {row["zone"]: row["to_pct"] for row in command["targets"]}
        self.floor.press.drive(UNIT, targets, command["sweep_pct"])
        self.floor.press.step(100)
        self.floor.position(UNIT)
        position = {**json.loads(self.floor.said.pop()[1]), "command_id": command["command_id"]}
        await self.heard.say(f"keys/{UNIT}/position", position, retain=True)
        return await self.heard.next("outcome")


@asynccontextmanager
async def scene(folder: Path, url: str, **sections: Any) -> AsyncIterator[Scene]:
    """Up to the standing proposal."""
    shop = page_shop(folder, url, f"page-{next(_numbers)}", **sections)
    async with probe(shop) as heard, paged(shop) as (service, web):
        await heard.online()
        floor = Floor(shop.scenario)
        proposal = await standing(heard, floor)
        assert (await web.sign_in()).status == 200
        yield Scene(shop, service, web, heard, floor, proposal)


async def test_a_yes_moves_the_keys(tmp_path: Path, mosquitto: str) -> None:
    """A yes from the page leads to the command with the displayed targets, an outcome that names operator and page,
    and a journal in which the decision stands with what was displayed.
    """
    async with scene(tmp_path, mosquitto) as at:
        wanted = at.decision()
        reply = await at.web.post("/api/decide", wanted)
        assert reply.data["accepted"], reply.data
        outcome = await at.obey()
        assert (outcome["result"], outcome["operator"], outcome["via"]) == ("moved", "op-anna", "page")
        moved = {row["zone"]: row["to_pct"] for row in outcome["moved"]}
        assert moved == {row["zone"]: row["to_pct"] for row in wanted["shown"]["targets"]}
        async with streamed(at.web) as stream:
            assert (await event(stream, "outcomes"))[-1]["decision_id"] == "d-1"  # type: ignore[index]
    (raw,) = [json.loads(one.raw) for one in at.shop.events(Received) if one.via is Via.PAGE]
    assert raw["shown"] == wanted["shown"]
    assert raw["digest"] == at.proposal["digest"]
    assert len(at.shop.events(CommandReleased)) == 1


async def test_signed_out_nobody_decides(tmp_path: Path, mosquitto: str) -> None:
    """Without a session, or after signing out, a decision reaches nothing: no event, no move."""
    async with scene(tmp_path, mosquitto) as at:
        assert (await Web(at.web.port).post("/api/decide", at.decision("d-1"))).status == 401
        assert (
            await Web(at.web.port, "inksteward=guessed").post("/api/decide", at.decision("d-2"))
        ).status == 401
        await at.web.post("/api/sign-out", {})
        assert (await at.web.post("/api/decide", at.decision("d-3"))).status == 401
    assert [one for one in at.shop.events(Received) if one.via is Via.PAGE] == []
    assert at.shop.events(CommandReleased) == []


@pytest.mark.parametrize("member", ["operator", "signature", "decided_at", "press", "via"])
async def test_nobody_speaks_for_others(tmp_path: Path, mosquitto: str, member: str) -> None:
    """What a browser may not say (who decides, above all) is refused before it reaches the core."""
    async with scene(tmp_path, mosquitto) as at:
        reply = await at.web.post("/api/decide", {**at.decision(), member: "op-ben"})
        assert reply.status == 400
        assert reply.data["errors"][0]["field"] == member
    assert at.shop.events(CommandReleased) == []


async def test_other_targets_than_displayed(tmp_path: Path, mosquitto: str) -> None:
    """A decision whose displayed targets are not those that it means is refused with the zone; the proposal stands."""
    async with scene(tmp_path, mosquitto) as at:
        wrong = at.decision()
        wrong["shown"]["targets"][0]["to_pct"] += 1.0
        reply = await at.web.post("/api/decide", wrong)
        zone = wrong["shown"]["targets"][0]["zone"]
        assert not reply.data["accepted"]
        assert [row["field"] for row in reply.data["errors"]] == [f"shown.targets zone {zone}"]
        assert reply.data["stands"]
    assert at.shop.events(CommandReleased) == []


async def test_judged_before_it_is_sent(tmp_path: Path, mosquitto: str) -> None:
    """The server judges an edit by the very step that would take it: below the minimum gap it is refused with the
    interlock's reason and the gap, within every limit it is not; neither leaves a trace in journal or state.
    """
    async with scene(tmp_path, mosquitto) as at:
        row = min(at.proposal["moves"], key=lambda one: one["to_pct"])
        rows, state = len(at.shop.rows()), at.service.consumer.state
        low = (await at.web.post("/api/judge", at.decision(edits={row["zone"]: 0.0}))).data
        assert not low["accepted"]
        assert any("gap" in error["expected"] for error in low["errors"]), low
        assert low["gaps"] == [{"zone": row["zone"], "gap_um": pytest.approx(0.0, abs=15.0)}]
        fine = (await at.web.post("/api/judge", at.decision(edits={row["zone"]: row["to_pct"]}))).data
        assert fine["accepted"], fine
        assert fine["errors"] == []
        assert at.service.consumer.state.units[UNIT].standing == state.units[UNIT].standing
        assert [one for one in at.shop.rows()[rows:] if b"op-anna" in one.body] == []
        sent = await at.web.post("/api/decide", at.decision("d-9", edits={row["zone"]: 0.0}))
        assert sent.data["errors"] == low["errors"]
    assert at.shop.events(CommandReleased) == []


async def test_two_browsers_one_decision(tmp_path: Path, mosquitto: str) -> None:
    """Of two operators who say yes at once one is taken; the other is told that the proposal has ended or goes on."""
    async with scene(tmp_path, mosquitto) as at:
        ben = Web(at.web.port)
        assert (await ben.sign_in("op-ben", OTHER_PIN)).status == 200
        first = await at.web.post("/api/decide", at.decision("d-1"))
        second = await ben.post("/api/decide", at.decision("d-2"))
        assert first.data["accepted"]
        assert not second.data["accepted"]
        assert second.data["errors"][0]["field"] == "proposal_id"
        assert (await at.obey())["operator"] == "op-anna"
    assert len(at.shop.events(CommandReleased)) == 1


async def test_the_same_decision_twice(tmp_path: Path, mosquitto: str) -> None:
    """A decision that is sent twice under one id is answered twice and moves once."""
    async with scene(tmp_path, mosquitto) as at:
        replies = [await at.web.post("/api/decide", at.decision()) for _ in range(2)]
        assert [reply.data["accepted"] for reply in replies] == [True, True]
        await at.obey()
    assert len(at.shop.events(CommandReleased)) == 1


@pytest.mark.parametrize("body", [b"", b"[]", b"{", b'{"a":1,"a":2}', b'{"decision_id":NaN}', b"\xff"])
async def test_what_is_no_decision(tmp_path: Path, mosquitto: str, body: bytes) -> None:
    """What is no JSON object of the contract's form is refused at once with the reason."""
    shop = page_shop(tmp_path, mosquitto, f"page-{next(_numbers)}")
    async with paged(shop) as (_, web):
        await web.sign_in()
        for path in ("decide", "request", "judge"):
            reply = await web.post(f"/api/{path}", body)
            assert reply.status == 400, path
            assert reply.data["errors"]


async def test_reject_hold_and_release(tmp_path: Path, mosquitto: str) -> None:
    """A rejection with its reason ends the proposal; on hold nothing stands; a release ends the hold."""
    async with scene(tmp_path, mosquitto) as at:
        told = {**at.decision(verdict="reject", reason="paper changed"), "shown": None}
        assert (await at.web.post("/api/decide", told)).data["accepted"]
        assert (await at.heard.next("outcome"))["result"] == "rejected"
        assert (await at.web.ask("hold", "r-1")).data["accepted"]
        async with streamed(at.web) as stream:
            assert (await event(stream, "status"))["state"] == "holding"
            assert (await event(stream, "now"))["holding"] is not None
        assert (await at.web.ask("release", "r-2")).data["accepted"]
    reasons = [json.loads(one.raw).get("reason") for one in at.shop.events(Received) if one.via is Via.PAGE]
    assert "paper changed" in reasons


async def test_the_chart_of_a_zone(tmp_path: Path, mosquitto: str) -> None:
    """The run of a zone holds every scan with aim and tolerance, and after a restart it is there again."""
    async with scene(tmp_path, mosquitto) as at:
        zone = at.proposal["moves"][0]["zone"]
        assert (await at.web.post("/api/decide", at.decision())).data["accepted"]
        await at.obey()
        chart = (await at.web.get(f"/api/chart/{UNIT}/{zone}")).data
        sheets = [data["sheet"] for data in at.heard.all("reading")]
        assert [point["sheet"] for point in chart["points"]] == sheets
        assert chart["points"][-1]["density"] == at.proposal["moves"][0]["measured"]
        assert [move["settled"] for move in chart["moves"]] == [at.proposal["moves"][0]["predicted_settled"]]
    async with paged(at.shop) as (_, web):
        assert (await web.get(f"/api/chart/{UNIT}/{zone}")).data == chart
        async with streamed(web) as stream:
            assert (await event(stream, "reading"))["sheet"] == sheets[-1]
