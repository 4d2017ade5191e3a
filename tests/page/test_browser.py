"""An operator at the page, in a real browser, before a live press: what clicks do, and what the page shows."""

from __future__ import annotations

import itertools
import json
from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import Page, expect

from inksteward.events import CommandReleased, InputDropped, Received, Via
from inksteward_simulators.scenario import load_scenario
from tests.page.kit import OTHER_PIN
from tests.page.stage import Stage, on_stage, window
from tests.service.bench import scenario

pytestmark = [pytest.mark.broker, pytest.mark.browser]
_numbers = itertools.count(1)
LONG = {"expires_s": 120.0}


def press() -> str:
    """A press of one's own on the shared broker."""
    return f"screen-{next(_numbers)}"


def outcomes(at: Stage) -> list[dict[str, Any]]:
    return at.heard.all("outcome")


async def ended(at: Stage, count: int) -> list[dict[str, Any]]:
    """So many outcomes."""
    await at.heard.until(lambda: len(outcomes(at)) >= count, 30.0)
    return outcomes(at)


def asked(at: Stage, topic: str) -> list[dict[str, Any]]:
    """What the page brought to the core, as the journal has it."""
    return [
        json.loads(one.raw) for one in at.shop.events(Received) if one.via is Via.PAGE and one.topic == topic
    ]


async def readied(page: Page) -> None:
    """Wait until what has just appeared may be decided on."""
    await page.wait_for_timeout(700)


async def test_a_yes_to_everything_by_clicks(tmp_path: Path, mosquitto: str) -> None:
    """From a poor opening to the OK sheet by clicks alone: the page tells how many zones are out, a yes moves the keys
    of every ink as displayed, the record names operator and page, and the OK sheet begins the run.
    """
    async with on_stage(tmp_path, mosquitto, press(), approval=LONG) as (at, seen):
        page = seen.page
        await expect(page.locator("#word h2")).to_have_text("No sheet has been read in this run.")
        made = await at.crew.propose()
        await expect(page.locator("#word h2")).to_contain_text("zones are out")
        await expect(page.locator(".card")).to_have_count(len(made))
        await seen.sign_in()
        await readied(page)
        await seen.all_yes.click()
        found = await ended(at, len(made))
        assert {row["result"] for row in found} == {"moved"}
        assert {(row["operator"], row["via"]) for row in found} == {("op-anna", "page")}
        wanted = {one["proposal_id"]: {row["zone"]: row["to_pct"] for row in one["moves"]} for one in made}
        moved = {row["proposal_id"]: {key["zone"]: key["to_pct"] for key in row["moved"]} for row in found}
        assert moved == wanted
        await page.get_by_role("button", name="More…").click()
        await expect(page.locator("#book li").first).to_contain_text("by op-anna, at this page")
        await page.locator("#book").get_by_role("button", name="Close").click()
        for _ in range(6):
            await at.crew.print_to(at.crew.floor.press.sheet + 150)
            reading = await at.crew.pull()
            if all(all(row["in_tolerance"]) for row in reading["units"].values()):
                break
            await readied(page)
            if await seen.all_yes.is_enabled():
                await seen.all_yes.click()
        await expect(page.locator("#word h2")).to_contain_text("are in tolerance")
        await page.get_by_role("button", name="OK sheet…").click()
        await page.get_by_role("button", name="Yes, this is the OK sheet").click()
        await expect(page.locator("#facts")).to_contain_text("running on the OK sheet")
    shown = [row["shown"]["targets"] for row in asked(at, "decision")[: len(made)]]
    assert sorted(len(row) for row in shown) == sorted(len(one["moves"]) for one in made)


async def test_a_slow_finger(tmp_path: Path, mosquitto: str) -> None:
    """A finger that rests on a button for three seconds, while counter, keys and time go on, still presses it."""
    async with on_stage(tmp_path, mosquitto, press(), scenario(), approval=LONG) as (at, seen):
        await at.crew.propose()
        await seen.sign_in()
        for button in (seen.page.locator(".card .yes"), seen.all_yes):
            await button.hover()
            marked = await button.element_handle()
            assert marked is not None
            await seen.page.wait_for_timeout(1500)
            assert await marked.evaluate("node => node.isConnected")
        await seen.page.mouse.down()
        await seen.page.wait_for_timeout(3000)
        await seen.page.mouse.up()
        (outcome,) = await ended(at, 1)
        assert outcome["result"] == "moved"


