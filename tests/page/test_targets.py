"""Targets that a finger finds: on a phone and on a touch panel, measured in a real browser on every screen."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.async_api import Page, expect

from tests.page.kit import page_shop, paged
from tests.page.screens import screens
from tests.page.stage import chromium, stage, window
from tests.page.test_access import LONG
from tests.service.bench import scenario

pytestmark = [pytest.mark.broker, pytest.mark.browser]
PHONE, PANEL = {"width": 390, "height": 844}, {"width": 1280, "height": 800}
LEAST_PX, DEED_PX = 24, 44
MEASURE = """([least, deed]) => {
    const top = [...document.querySelectorAll("dialog[open]")].at(-1) ?? document.body;
    const kinds = "a[href], button, input, select, textarea, summary, [tabindex='0']";
    const nodes = [...top.querySelectorAll(kinds)].filter((node) => node.checkVisibility({visibilityProperty: true}));
    const measured = nodes.map((node) => ({node, box: node.getBoundingClientRect()}));
    const targets = measured.filter(({box}) => box.width && box.height);
    const small = ({box}) => Math.min(box.width, box.height) < least - 0.01;
    const middle = ({box}) => [box.x + box.width / 2, box.y + box.height / 2];
    const apart = (one, other) => {
        const [x, y] = middle(one), [ox, oy] = middle(other), {left, right, top, bottom} = other.box;
        const away = Math.hypot(x - Math.max(left, Math.min(x, right)), y - Math.max(top, Math.min(y, bottom)));
        return away >= least / 2 && (!small(other) || Math.hypot(x - ox, y - oy) >= least);
    };
    const size = ({box}) => `${box.width.toFixed(0)} x ${box.height.toFixed(0)}`;
    const name = (one) => `${one.node.getAttribute("aria-label") ?? one.node.innerText}: ${size(one)}`;
    const near = targets.filter((one) => small(one) && !targets.every((other) => one === other || apart(one, other)));
    const deeds = targets.filter(({node}) => node.matches(".deed, .card .yes, #deeds button"));
    const low = deeds.filter(({box}) => box.height < deed - 0.01);
    const wide = [document.documentElement, top].filter((node) => node.scrollWidth > node.clientWidth + 1);
    return [near.map((one) => `small ${name(one)}`), low.map((one) => `low deed ${name(one)}`),
            wide.map((node) => `wider than the screen: ${node.scrollWidth} > ${node.clientWidth}`), targets.length];
}"""


async def faults(page: Page) -> list[str]:
    """Targets below 24 px without the room that WCAG 2.5.8 asks for, deeds below 44 px, and what is too wide."""
    near, low, wide, count = await page.evaluate(MEASURE, [LEAST_PX, DEED_PX])
    assert count > 0
    found: list[str] = [*near, *low, *wide]
    return found


@pytest.mark.parametrize(("number", "size"), [(1, PHONE), (2, PANEL)], ids=["phone", "panel"])
async def test_targets_on_every_screen(
    tmp_path: Path, mosquitto: str, number: int, size: dict[str, int]
) -> None:
    """On every screen of a phone and of a touch panel each target has 24 px or the room for them, each deed is at least
    44 px high, and nothing but the plan of the sheet has to be moved sideways.
    """
    wrong: list[str] = []
    async with (
        stage(tmp_path, mosquitto, f"targets-{number}", scenario(), approval=LONG) as at,
        chromium() as browser,
        window(browser, at.web, viewport=size, has_touch=True) as seen,
    ):
        await at.crew.propose()
        at.crew.sheets = 0
        async for name in screens(at, seen):
            wrong += [f"{name}: {one}" for one in await faults(seen.page)]
    assert wrong == []


PLANTED = """() => {
    const make = (left, top, size, deed) => {
        const made = document.createElement("button");
        made.textContent = `${left}`;
        made.className = deed ? "deed" : "";
        made.style.cssText = `position:fixed;left:${left}px;top:${top}px;padding:0;min-width:0;min-height:0;`
            + `width:${size}px;height:${size}px;font-size:8px;z-index:99`;
        document.body.append(made);
    };
    document.body.replaceChildren();
    make(10, 10, 20); make(31, 10, 20);  // side by side
    make(100, 10, 20); make(124, 10, 20);  // with room
    make(200, 10, 24); make(224, 10, 24);  // large enough
    make(300, 10, 43, true); make(350, 10, 44, true);
}"""


async def test_planted_targets_are_found(tmp_path: Path) -> None:
    """Two buttons of 20 px side by side are reported, with 4 px between them they are not; nor are two of 24 px side by
    side; of deeds one of 43 px is, one of 44 px is not; what is wider than the screen is.
    """
    shop = page_shop(tmp_path, "mqtt://127.0.0.1:1", "targets-3")
    async with paged(shop) as (_, web), chromium() as browser, window(browser, web) as seen:
        await expect(seen.page.locator("#deeds .yes")).to_be_visible()
        assert await faults(seen.page) == []
        await seen.page.evaluate(PLANTED)
        assert await faults(seen.page) == [
            "small 10: 20 x 20",
            "small 31: 20 x 20",
            "low deed 300: 43 x 43",
        ]
        await seen.page.evaluate("document.body.style.width = '1400px'")
        assert "wider than the screen: 1400 > 1280" in await faults(seen.page)
        await seen.page.goto("about:blank")
