"""The coverage of the form at the page, in a real browser: typed, sent, refused."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from playwright.async_api import expect

from tests.page.stage import Stage, Window, chromium, on_stage, window
from tests.service.bench import scenario

pytestmark = [pytest.mark.broker, pytest.mark.browser]
_numbers = itertools.count(1)
UNIT, ZONES = "u2", 32

__all__ = ["chromium", "window"]


def press() -> str:
    """A press of one's own on the shared broker."""
    return f"coverage-{next(_numbers)}"


def known(at: Stage) -> list[float]:
    """The coverage that the core goes by."""
    return list(at.service.consumer.state.units[UNIT].coverage)


async def opened(at: Stage, seen: Window) -> None:
    """A job runs, Anna is signed in, the book is open."""
    await at.crew.print_to(100)
    await at.crew.pull()
    await seen.sign_in()
    await seen.page.get_by_role("button", name="More…").click()
    await seen.page.locator('[data-key="coverage-unit"]').select_option(UNIT)


async def test_coverage_for_all_zones_and_for_each(tmp_path: Path, mosquitto: str) -> None:
    """One figure counts for every zone, as many as there are zones for each; decimal commas are taken; the page shows
    what the service goes by then.
    """
    async with on_stage(tmp_path, mosquitto, press(), scenario()) as (at, seen):
        await opened(at, seen)
        page, now = seen.page, seen.page.locator("#coverage-now")
        field = page.get_by_label("Coverage in %")
        await field.fill("12,5")
        await page.get_by_role("button", name="Set coverage").click()
        await expect(now).to_contain_text("Now 12.5 to 12.5 %, 12.5 % in the mean.")
        assert known(at) == [0.125] * ZONES
        await field.fill(" ".join(str(zone) for zone in range(1, ZONES + 1)))
        await page.get_by_role("button", name="Set coverage").click()
        await expect(now).to_contain_text("Now 1.0 to 32.0 %, 16.5 % in the mean.")
        assert known(at) == [zone / 100 for zone in range(1, ZONES + 1)]
        await expect(field).to_have_value("")


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("12 14", f"2 figures, expected one, or {ZONES}: one for each zone"),
        ("120", "figure 1: 120, expected 0 to 100"),
        ("5 x", "figure 2: x, expected 0 to 100"),
        ("", f"0 figures, expected one, or {ZONES}: one for each zone"),
    ],
)
async def test_coverage_that_is_refused(tmp_path: Path, mosquitto: str, typed: str, told: str) -> None:
    """What cannot be a coverage is told with what was expected; the field is marked, nothing changes."""
    async with on_stage(tmp_path, mosquitto, press(), scenario()) as (at, seen):
        await opened(at, seen)
        before, field = known(at), seen.page.get_by_label("Coverage in %")
        await field.fill(typed)
        await seen.page.get_by_role("button", name="Set coverage").click()
        await expect(seen.page.locator("#coverage-told p")).to_have_text([told])
        await expect(field).to_be_focused()
        await expect(field).to_have_attribute("aria-invalid", "true")
        assert known(at) == before