async def test_a_part_of_it(tmp_path: Path, mosquitto: str) -> None:
    """A move that is left out by a click stays where it is, the others of its unit move; other units stay standing."""
    whole = load_scenario("makeready")
    two = whole.model_copy(update={"units": whole.units[:2]})
    async with on_stage(tmp_path, mosquitto, press(), two, approval=LONG) as (at, seen):
        made = await at.crew.propose()
        await seen.sign_in()
        card = seen.page.locator(".card").first
        unit = await card.get_attribute("data-unit")
        proposal = next(one for one in made if one["unit"] == unit)
        line = card.locator(".line[data-zone]").first
        zone = int(await line.get_attribute("data-zone") or 0)
        await line.get_by_role("button", name=f"Leave out zone {zone}", exact=True).click()
        await expect(line).to_have_class("line left")
        await readied(seen.page)
        await card.locator(".yes").click()
        (outcome,) = await ended(at, 1)
    assert outcome["unit"] == unit
    assert {row["zone"] for row in outcome["moved"]} == {row["zone"] for row in proposal["moves"]} - {zone}
    (decision,) = asked(at, "decision")
    assert decision["leave"] == [zone]
    assert len(at.shop.events(CommandReleased)) == 1


async def test_an_edit_that_the_interlock_refuses(tmp_path: Path, mosquitto: str) -> None:
    """A target below the minimum gap is refused while it is typed, with the gap and the interlock's reason, and cannot
    be used; one that is permitted can, and moves as typed.
    """
    async with on_stage(tmp_path, mosquitto, press(), scenario(), approval=LONG) as (at, seen):
        (made,) = await at.crew.propose()
        await seen.sign_in()
        move = max(made["moves"], key=lambda row: abs(row["to_pct"] - row["from_pct"]))
        line = seen.page.locator(f'.line[data-zone="{move["zone"]}"]')
        if not await line.is_visible():
            await seen.page.locator(".more > summary").click()
        await line.get_by_role("button", name="Change").click()
        box, verdict = seen.page.get_by_label("Target in percent"), seen.page.locator("#zone section p")
        await box.fill("0")
        await box.press("Enter")
        await expect(verdict).to_contain_text("Refused")
        await expect(verdict).to_contain_text("um, least permitted are")
        await expect(seen.page.get_by_role("button", name="Use this target")).to_be_disabled()
        own = round((move["from_pct"] + move["to_pct"]) / 2, 1)
        await box.fill(str(own))
        await box.press("Enter")
        await expect(verdict).to_contain_text("Permitted by limits and interlock")
        await seen.page.get_by_role("button", name="Use this target").click()
        await seen.page.locator("#zone").get_by_role("button", name="Close").click()
        await expect(line).to_contain_text("your own target")
        await readied(seen.page)
        await seen.all_yes.click()
        (outcome,) = await ended(at, 1)
    assert {row["zone"]: row["to_pct"] for row in outcome["moved"]}[move["zone"]] == own
    (decision,) = asked(at, "decision")  # what was only judged is in no journal
    assert decision["change"] == [{"zone": move["zone"], "to_pct": own}]


async def test_what_is_being_typed_stays(tmp_path: Path, mosquitto: str) -> None:
    """A sheet that is read while a target is typed draws the zone anew around the box; the digits in it stay, and
    an empty box asks the service nothing and says so.
    """
    async with on_stage(tmp_path, mosquitto, press(), scenario(), approval=LONG) as (at, seen):
        (made,) = await at.crew.propose()
        await seen.sign_in()
        line = seen.page.locator(f'.line[data-zone="{made["moves"][0]["zone"]}"]')
        if not await line.is_visible():
            await seen.page.locator(".more > summary").click()
        await line.get_by_role("button", name="Change").click()
        box, verdict = seen.page.get_by_label("Target in percent"), seen.page.locator("#zone section p")
        await expect(seen.page.locator("#zone-run .chart")).to_be_visible()
        await box.fill("")
        await box.press_sequentially("1")
        before = await seen.page.locator("#zone-run").inner_html()
        await at.crew.pull()
        await expect(seen.page.locator("#zone-run")).not_to_have_text("…")
        await seen.page.wait_for_function(
            "before => document.getElementById('zone-run').innerHTML !== before", arg=before
        )
        await box.press_sequentially("00")
        assert await box.input_value() == "100"
        judged: list[str] = []
        seen.page.on(
            "request", lambda request: judged.append(request.url) if "judge" in request.url else None
        )
        await box.fill("")
        await box.press("Enter")
        await expect(verdict).to_have_text("nothing: expected a figure from 0 to 100 %")
        assert judged == []
        assert await seen.page.evaluate("document.activeElement.dataset.key") == "number"


async def test_a_proposal_that_expires_under_the_eyes(tmp_path: Path, mosquitto: str) -> None:
    """When its time is over a proposal goes away by itself, its buttons with it, and the record says why."""
    approval = {"expires_s": 10.0, "min_standing_s": 5.0, "expected_s": 5.0}
    async with on_stage(tmp_path, mosquitto, press(), scenario(), approval=approval) as (at, seen):
        await at.crew.propose()
        await seen.sign_in()
        await expect(seen.page.locator(".card .life")).to_contain_text("s more")
        await expect(seen.all_yes).to_be_enabled()
        await expect(seen.page.locator(".card")).to_have_count(0)
        await expect(seen.all_yes).to_be_disabled()
        await expect(seen.all_yes).to_have_text("Nothing to decide")
        (outcome,) = await ended(at, 1)
        assert (outcome["result"], outcome["code"]) == ("lapsed", "expired")
        await seen.page.get_by_role("button", name="More…").click()
        await expect(seen.page.locator("#book")).to_contain_text("nobody decided in time")
    assert at.shop.events(CommandReleased) == []


