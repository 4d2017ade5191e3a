"""A walk through every screen of the page, in a real browser, that stops at each."""

from __future__ import annotations

from collections.abc import AsyncIterator

from playwright.async_api import expect

from inksteward.service.clock import now_rfc3339
from tests.page.stage import Stage, Window


async def screens(at: Stage, seen: Window) -> AsyncIterator[str]:
    """The name of each screen while it is shown; a proposal stands, nobody is signed in at the beginning."""
    page = seen.page
    await expect(page.locator(".card")).to_have_count(1)
    await page.locator(".skip").focus()
    yield "skip link"
    async for name in _door(seen):
        yield name
    await seen.sign_in()
    yield "main"
    async for name in _zone(seen):
        yield name
    await page.get_by_label("No to", exact=False).first.click()
    yield "no"
    await page.keyboard.press("Escape")
    await page.get_by_role("button", name="OK sheet…").click()
    yield "OK sheet"
    await page.keyboard.press("Escape")
    async for name in _book(seen):
        yield name
    async for name in _grave(at, seen):
        yield name
    assert [line for line in seen.wrong if "400" not in line and "403" not in line] == []
    seen.wrong.clear()  # refusals, as the browser tells them


async def _door(seen: Window) -> AsyncIterator[str]:
    page = seen.page
    await page.get_by_role("button", name="Sign in", exact=True).click()
    yield "who"
    await page.get_by_role("button", name="Anna").click()
    await page.get_by_label("PIN").fill("000000")
    yield "PIN"
    await page.get_by_label("PIN").press("Enter")
    await expect(page.locator("#door [role=alert]")).to_have_text("name or PIN wrong")
    yield "wrong PIN"
    await page.keyboard.press("Escape")


async def _zone(seen: Window) -> AsyncIterator[str]:
    page = seen.page
    line = page.locator(".line[data-zone]").first
    await line.get_by_role("button", name="Change").click()
    await expect(page.locator("#zone .chart")).to_be_visible()
    yield "zone with a proposal"
    await page.get_by_label("Target in percent").fill("0")
    await page.get_by_label("Target in percent").press("Enter")
    await expect(page.locator("#zone section p")).to_contain_text("Refused")
    yield "zone with a target that is refused"
    await page.get_by_role("button", name="Leave this key out").click()
    await page.keyboard.press("Escape")
    await page.locator(".more > summary").first.click()
    yield "ledger unfolded, with a key left out"
    await page.locator(".more > summary").first.click()


async def _book(seen: Window) -> AsyncIterator[str]:
    page = seen.page
    await page.get_by_role("button", name="More…").click()
    yield "more"
    await page.locator("#aim-fold").click()
    await page.get_by_label("Aim of zone 2 in D", exact=True).fill("1.37")
    yield "more, aim of a zone typed"
    await page.get_by_label("Aim of zone 3 in D", exact=True).fill("1.9")
    await page.get_by_role("button", name="Set zone by zone").click()
    await expect(page.locator("#aim-told p")).to_have_count(1)
    yield "more, aim of a zone refused"
    await page.get_by_role("button", name="As they are").click()
    await page.get_by_label("Coverage in %").fill("12 14")
    await page.get_by_role("button", name="Set coverage").click()
    yield "more, coverage refused"
    await page.keyboard.press("Escape")


async def _grave(at: Stage, seen: Window) -> AsyncIterator[str]:
    """Somebody else answers for the press as well: everything is held, and the alarm has to be acknowledged."""
    page = seen.page
    other = {"state": "online", "instance": "other-1", "at": now_rfc3339()}
    await at.heard.say("status", other)
    acknowledge = page.get_by_role("button", name="I have seen to it").first
    await expect(acknowledge).to_be_visible()
    await expect(page.get_by_role("button", name="Release")).to_be_visible()
    yield "grave alarm, on hold"
    await acknowledge.click()
    await expect(page.locator("#sure")).to_contain_text("Have you looked at the press?")
    yield "acknowledge"
    await page.keyboard.press("Escape")
    await page.get_by_role("button", name="Release").click()
    await expect(page.locator("#sure")).to_contain_text("Release the hold?")
    yield "release"
    await page.keyboard.press("Escape")
