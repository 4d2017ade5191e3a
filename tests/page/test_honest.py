"""The page says no more than is known: of zones that were not read, of another run, of edits, of a lost connection."""

from __future__ import annotations

import asyncio
import itertools
import json
from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import expect

from inksteward.bench.configuration import job
from inksteward_simulators.scenario import load_scenario
from tests.page.kit import PIN
from tests.page.stage import Stage, chromium, on_stage, stage, window
from tests.service.bench import scenario

pytestmark = [pytest.mark.broker, pytest.mark.browser]
_numbers = itertools.count(1)
LONG = {"expires_s": 300.0}
__all__ = ["chromium", "window"]


def press() -> str:
    """A press of one's own on the shared broker."""
    return f"honest-{next(_numbers)}"


async def part_read(at: Stage) -> dict[str, Any]:
    """A sheet of which black and the right half were missed; the reading."""
    crew = at.crew
    crew.scans += 1
    data = json.loads(crew.floor.scanned(f"s-{crew.scans}"))
    places = sorted(row["x_mm"] for row in data["patches"])
    for row in data["patches"]:
        if row["x_mm"] > places[len(places) // 2] or "K" in row["inks"]:
            row["density"] = None
    before = len(crew.heard.all("reading"))
    await crew.heard.say("scan", data)
    return await crew.heard.next("reading", before + 1)


async def test_zones_that_were_not_read_are_not_in(tmp_path: Path, mosquitto: str) -> None:
    """A sheet that was read in part is told so: the headline counts the zones that were not read, an ink that was not
    read at all is "not read", and nobody says that nothing needs to move.
    """
    async with on_stage(tmp_path, mosquitto, press(), load_scenario("makeready"), approval=LONG) as (
        at,
        seen,
    ):
        await at.crew.print_to(200)
        await at.web.sign_in()
        for unit in ("u1", "u2", "u3", "u4"):
            asked = await at.web.ask("aims", f"r-{unit}", unit=unit, aim=1.2, tolerance=[-0.5, 0.5])
            assert asked.data["accepted"]
        reading = await part_read(at)
        rows = reading["units"].values()
        unread = sum(value is None for row in rows for value in row["density"])
        read = sum(len(row["density"]) for row in rows) - unread
        assert read > 0 < unread
        word, lanes = seen.page.locator("#word"), seen.page.locator(".head .state")
        await expect(word.locator("h2")).to_have_text(f"{read} zones in tolerance; {unread} not read.")
        await expect(word).not_to_contain_text("nothing needs to move")
        await expect(lanes.first).to_have_text("not read")
        missing = sum(value is None for value in reading["units"]["u2"]["density"])
        await expect(lanes.nth(1)).to_have_text(f"{missing} not read")


async def test_another_run_is_not_judged_by_the_last_sheet(tmp_path: Path, mosquitto: str) -> None:
    """With a new run nothing has been read: neither headline nor plan go on with the sheet of the run before."""
    async with on_stage(tmp_path, mosquitto, press(), scenario(), approval=LONG) as (at, seen):
        await at.crew.propose()
        at.crew.over = True
        await at.crew.ended.wait()
        await expect(seen.page.locator("#facts")).to_contain_text("last read on sheet")
        await at.heard.say("job", {**job(at.shop.scenario, "run-2"), "job_id": "job-2"})
        await expect(seen.page.locator("#word h2")).to_have_text("No sheet has been read in this run.")
        await expect(seen.page.locator(".head .state")).to_have_text(["not read"])
        await expect(seen.page.locator("#facts")).not_to_contain_text("last read")


async def test_an_edit_has_no_forecast(tmp_path: Path, mosquitto: str) -> None:
    """A move with a target of one's own is told with that target and without a forecast, in its dialog, its cell and
    the headline; the focus is back at its line when the dialog is closed.
    """
    async with on_stage(tmp_path, mosquitto, press(), scenario(), approval=LONG) as (at, seen):
        page = seen.page
        (made,) = await at.crew.propose()
        at.crew.sheets = 0
        await seen.sign_in()
        move = max(made["moves"], key=lambda row: abs(row["measured"] - row["aim"]))
        own = f"{move['from_pct'] + 0.9 * (move['to_pct'] - move['from_pct']):.1f}"
        await page.locator(f'.line[data-zone="{move["zone"]}"]').get_by_role("button", name="Change").click()
        await page.get_by_label("Target in percent").fill(own)
        await page.get_by_label("Target in percent").press("Enter")
        await page.get_by_role("button", name="Use this target").click()
        told = f"key {move['from_pct']:.1f} to {own} % as edited here, no forecast"
        await expect(page.locator("#zone-head > p").first).to_contain_text(told)
        await expect(page.locator("#word")).to_contain_text("1 edited move without a forecast")
        await expect(page.locator("#word")).to_contain_text(f"{move['from_pct']:.1f} → {own} %")
        await page.keyboard.press("Escape")
        await expect(page.locator(f'[data-key="change-u2-{move["zone"]}"]')).to_be_focused()


async def test_an_open_zone_follows_its_key(tmp_path: Path, mosquitto: str) -> None:
    """A key that is moved at the press moves in the dialog that is open as well."""
    async with on_stage(tmp_path, mosquitto, press(), scenario(), approval=LONG) as (at, seen):
        await at.crew.print_to(100)
        await at.crew.pull()
        await at.web.sign_in()
        assert (await at.web.ask("hold", "r-1")).data["accepted"]
        await seen.page.locator('.cell[data-zone="5"]').first.click()
        at.crew.floor.press.drive("u2", {5: 70.0}, None)
        await expect(seen.page.locator("#zone-head > p").nth(1)).to_contain_text("Key at 70.0 %")


async def test_typed_aims_outlive_signing_in(tmp_path: Path, mosquitto: str) -> None:
    """Aims that were typed before signing in are still there afterwards."""
    async with on_stage(tmp_path, mosquitto, press(), scenario(), approval=LONG) as (at, seen):
        page = seen.page
        await at.crew.print_to(100)
        await at.crew.pull()
        await page.get_by_role("button", name="More…").click()
        await page.locator("#aim-fold").focus()
        await page.keyboard.press("Enter")
        await page.get_by_label("Aim of zone 2 in D", exact=True).fill("1.33")
        await page.get_by_role("button", name="Set zone by zone").click()
        await page.get_by_role("button", name="Anna", exact=True).click()
        await page.get_by_label("PIN").fill(PIN)
        await page.get_by_label("PIN").press("Enter")
        await expect(page.locator("#who")).to_contain_text("Anna")
        await expect(page.locator("#aim-own")).to_have_text("Typed, not yet set: zone 2")
        await expect(page.get_by_label("Aim of zone 2 in D", exact=True)).to_have_value("1.33")


async def test_a_counter_that_was_refused_wipes_nothing(tmp_path: Path, mosquitto: str) -> None:
    """The counter of another run, which the core refuses, changes neither charts nor waste, now or after a restart."""
    async with on_stage(tmp_path, mosquitto, press(), scenario(), approval=LONG) as (at, _):
        await at.crew.print_to(100)
        await at.crew.pull()
        before = (await at.web.get("/api/chart/u2/5")).data["points"]
        counter = {"speed_sph": 9000, "printing": True, "fountain_turning": True}
        await at.heard.say("counter", {"run_id": "run-other", "sheet": 5, **counter})
        await at.crew.print_to(at.crew.floor.press.sheet + 40)
        page = at.service.page
        assert page is not None
        assert (await at.web.get("/api/chart/u2/5")).data["points"] == before
        assert page.board.chronicle.run_id != "run-other"
        waste = page.board.chronicle.waste
        again = type(page.board.chronicle)()
        await asyncio.to_thread(again.restore, at.service.record._journal.path)
        assert again.run_id == page.board.chronicle.run_id
        assert again.waste["unread"] == waste["unread"]


async def test_a_lost_connection_lies_on_top(tmp_path: Path, mosquitto: str) -> None:
    """Whatever dialogs lie over each other, the word that the connection is lost is in reach, and signing in is off."""
    async with (
        chromium() as browser,
        stage(tmp_path, mosquitto, press(), scenario(), approval=LONG) as at,
        window(browser, at.web) as seen,
    ):
        page = seen.page
        await at.crew.propose()
        await page.get_by_role("button", name="More…").click()
        await page.get_by_role("button", name="Washed").click()
        await page.get_by_role("button", name="Anna", exact=True).click()
        at.service.stop.set()
        await expect(page.locator("#door #lost")).to_be_visible()
        await expect(page.locator("#door .yes")).to_be_disabled()
        seen.wrong.clear()
