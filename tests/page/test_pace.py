"""How fast the page is: 12 units of 48 zones, and an operator who decides as soon as something is shown."""

from __future__ import annotations

import statistics
import time
from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import expect

from inksteward_simulators.scenario import load_scenario
from tests.page.stage import on_stage
from tests.service.bench import scenario

pytestmark = [pytest.mark.soak, pytest.mark.broker, pytest.mark.browser]
BIG = 'base = "makeready"\npress = "press-big"\n[vary]\nunits = 12\nzones = 48\n'
MEASURE = """() => {
    window.frames_ms = []; window.tasks_ms = [];
    let last = performance.now();
    const frame = (at) => { window.frames_ms.push(at - last); last = at; requestAnimationFrame(frame); };
    new PerformanceObserver((list) => list.getEntries().forEach((one) => window.tasks_ms.push(one.duration)))
        .observe({entryTypes: ["longtask"]});
    requestAnimationFrame(frame);
}"""
SMOOTH_MS, UPDATE_MS = 50.0, 1000.0
"""At rest a frame in a hundred may take so long, and one update of everything so long, on a machine that others use."""
DECIDED_S = 3.0


async def test_twelve_units_of_forty_eight_zones_stay_smooth(tmp_path: Path, mosquitto: str) -> None:
    """With counters and key positions coming in frames keep their pace; a reading with twelve proposals is drawn
    within a second."""
    file = tmp_path / "big.toml"
    file.write_text(BIG)
    async with on_stage(
        tmp_path / "shop", mosquitto, "pace-1", load_scenario(str(file)), approval={"expires_s": 600.0}
    ) as (at, seen):
        await expect(seen.page.locator("#facts")).to_contain_text("sheet")
        await seen.page.evaluate(MEASURE)
        await at.crew.propose()
        await expect(seen.page.locator(".card")).to_have_count(12)
        tasks: list[float] = await seen.page.evaluate("window.tasks_ms")
        await seen.page.evaluate("window.frames_ms.length = 0")
        await seen.page.wait_for_timeout(5000)
        frames: list[float] = sorted(await seen.page.evaluate("window.frames_ms"))
        cells = await seen.page.locator(".cell").count()
    late = frames[int(len(frames) * 0.99)]
    print(f"{cells} cells; frames at rest: median {statistics.median(frames):.1f}, 99 % {late:.1f} ms; "  # noqa: T201
          f"longest update {max(tasks, default=0.0):.0f} ms")  # fmt: skip
    assert cells == 12 * 48
    assert late <= SMOOTH_MS
    assert max(tasks, default=0.0) <= UPDATE_MS


async def test_time_from_shown_to_decided(tmp_path: Path, mosquitto: str) -> None:
    """A scripted operator who says yes as soon as a proposal is there needs less than three seconds in the median."""
    took: list[float] = []
    approval: dict[str, Any] = {"expires_s": 120.0, "min_standing_s": 1.0}
    async with on_stage(tmp_path, mosquitto, "pace-2", scenario(), approval=approval) as (at, seen):
        await at.crew.propose()
        await seen.sign_in()
        for number in range(1, 6):
            await expect(seen.page.locator(".card")).to_have_count(1)
            shown = time.monotonic()
            await seen.page.wait_for_timeout(650)
            await seen.all_yes.click()
            await at.heard.next("outcome", number, 30.0)
            took.append(time.monotonic() - shown)
            for unit in at.crew.floor.press.units.values():
                unit.disturbance.feed(0.25 * (-1) ** number)
            await at.crew.propose()
    print(f"from shown to keys moved and read back: median {statistics.median(took):.2f} s of {len(took)}")  # noqa: T201
    assert statistics.median(took) < DECIDED_S
