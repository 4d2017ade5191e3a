"""A live press beside the service, and a real browser at its page: somebody else drives, the browser decides."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from playwright.async_api import Browser, BrowserContext, ConsoleMessage, Page, async_playwright, expect

from inksteward.service.app import Service
from inksteward_simulators.scenario import load_scenario
from inksteward_simulators.scenario_forms import Scenario
from tests.conftest import require_tool
from tests.page.kit import PIN, Web, page_shop, paged
from tests.service.bench import Shop
from tests.service.floor import Floor
from tests.service.listener import Probe, probe
from tests.service.shift import Shift, working

LOOK_MS = 15_000
expect.set_options(timeout=LOOK_MS)


class Crew(Shift):
    """Prints, counts and drives keys as commanded; pulls a sheet only when asked, and decides nothing."""

    async def _decide(self) -> None:
        return

    async def pull(self) -> dict[str, Any]:
        """Scan the present sheet; the reading that came of it."""
        before = len(self.heard.all("reading"))
        self.scans += 1
        await self.heard.say("scan", self.floor.scanned(f"s-{self.scans}"))
        return await self.heard.next("reading", before + 1)

    async def print_to(self, sheet: int) -> None:
        """Wait until so many sheets were printed."""
        await self.heard.until(lambda: self.floor.press.sheet >= sheet, 60.0)

    async def propose(self) -> list[dict[str, Any]]:
        """Pull sheets until proposals stand; them."""
        for _ in range(8):
            await self.print_to(self.floor.press.sheet + 60)
            reading = await self.pull()
            made = {row["proposal_id"] for row in reading["units"].values() if row["proposal_id"]}
            if made:
                said = [
                    json.loads(raw)
                    for topic, raw, _ in self.heard.heard
                    if topic.startswith("proposal/") and raw
                ]
                return list({one["proposal_id"]: one for one in said if one["proposal_id"] in made}.values())
        raise AssertionError("no proposal after eight sheets")


@dataclass
class Stage:
    """Everything at once."""

    shop: Shop
    service: Service
    web: Web
    heard: Probe
    crew: Crew


@dataclass
class Window:
    """A page in a browser that keeps what went wrong in it."""

    page: Page
    browser: Browser
    wrong: list[str] = field(default_factory=list)

    async def sign_in(self, name: str = "Anna", pin: str = PIN) -> None:
        """By name and PIN, as an operator does."""
        await self.page.get_by_role("button", name="Sign in", exact=True).click()
        await self.page.get_by_role("button", name=name, exact=True).click()
        for digit in pin:
            await self.page.locator(".pad").get_by_role("button", name=digit, exact=True).click()
        await self.page.locator("#door button[type=submit]").click()
        await expect(self.page.locator("#who")).to_contain_text(name)

    @property
    def all_yes(self) -> Any:
        """The button that says yes to everything shown."""
        return self.page.locator("#deeds .yes")


@asynccontextmanager
async def stage(
    folder: Path, url: str, press: str, form: Scenario | None = None, **sections: Any
) -> AsyncIterator[Stage]:
    """The service with its page, a press that prints, and a probe that hears everything."""
    # Hurried as it is, the press would print five hundred sheets, the usual end of a proposal, in a few seconds.
    sections["approval"] = {"expires_sheets": 100_000, **sections.get("approval", {})}
    shop = page_shop(folder, url, press, form or load_scenario("makeready"), **sections)
    async with probe(shop) as heard, paged(shop) as (service, web):
        crew = Crew(heard, Floor(shop.scenario))
        crew.scanning, crew.sheets = False, 12
        async with working(crew):
            await crew.heard.until(lambda: service.consumer.state.run is not None)
            yield Stage(shop, service, web, heard, crew)


@asynccontextmanager
async def chromium() -> AsyncIterator[Browser]:
    """Debian's chromium."""
    program = require_tool("chromium")
    async with async_playwright() as driver:
        browser = await driver.chromium.launch(executable_path=program, args=["--no-sandbox"])
        try:
            yield browser
        finally:
            await browser.close()


@asynccontextmanager
async def window(browser: Browser, web: Web, **kind: Any) -> AsyncIterator[Window]:
    """A browser of its own at the page. In the end nothing may have gone wrong in it, the policy included."""
    context: BrowserContext = await browser.new_context(
        **{"viewport": {"width": 1280, "height": 800}, **kind}
    )
    made = Window(await context.new_page(), browser)

    def told(line: ConsoleMessage) -> None:
        if line.type in ("error", "warning"):
            made.wrong.append(line.text)

    made.page.on("console", told)
    made.page.on("pageerror", lambda error: made.wrong.append(str(error)))
    await made.page.goto(web.origin)
    try:
        yield made
    finally:
        await context.close()
    assert made.wrong == []


@asynccontextmanager
async def on_stage(
    folder: Path, url: str, press: str, form: Scenario | None = None, **sections: Any
) -> AsyncIterator[tuple[Stage, Window]]:
    """A stage and one browser at it."""
    async with (
        stage(folder, url, press, form, **sections) as at,
        chromium() as browser,
        window(browser, at.web) as seen,
    ):
        yield at, seen
