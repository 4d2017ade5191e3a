"""Decisions over the wire that must not count, or count once: replayed, late, out of order, and two at once."""

import asyncio
import itertools
import json
from pathlib import Path
from typing import Any

import pytest

from inksteward.authority import Key, Operator, Operators, new_key, public_x, sign, thumbprint
from inksteward.authority_file import OperatorsFile, save
from inksteward.events import CommandEnded, CommandReleased, Ended
from tests.service.bench import ANNA_PUBLIC, Shop, decision, serving, set_up_shop
from tests.service.floor import Floor
from tests.service.listener import Probe, feed, fence, probe, standing

pytestmark = pytest.mark.broker
_numbers = itertools.count(1)
UNIT = "u2"
BEN = new_key()
BEN_KID = thumbprint(public_x(BEN))
BEN_PUBLIC = Operator("op-ben", "Ben", (Key(BEN_KID, public_x(BEN)),))


def shop_of(folder: Path, url: str, **approval: Any) -> Shop:
    """A press with two operators."""
    shop = set_up_shop(folder, url, f"decide-{next(_numbers)}", approval=approval)
    save(folder / "operators.toml", OperatorsFile(Operators((*ANNA_PUBLIC.all, BEN_PUBLIC))))
    return shop


def by_ben(proposal: dict[str, Any], number: str, **changes: Any) -> dict[str, Any]:
    """Ben's signed decision."""
    payload = decision(proposal, number, operator="op-ben", **changes)
    del payload["signature"]
    return {**payload, "signature": sign(payload, BEN, BEN_KID)}


async def answers(heard: Probe, number: str, count: int = 1) -> list[bool]:
    """Whether what bore this id was accepted, each time that it was answered; waits for so many answers."""

    def found() -> list[bool]:
        return [one["accepted"] for one in heard.all("answer") if one["id"] == number]

    await heard.until(lambda: len(found()) >= count)
    return found()


async def obey(heard: Probe, floor: Floor, command: dict[str, Any]) -> dict[str, Any]:
    """Drive the keys to their targets and tell where they are; the outcome."""
    targets = {row["zone"]: row["to_pct"] for row in command["targets"]}
    floor.press.drive(UNIT, targets, command["sweep_pct"])
    floor.press.step(100)
    floor.position(UNIT)
    position = {**json.loads(floor.said.pop()[1]), "command_id": command["command_id"]}
    await heard.say(f"keys/{UNIT}/position", position, retain=True)

    def ended() -> dict[str, Any] | None:
        outcomes = heard.all("outcome")
        return next((one for one in outcomes if one["proposal_id"] == command["proposal_id"]), None)

    outcome: dict[str, Any] = await heard.until(ended)
    return outcome


def commands(heard: Probe) -> list[dict[str, Any]]:
    return heard.all(f"keys/{UNIT}/command")


async def test_the_same_bytes_never_move_keys_again(mosquitto: str, tmp_path: Path) -> None:
    """An approval that moved keys is answered as before when its bytes come again, at once and after a restart, and
    moves nothing; under another decision id, or on another proposal, the old signature counts for nothing.
    """
    shop = shop_of(tmp_path, mosquitto)
    floor = Floor(shop.scenario)
    async with probe(shop) as heard:
        async with serving(shop.options()):
            await heard.online()
            proposal = await standing(heard, floor)
            await feed(heard, floor, 1)
            approval = decision(proposal)
            await heard.say("decision", approval)
            outcome = await obey(heard, floor, await heard.next(f"keys/{UNIT}/command"))
            await heard.say("decision", approval)
            await heard.say("decision", {**approval, "decision_id": "d-other"})
            assert await answers(heard, "d-1", 2) == [True, True]
            assert await answers(heard, "d-other") == [False]
        async with serving(shop.options()):
            await heard.online(2)
            await heard.say("decision", approval)
            assert await answers(heard, "d-1", 3) == [True, True, True]
            for number in range(10, 16):
                await feed(heard, floor)
                await heard.say("scan", floor.scanned(f"s-{number}"))
                await heard.answer(f"s-{number}")
            await fence(heard)
    assert (outcome["result"], outcome["decision_id"]) == ("moved", "d-1")
    assert len(commands(heard)) == len(shop.events(CommandReleased)) == 1
    assert [event.ended for event in shop.events(CommandEnded)] == [Ended.DONE]


async def test_an_old_signature_on_a_new_proposal(mosquitto: str, tmp_path: Path) -> None:
    """A decision comes before the proposal that it names is there: it is refused, and its bytes still are when a
    proposal stands; with that one's id and digest filled in by somebody else they are a forgery. The proposal stands,
    and its own approval moves it.
    """
    shop = shop_of(tmp_path, mosquitto)
    floor = Floor(shop.scenario)
    early = decision({"proposal_id": "p-to-come", "digest": "sha256:" + "0" * 64}, "d-early")
    async with probe(shop) as heard, serving(shop.options()):
        await heard.online()
        await heard.say("decision", early)
        assert await answers(heard, "d-early") == [False]
        proposal = await standing(heard, floor)
        names = {name: proposal[name] for name in ("proposal_id", "digest")}
        for number, payload in (
            ("d-early", early),
            ("d-filled", {**early, **names, "decision_id": "d-filled"}),
        ):
            await heard.say("decision", payload)
            await answers(heard, number, 2 if number == "d-early" else 1)
        assert not shop.events(CommandReleased)
        await feed(heard, floor, 1)
        await heard.say("decision", decision(proposal, "d-right"))
        await obey(heard, floor, await heard.next(f"keys/{UNIT}/command"))
        assert await answers(heard, "d-early") == [False, False]
        assert await answers(heard, "d-filled") == [False]
    assert [outcome["decision_id"] for outcome in heard.all("outcome")] == ["d-right"]
    assert len(shop.events(CommandReleased)) == 1


