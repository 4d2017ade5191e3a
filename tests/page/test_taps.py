"""A finger that taps twice, a card that slides, a figure with a comma: what is sent is what was meant."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import Page, expect

from inksteward_simulators.scenario import load_scenario
from tests.page.stage import Stage, chromium, on_stage, window
from tests.service.bench import scenario

pytestmark = [pytest.mark.broker, pytest.mark.browser]
_numbers = itertools.count(1)
LONG = {"expires_s": 300.0}
SETTLED_MS = 1300
"""Longer than a card counts as just moved, or a proposal as just come."""
__all__ = ["chromium", "window"]


def press() -> str:
    """A press of one's own on the shared broker."""
    return f"taps-{next(_numbers)}"


def moved(at: Stage) -> list[str]:
    """Units whose proposals an operator ended."""
    return [row["unit"] for row in at.heard.all("outcome") if row["operator"]]


async def middle(page: Page) -> tuple[float, float]:
    """Where the first card's yes is tapped."""
    box = await page.locator(".card .yes").first.bounding_box()
    assert box is not None
    return box["x"] + box["width"] / 2.0, box["y"] + box["height"] / 2.0


@pytest.mark.parametrize("apart_ms", [None, 400])
async def test_a_second_tap_moves_no_other_ink(tmp_path: Path, mosquitto: str, apart_ms: int | None) -> None:
    """With cards of several inks the second tap on one place moves no other ink, whose card slid there when the first
    was answered; after a moment, and read, that ink's yes counts as ever.
    """
    async with on_stage(tmp_path, mosquitto, press(), load_scenario("makeready"), approval=LONG) as (
        at,
        seen,
    ):
        page = seen.page
        await at.crew.propose()
        at.crew.sheets = 0
        await seen.sign_in()
        await page.wait_for_timeout(SETTLED_MS)
        cards = await page.locator(".card").count()
        assert cards > 1
        first = await page.locator(".card").first.get_attribute("data-unit")
        x, y = await middle(page)
        await page.mouse.click(x, y)
        if apart_ms is None:
            await expect(page.locator(".card")).to_have_count(cards - 1)
        else:
            await page.wait_for_timeout(apart_ms)
        await page.mouse.click(x, y)
        await at.heard.next("outcome")
        await page.wait_for_timeout(SETTLED_MS)
        assert moved(at) == [first]
        second = await page.locator(".card").first.get_attribute("data-unit")
        await page.locator(".card .yes").first.click()
        await at.heard.until(lambda: len(moved(at)) > 1)
        assert moved(at) == [first, second]


async def test_a_double_tap_on_yes_is_one_yes(tmp_path: Path, mosquitto: str) -> None:
    """Two taps on the yes to everything send one decision, and the page never says that nothing moved."""
    async with on_stage(tmp_path, mosquitto, press(), scenario(), approval=LONG) as (at, seen):
        page, sent = seen.page, []
        await at.crew.propose()
        at.crew.sheets = 0
        await seen.sign_in()
        await page.wait_for_timeout(SETTLED_MS)
        page.on("request", lambda request: sent.append(request.url) if "decide" in request.url else None)
        await seen.all_yes.dblclick()
        await expect(page.locator("#say")).to_have_text("Cyan: keys are told to move")
        await at.heard.next("outcome")
        assert len(sent) == 1
        assert moved(at) == ["u2"]


async def changed(at: Stage, page: Page) -> dict[str, Any]:
    """The dialog of a zone with a proposed move is open; that move."""
    (made,) = await at.crew.propose()
    move: dict[str, Any] = made["moves"][len(made["moves"]) // 2]
    await page.locator(f'.cell[data-zone="{move["zone"]}"]').first.click()
    return {**move, "proposal_id": made["proposal_id"]}


async def test_what_was_permitted_ends_with_its_proposal(tmp_path: Path, mosquitto: str) -> None:
    """A target that was judged permitted is judged anew for another proposal: the word goes with the one that it was
    said of, and cannot be used for the next.
    """
    quick = {**LONG, "min_standing_s": 1.0}
    async with on_stage(tmp_path, mosquitto, press(), scenario(), approval=quick) as (at, seen):
        page = seen.page
        await seen.sign_in()
        move = await changed(at, page)
        box, told = page.get_by_label("Target in percent"), page.locator("#zone section p")
        await box.fill(f"{(move['from_pct'] + move['to_pct']) / 2.0:.1f}")
        await box.press("Enter")
        await expect(told).to_contain_text("Permitted")
        for _ in range(8):
            for unit in at.crew.floor.press.units.values():
                unit.disturbance.feed(-0.2)
            await at.crew.print_to(at.crew.floor.press.sheet + 250)
            await at.crew.pull()
            standing = at.service.consumer.state.units["u2"].standing
            if standing is not None and standing.payload["proposal_id"] != move["proposal_id"]:
                break
        else:
            raise AssertionError("the proposal was never replaced")
        await expect(page.locator("#zone-own")).not_to_contain_text("Permitted")
        await expect(page.get_by_role("button", name="Use this target")).to_be_disabled()


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("450", "450: expected a figure from 0 to 100 %"),
        ("4x", "4x: expected a figure from 0 to 100 %"),
        ("", "nothing: expected a figure from 0 to 100 %"),
    ],
)
async def test_a_target_that_is_no_figure(tmp_path: Path, mosquitto: str, typed: str, told: str) -> None:
    """What is typed as a target is never bent into another one: a figure outside the travel, or none, is told."""
    async with on_stage(tmp_path, mosquitto, press(), scenario(), approval=LONG) as (at, seen):
        await seen.sign_in()
        await changed(at, seen.page)
        box = seen.page.get_by_label("Target in percent")
        await box.fill(typed)
        await box.press("Enter")
        await expect(seen.page.locator("#zone section p")).to_have_text(told)
        await expect(seen.page.get_by_role("button", name="Use this target")).to_be_disabled()


async def test_a_decimal_comma(tmp_path: Path, mosquitto: str) -> None:
    """A comma is a point: the figure is judged and shown as it was meant; another figure typed over one that was
    permitted is not usable before it is judged.
    """
    async with on_stage(tmp_path, mosquitto, press(), scenario(), approval=LONG) as (at, seen):
        await seen.sign_in()
        move = await changed(at, seen.page)
        box, use = (
            seen.page.get_by_label("Target in percent"),
            seen.page.get_by_role("button", name="Use this target"),
        )
        meant = f"{(move['from_pct'] + move['to_pct']) / 2.0:.1f}"
        await box.fill(meant.replace(".", ","))
        await box.press("Enter")
        await expect(box).to_have_value(meant)
        await expect(use).to_be_enabled()
        await box.press_sequentially("9")
        await expect(use).to_be_disabled()
