"""Everybody can use the page: WCAG 2.2 AA as far as axe-core judges it, the keyboard alone, and targets for gloves."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import Page, expect

from tests.page.kit import page_shop, paged
from tests.page.stage import Window, chromium, on_stage, window
from tests.service.bench import scenario

pytestmark = [pytest.mark.broker, pytest.mark.browser]
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
AXE = Path(__file__).parent / "axe/axe.min.js"
LONG = {"expires_s": 300.0}
TARGET_PX = 48
FIELDS = "select:visible, textarea:visible, input:not([type=range]):visible"
BUTTONS = f"button:not(.cell):visible, summary:visible, {FIELDS}"


@cache
def axe() -> str:
    """The checker's source."""
    return AXE.read_text("utf-8")


async def violations(page: Page) -> list[str]:
    """What axe-core finds wrong, each with the first place."""
    await page.evaluate(axe())
    found: dict[str, Any] = await page.evaluate(
        "rules => axe.run(document, {runOnly: {type: 'tag', values: rules}})", RULES
    )
    return [f"{one['id']}: {one['help']}: {one['nodes'][0]['html'][:120]}" for one in found["violations"]]


async def small(page: Page) -> list[str]:
    """Buttons and fields that a glove would miss."""
    found = []
    for each in await page.locator(BUTTONS).all():
        box = await each.bounding_box()
        if box is not None and (box["height"] < TARGET_PX - 0.5 or box["width"] < TARGET_PX - 0.5):
            found.append(f"{await each.inner_text()}: {box['width']:.0f} x {box['height']:.0f}")
    return found


async def judged(seen: Window, where: str) -> list[str]:
    """Both, with the place named."""
    return [f"{where}: {one}" for one in (*await violations(seen.page), *await small(seen.page))]


async def test_what_anybody_sees_is_accessible(tmp_path: Path, mosquitto: str) -> None:
    """Without signing in, before any sheet, with a proposal, and on a phone, axe-core finds no violation of WCAG 2.2
    AA, nor is a target below 48 px. What operators see: test_access_dialogs.py."""
    async with on_stage(tmp_path, mosquitto, "access-1", scenario(), approval=LONG) as (at, seen):
        wrong = await judged(seen, "before any sheet")
        await at.crew.propose()
        at.crew.sheets = 0
        await expect(seen.page.locator(".card")).to_have_count(1)
        wrong += await judged(seen, "signed out")
        async with window(seen.browser, at.web, viewport={"width": 390, "height": 844}) as phone:
            await expect(phone.page.locator(".card")).to_have_count(1)
            wrong += [f"phone: {one}" for one in await violations(phone.page)]
    assert not wrong, "\n".join(wrong)


async def test_by_keyboard_alone(tmp_path: Path, mosquitto: str) -> None:
    """Signing in, opening a zone by arrow keys, closing it and saying yes need no pointer."""
    async with on_stage(tmp_path, mosquitto, "access-2", scenario(), approval=LONG) as (at, seen):
        page = seen.page
        (made,) = await at.crew.propose()
        await expect(page.locator(".card")).to_have_count(1)
        await page.keyboard.press("Tab")
        await page.keyboard.press("Tab")
        await expect(page.locator('[data-key="who"]')).to_be_focused()
        await page.keyboard.press("Enter")
        await page.keyboard.press("Enter")  # the first name has the focus
        await page.keyboard.type("271828")
        await page.keyboard.press("Enter")
        await expect(page.locator("#who")).to_contain_text("Anna")
        await page.locator(".cell[tabindex='0']").focus()
        await page.keyboard.press("ArrowRight")
        await page.keyboard.press("ArrowRight")
        await page.keyboard.press("Enter")
        await expect(page.locator("#zone-title")).to_contain_text("zone 3")
        await page.keyboard.press("Escape")
        for _ in range(300):
            await page.keyboard.press("Tab")
            if await page.evaluate("document.activeElement.dataset.key") == "all":
                break
        await page.wait_for_timeout(700)
        await page.keyboard.press("Enter")
        outcome = await at.heard.next("outcome")
        assert outcome["result"] == "moved"
        assert {row["zone"] for row in outcome["moved"]} == {row["zone"] for row in made["moves"]}


PLANTED = """() => {
    const main = document.querySelector("main");
    const [nameless, pale, tiny] = ["button", "p", "button"].map((tag) => document.createElement(tag));
    pale.textContent = "pale";
    pale.style.color = "#e0d8c8";
    tiny.textContent = "tiny";
    tiny.style.cssText = "min-height:20px;height:20px;min-width:20px;width:20px;padding:0";
    main.append(nameless, pale, tiny);
}"""


async def test_planted_faults_are_found(tmp_path: Path) -> None:
    """A button without a name, pale text and a button of 20 px are each reported by what looks at every screen."""
    shop = page_shop(tmp_path, "mqtt://127.0.0.1:1", "access-3")
    async with paged(shop) as (_, web), chromium() as browser, window(browser, web) as seen:
        await expect(seen.page.locator("#deeds .yes")).to_be_visible()
        assert await judged(seen, "untouched") == []
        await seen.page.evaluate(PLANTED)
        found = "\n".join(await judged(seen, "planted"))
    assert "button-name" in found
    assert "color-contrast" in found
    assert "tiny: 20 x 20" in found
