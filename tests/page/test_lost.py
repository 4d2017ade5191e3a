"""A page that is cut off says so, and comes back by itself."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from playwright.async_api import expect

from inksteward.service.page import watching
from tests.page.kit import paged
from tests.page.stage import Window, chromium, on_stage, stage
from tests.service.bench import scenario
from tests.service.processes import broker_process

pytestmark = [pytest.mark.broker, pytest.mark.browser]
LONG = {"expires_s": 120.0}


async def test_the_service_lost_and_back(tmp_path: Path, mosquitto: str) -> None:
    """When the service goes the page says so within seconds, in words, and every button that does something is off;
    when it comes back the page shows it anew by itself, signed out.
    """
    async with chromium() as browser:
        async with stage(tmp_path, mosquitto, "lost-1", scenario(), approval=LONG) as at:
            context = await browser.new_context(viewport={"width": 1280, "height": 800})
            seen = Window(await context.new_page(), browser)
            await seen.page.goto(at.web.origin)
            await at.crew.propose()
            await seen.sign_in()
            await expect(seen.all_yes).to_be_enabled()
            began = time.monotonic()
            at.service.stop.set()
            await expect(seen.page.locator("#lost")).to_contain_text("NO CONNECTION since")
            assert time.monotonic() - began < 5.0
            for button in await seen.page.locator(".deed").all():
                assert await button.is_disabled()
        async with paged(at.shop):
            await expect(seen.page.locator("#lost")).to_be_hidden()
            await expect(seen.page.locator("#who")).to_contain_text("Sign in")
            await expect(seen.page.locator("#facts")).to_contain_text("sheet")
        await context.close()


async def test_a_line_that_goes_silent(
    tmp_path: Path, mosquitto: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A connection that stays open but says nothing any more counts as lost after a few seconds as well."""
    async with on_stage(tmp_path, mosquitto, "lost-2", scenario(), approval=LONG) as (at, seen):
        await expect(seen.page.locator("#facts")).to_contain_text("sheet")
        monkeypatch.setattr(watching, "BEAT_S", 30.0)
        assert at.service.page is not None
        monkeypatch.setattr(at.service.page.board, "news", lambda _: iter(()))
        await expect(seen.page.locator("#lost")).to_contain_text("Nothing was heard from the service.")
        seen.wrong.clear()


async def test_a_line_lost_while_a_dialog_is_open(tmp_path: Path, mosquitto: str) -> None:
    """With a dialog open, or opened afterwards, the loss is told across the top of the dialog, in sight; its buttons
    that do something are off.
    """
    async with chromium() as browser:
        async with stage(tmp_path, mosquitto, "lost-3", scenario(), approval=LONG) as at:
            context = await browser.new_context(viewport={"width": 390, "height": 844})
            seen = Window(await context.new_page(), browser)
            await seen.page.goto(at.web.origin)
            await at.crew.propose()
            await seen.page.get_by_role("button", name="More…").click()
            at.service.stop.set()
            await expect(seen.page.locator("#book > #lost")).to_be_in_viewport(ratio=1.0)
            await expect(seen.page.locator("#book > #lost")).to_contain_text("NO CONNECTION since")
            await expect(seen.page.get_by_role("button", name="Set for every zone")).to_be_disabled()
            await seen.page.keyboard.press("Escape")
            await expect(seen.page.locator("body > #lost")).to_be_in_viewport(ratio=1.0)
            await seen.page.locator(".line[data-zone]").first.get_by_role("button", name="Change").click()
            await expect(seen.page.locator("#zone > #lost")).to_be_in_viewport(ratio=1.0)
        await context.close()


async def test_the_broker_lost_and_back(tmp_path: Path) -> None:
    """Without the broker the page still stands, tells of it in an alarm, and what stood has lapsed; with the broker
    back the alarm goes and the next sheet brings a new proposal.
    """
    with broker_process(tmp_path / "broker") as broker:
        shop = tmp_path / "shop"
        async with on_stage(shop, broker.url, "screen-lost", scenario(), approval=LONG) as (at, seen):
            await at.crew.propose()
            await expect(seen.page.locator(".card")).to_have_count(1)
            at.crew.over = True
            broker.kill()
            await expect(seen.page.locator("#alarms")).to_contain_text("link down: broker")
            await expect(seen.page.locator(".card")).to_have_count(0)
            broker.start()
            await expect(seen.page.locator("#alarms")).not_to_contain_text("broker")
