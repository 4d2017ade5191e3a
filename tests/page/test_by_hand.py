"""Readings by hand in a real browser, and the limits that a target is typed within."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from playwright.async_api import expect

from inksteward.events import Stamp
from inksteward.service.page import situation
from inksteward.steward.situations import limits_of
from inksteward.steward.turn import Turn
from tests.page.stage import chromium, on_stage, window
from tests.service.bench import scenario
from tests.steward.desk import Desk
from tests.steward.samples import job_of

pytestmark = [pytest.mark.broker, pytest.mark.browser]
_numbers = itertools.count(1)
__all__ = ["chromium", "window"]


def press() -> str:
    """A press of one's own on the shared broker."""
    return f"hand-{next(_numbers)}"


async def test_a_reading_by_hand(tmp_path: Path, mosquitto: str) -> None:
    """An empty field is told and sends nothing: never a density of 0. A whole reading is taken, and its field is empty
    for the next.
    """
    async with on_stage(tmp_path, mosquitto, press(), scenario()) as (at, seen):
        page = seen.page
        await at.crew.print_to(100)
        await at.crew.pull()
        await seen.sign_in()
        await page.get_by_role("button", name="More…").click()
        zone, density = page.get_by_label("Zone", exact=True), page.get_by_label("Density in D")
        enter, told = page.locator('[data-key="hand-enter"]'), page.locator("#say")
        before = at.service.consumer.state.units["u2"].estimate
        await enter.click()
        await expect(told).to_have_text("Zone: nothing, expected a number.")
        await zone.fill("4")
        await enter.click()
        await expect(told).to_have_text("Density: nothing, expected a number.")
        await expect(density).to_be_focused()
        after = at.service.consumer.state.units["u2"].estimate
        assert before is not None
        assert after is not None
        assert after.scans == before.scans
        await page.locator('[data-key="hand-unit"]').select_option("u2")
        await density.fill("1.35")
        await enter.click()
        await expect(told).to_have_text("Taken into account.")
        await expect(density).to_have_value("")


def test_which_limits_hold_now() -> None:
    """The page is told which set of limits the core goes by: the opening's until the first sheet, the makeready's, and
    the run's after the OK sheet; that is what the slider of a target spans.
    """
    desk = Desk().start()
    desk.receive("job", job_of(desk))
    desk.positions()
    desk.count(0)
    assert told(desk) == limits(desk) == "opening"
    desk.run_to(10)
    assert told(desk) == limits(desk) == "makeready"
    desk.receive("job", job_of(desk, phase="stopped"))
    assert told(desk) == limits(desk) == "makeready"


def told(desk: Desk) -> str:
    """What the page is told."""
    assert desk.state.config is not None
    found: str = situation.now(desk.state, desk.state.config, desk.now_ms)["run"]["limits"]
    return found


def limits(desk: Desk) -> str:
    """What the core goes by."""
    config, run = desk.state.config, desk.state.run
    assert config is not None
    unit = config.press.units[0]
    turn = Turn(desk.state, Stamp(1, 0, desk.now_ms * 1_000_000, "0" * 64))
    assert run is not None
    known = {"opening": unit.limits_opening, "makeready": unit.limits_makeready, "run": unit.limits_run}
    return next(name for name, each in known.items() if each is limits_of(turn, unit))
