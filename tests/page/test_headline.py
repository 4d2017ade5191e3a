"""The words at the top when many inks are printed: one line that says how bad it is, and which inks it is."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from playwright.async_api import Locator, expect

from inksteward_simulators.scenario import load_scenario
from tests.page.kit import Web
from tests.page.stage import on_stage
from tests.page.test_access import LONG
from tests.service.bench import scenario

pytestmark = [pytest.mark.broker, pytest.mark.browser]
TWELVE = 'base = "makeready"\npress = "press-many"\n[vary]\nunits = 12\nzones = 12\n'
UNITS = [f"u{number}" for number in range(1, 13)]
WIDE_D = 0.5


async def lines(words: Locator) -> float:
    """How many lines a text takes."""
    found: float = await words.evaluate(
        "node => node.offsetHeight / parseFloat(getComputedStyle(node).lineHeight)"
    )
    return found


async def all_in(web: Web, units: list[str]) -> list[str]:
    """Tolerances so wide that these are in; the names of their inks."""
    for unit in units:
        tolerance = [-WIDE_D, WIDE_D]
        reply = await web.ask("aims", f"r-{unit}", unit=unit, aim=1.3, tolerance=tolerance)
        assert reply.data["accepted"], reply.data
    return units


async def test_twelve_inks_in_one_line(tmp_path: Path, mosquitto: str) -> None:
    """With twelve inks out the headline takes one line on a touch panel: how many, in all, and the worst; where some
    are in, the shorter list follows, of those that are in or of those that are out.
    """
    file = tmp_path / "many.toml"
    file.write_text(TWELVE)
    form = load_scenario(str(file))
    async with on_stage(tmp_path / "shop", mosquitto, "headline-1", form, approval=LONG) as (at, seen):
        await at.crew.propose()
        at.crew.sheets = 0
        await at.web.sign_in()
        head, below = seen.page.locator("#word h2"), seen.page.locator("#word p").first
        await expect(head).to_have_text(re.compile(r"^\d+ zones are out, in all 12 inks; worst: \S+ \d+\.$"))
        assert await lines(head) == pytest.approx(1.0, abs=0.1)
        await expect(below).not_to_contain_text("Out:")
        await seen.page.set_viewport_size({"width": 390, "height": 844})
        assert await lines(head) <= 2.1
        await seen.page.set_viewport_size({"width": 1280, "height": 800})
        await all_in(at.web, UNITS[:2])
        await expect(head).to_contain_text("in 10 of 12 inks; worst: ")
        await expect(below).to_have_text("All in: Black, Cyan.")
        await all_in(at.web, UNITS[2:6])
        await expect(head).to_contain_text("in 6 of 12 inks; worst: ")
        assert await lines(head) == pytest.approx(1.0, abs=0.1)
        await expect(below).to_have_text(re.compile(r"^Out: (spot-\d+ \d+(, |\.)){6}$"))
        worst = re.search(r"worst: (\S+ \d+)", await head.inner_text())
        assert worst is not None
        assert (await below.inner_text()).startswith(f"Out: {worst[1]}, ")
        await all_in(at.web, UNITS[6:7])
        await expect(head).to_have_text(re.compile(r"zones are out: (spot-\d+ \d+(, |\.)){5}$"))


@pytest.mark.parametrize(("number", "width", "columns"), [(2, 1280, 3), (3, 1920, 3), (4, 390, 1)])
async def test_one_ink_has_the_width(
    tmp_path: Path, mosquitto: str, number: int, width: int, columns: int
) -> None:
    """The ledger of a single ink is as wide as the plan of the sheet, and its moves stand beside one another."""
    async with on_stage(tmp_path, mosquitto, f"headline-{number}", scenario(), approval=LONG) as (at, seen):
        await seen.page.set_viewport_size({"width": width, "height": 900})
        await at.crew.propose()
        at.crew.sheets = 0
        card = await seen.page.locator(".card").bounding_box()
        plan = await seen.page.locator("#sheet").bounding_box()
        assert card is not None
        assert plan is not None
        assert card["width"] == pytest.approx(plan["width"], abs=1.0)
        lefts = {
            round(box["x"])
            for line in await seen.page.locator(".card > .lines > .line").all()
            if (box := await line.bounding_box()) is not None
        }
        assert len(lefts) == columns