async def test_two_browsers_at_once(tmp_path: Path, mosquitto: str) -> None:
    """What one operator decides the other sees at once; one who turns down a proposal says why, and nothing moves."""
    async with (
        on_stage(tmp_path, mosquitto, press(), scenario(), approval=LONG) as (at, anna),
        window(anna.browser, at.web) as ben,
    ):
        await at.crew.propose()
        await anna.sign_in()
        await ben.sign_in("Ben", OTHER_PIN)
        await expect(ben.page.locator(".card")).to_have_count(1)
        await anna.page.get_by_label("No to", exact=False).first.click()
        await anna.page.get_by_role("button", name="Wait for the next sheet").click()
        await expect(ben.page.locator(".card")).to_have_count(0)
        await expect(ben.all_yes).to_be_disabled()
        await ben.page.get_by_role("button", name="Hold", exact=True).click()
        await expect(anna.page.locator("#facts")).to_contain_text("ON HOLD")
        (outcome,) = await ended(at, 1)
    assert (outcome["result"], outcome["operator"]) == ("rejected", "op-anna")
    assert asked(at, "decision")[0]["reason"] == "Wait for the next sheet"
    assert at.shop.events(CommandReleased) == []


async def test_the_rest_by_clicks(tmp_path: Path, mosquitto: str) -> None:
    """Acknowledging, events, aims, a hand reading, hold and release (asked twice) reach the core as signed-in Anna's
    requests, with exactly what was entered, and are accepted.
    """
    async with on_stage(tmp_path, mosquitto, press(), scenario(), approval=LONG) as (at, seen):
        page = seen.page
        await at.crew.print_to(100)
        await at.crew.pull()
        await seen.sign_in()
        await at.service.consumer.submit(InputDropped("scan", 3, ("00",)))
        await expect(page.locator("#alarms")).to_contain_text("input dropped")
        await page.get_by_role("button", name="I have seen to it").click()
        await expect(page.locator("#alarms")).to_be_empty()
        await page.get_by_role("button", name="More…").click()
        await page.get_by_role("button", name="Washed").click()
        await expect(page.locator("#say")).to_contain_text("Washed: noted")
        await page.get_by_label("Aim in D").fill("1.50")
        await page.get_by_label("Tolerance in D").fill("0.08")
        await page.wait_for_timeout(1500)  # what is typed stays while the counter goes on
        await page.get_by_role("button", name="Set for every zone").click()
        await expect(page.locator("#say")).to_contain_text("Aims set")
        await page.get_by_label("Zone", exact=True).fill("5")
        await page.get_by_label("Density in D").fill("9")
        await page.get_by_role("button", name="Enter").click()
        await expect(page.locator("#say")).to_contain_text("Not done")
        seen.wrong.clear()  # the refusal, as the browser tells it
        await page.locator("#book").get_by_role("button", name="Close").click()
        await page.get_by_role("button", name="Hold", exact=True).click()
        await expect(page.locator("#facts")).to_contain_text("ON HOLD")
        await page.get_by_role("button", name="Release").click()
        await page.locator("#sure").get_by_role("button", name="Release").click()
        await expect(page.locator("#facts")).not_to_contain_text("ON HOLD")
    requests = asked(at, "request")
    assert [row["kind"] for row in requests] == ["acknowledge", "event", "aims", "hold", "release"]
    assert requests[0]["code"] == "input_dropped"
    assert requests[1]["what"] == "wash"
    assert (requests[2]["unit"], requests[2]["aim"], requests[2]["tolerance"]) == ("u2", 1.5, [-0.08, 0.08])
    assert {row["operator"] for row in requests} == {"op-anna"}


async def test_looking_needs_no_name_deciding_does(tmp_path: Path, mosquitto: str) -> None:
    """Anyone sees everything; a click on yes without being signed in asks who it is, and decides nothing."""
    async with on_stage(tmp_path, mosquitto, press(), scenario(), approval=LONG) as (at, seen):
        await at.crew.propose()
        await expect(seen.all_yes).to_contain_text("Sign in to say yes")
        await readied(seen.page)
        await seen.all_yes.click()
        await expect(seen.page.locator("#door")).to_contain_text("Who are you?")
        await seen.page.get_by_role("button", name="Anna").click()
        await seen.page.get_by_label("PIN").fill("000000")
        seen.wrong.clear()
        await seen.page.get_by_label("PIN").press("Enter")
        await expect(seen.page.locator("#door [role=alert]")).to_have_text("name or PIN wrong")
        assert all("403" in line for line in seen.wrong)
        seen.wrong.clear()
    assert asked(at, "decision") == []