async def test_a_decision_on_what_was_replaced(mosquitto: str, tmp_path: Path) -> None:
    """A decision that comes after the next scan has replaced its proposal is refused and told what stands; a decision
    on that one moves keys, once.
    """
    shop = shop_of(tmp_path, mosquitto, min_standing_s=0)
    floor = Floor(shop.scenario)
    async with probe(shop) as heard, serving(shop.options()):
        await heard.online()
        shown = [first := await standing(heard, floor)]
        for number in range(10, 16):
            floor.press.unit(UNIT).disturbance.feed(0.3)
            await feed(heard, floor)
            await heard.say("scan", floor.scanned(f"s-{number}"))
            await heard.answer(f"s-{number}")
            await fence(heard)
            if len(shown := heard.all(f"proposal/{UNIT}")) > 1:
                break
        second = shown[-1]
        assert second["replaces"] == shown[-2]["proposal_id"]
        await heard.say("decision", decision(first, "d-first"))
        await heard.say("decision", decision(second, "d-second"))
        outcome = await obey(heard, floor, await heard.next(f"keys/{UNIT}/command"))
        refused, accepted = await heard.answer("d-first"), await heard.answer("d-second")
    assert (refused["accepted"], refused["stands"], accepted["accepted"]) == (False, False, True)
    assert second["proposal_id"] in refused["errors"][0]["expected"]
    assert (outcome["result"], outcome["proposal_id"]) == ("moved", second["proposal_id"])
    assert len(commands(heard)) == len(shop.events(CommandReleased)) == 1


async def test_a_decision_that_comes_too_late(mosquitto: str, tmp_path: Path) -> None:
    """When the press has printed past the sheet at which a proposal expires, it has lapsed with one outcome, and its
    approval, signed in time or not, moves nothing.
    """
    shop = shop_of(tmp_path, mosquitto, expires_sheets=10)
    floor = Floor(shop.scenario)
    async with probe(shop) as heard, serving(shop.options()):
        await heard.online()
        proposal = await standing(heard, floor)
        approval = decision(proposal)
        await feed(heard, floor, 60)
        await heard.next("outcome")
        await heard.say("decision", approval)
        assert await answers(heard, "d-1") == [False]
        await fence(heard)
    (outcome,) = heard.all("outcome")
    assert (outcome["result"], outcome["code"], outcome["moved"]) == ("lapsed", "expired", [])
    assert not commands(heard)
    assert not shop.events(CommandReleased)


def differing(proposal: dict[str, Any], how: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """What Anna and Ben decide: the opposite, or different parts of it."""
    zones = [row["zone"] for row in proposal["moves"]]
    if how == "parts":
        return decision(proposal, "d-anna", leave=zones[:1]), by_ben(proposal, "d-ben", leave=zones[1:])
    return decision(proposal, "d-anna"), by_ben(proposal, "d-ben", verdict="reject")


@pytest.mark.parametrize("ben_first", [False, True])
@pytest.mark.parametrize("how", ["opposite", "parts"])
async def test_two_operators_decide_at_once(
    mosquitto: str, tmp_path: Path, how: str, ben_first: bool
) -> None:
    """Of two different decisions that come over two connections at once exactly one counts: both are told which, there
    is one outcome by the winner, and what moves is what the winner decided, once.
    """
    shop = shop_of(tmp_path, mosquitto)
    floor = Floor(shop.scenario)
    async with probe(shop) as anna, probe(shop, "answer") as ben, serving(shop.options()):
        await anna.online()
        proposal = await standing(anna, floor)
        assert len(proposal["moves"]) > 2
        await feed(anna, floor, 1)
        decisions = differing(proposal, how)
        says = [who.say("decision", what) for who, what in zip((anna, ben), decisions, strict=True)]
        await asyncio.gather(*(says[::-1] if ben_first else says))
        numbers = [what["decision_id"] for what in decisions]
        told = {number: await answers(anna, number) for number in numbers}
        assert told == {number: await answers(ben, number) for number in numbers}
        assert sorted(told.values()) == [[False], [True]]
        (winner,) = (what for what in decisions if told[what["decision_id"]] == [True])
        moves = winner["verdict"] == "approve"
        if moves:
            await obey(anna, floor, await anna.next(f"keys/{UNIT}/command"))
        await anna.next("outcome")
        await fence(anna)
    (outcome,) = anna.all("outcome")
    assert (outcome["decision_id"], outcome["operator"]) == (winner["decision_id"], winner["operator"])
    assert outcome["result"] == ("moved" if moves else "rejected")
    assert len(shop.events(CommandReleased)) == len(commands(anna)) == int(moves)
    wanted = {row["zone"] for row in proposal["moves"]} - set(winner.get("leave", ()))
    assert all({row["zone"] for row in command["targets"]} == wanted for command in commands(anna))
