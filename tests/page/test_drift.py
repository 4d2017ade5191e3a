"""Drift, step and noise told apart on the run chart of a zone, and beside it in a real browser what else is read."""

from __future__ import annotations

from collections.abc import Callable
from math import floor
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.async_api import expect

from inksteward.service.page.drift import LEAST, drift_of
from tests.page.stage import chromium, on_stage, window
from tests.service.bench import scenario

__all__ = ["chromium", "window"]

SIGMA_D = 0.012


def run_of(shape: Callable[[int], float], seed: int, readings: int = 24) -> list[dict[str, Any]]:
    """Readings every 60 sheets about 1.40 D with the shape added."""
    noise = np.random.default_rng(seed).normal(0.0, SIGMA_D, readings)
    return [{"sheet": 60 * n, "density": 1.4 + shape(n) + float(noise[n])} for n in range(readings)]


def test_noise_is_called_noise() -> None:
    """Of 200 healthy runs of 24 readings nearly all are noise: the three rules together signal once in 150 to 200
    readings at published run lengths of 370, 500 and 465 (Shewhart, EWMA, CUSUM), and a run's own mean signals less."""
    found = [drift_of(run_of(lambda n: 0.0, seed), ())["course"] for seed in range(200)]
    assert found.count("noise") >= 180


def test_a_drift_is_called_a_drift_and_a_step_a_step() -> None:
    """Five sigma over the run, as a slope or at once, are told, most of them by their right name; the slope told is the
    one that was put in (0.06 D in 1,380 sheets)."""
    drift = [drift_of(run_of(lambda n: 0.06 * n / 23, seed), ()) for seed in range(60)]
    step = [drift_of(run_of(lambda n: 0.06 * (n >= 12), seed), ()) for seed in range(60)]
    assert sum(row["course"] == "drift" for row in drift) >= 42
    assert sum(row["course"] == "step" for row in step) >= 42
    slopes = [float(row["text"].split()[2]) for row in drift if row["course"] == "drift"]
    assert float(np.mean(slopes)) == pytest.approx(0.06 / 1.38, rel=0.15)


def test_only_what_came_after_the_last_move_counts() -> None:
    """A move is meant to change the density: the run before it says nothing of drift; too few readings say so."""
    points = run_of(lambda n: 0.2 * (n >= 12), 5)
    assert drift_of(points, ())["course"] == "step"
    assert drift_of(points, (100, 11 * 60))["course"] == "noise"
    few = drift_of(points, (60 * 20,))
    assert few["course"] is None
    assert few["text"] == f"3 readings since its last move: {LEAST} tell drift from noise"


def test_unread_sheets_are_left_out() -> None:
    """A reading without a density is none."""
    points = run_of(lambda n: 0.0, 5)
    gaps = [{**point, "density": None} if n % 2 else point for n, point in enumerate(points)]
    assert drift_of(gaps, ())["readings"] == 12


def shown(value: float) -> str:
    """A percentage as a browser rounds it: a half goes up, where Python's goes to the even."""
    return str(floor(value + 0.5))


@pytest.mark.broker
@pytest.mark.browser
async def test_the_book_tells_what_else_the_strip_shows(tmp_path: Path, mosquitto: str) -> None:
    """Tone values, contrast, trap and hue of the sheet read last stand in the book, as the reading has them; the chart
    of a zone says whether its run is long enough to tell drift from noise."""
    async with on_stage(tmp_path, mosquitto, "strip-1", scenario()) as (at, seen):
        page = seen.page
        await at.crew.print_to(100)
        reading = await at.crew.pull()
        found = reading["quantities"]["u2"]
        await page.get_by_role("button", name="More…").click()
        line = page.locator("#book-strip p").filter(has_text="Cyan")
        for nominal, value in found["tone_value_pct"].items():
            await expect(line).to_contain_text(f"the {nominal} % tint prints as {shown(value)} %")
        await expect(line).to_contain_text(f"print contrast {shown(found['print_contrast_pct'])} %")
        await expect(line).to_contain_text(f"hue error {shown(found['hue_error_pct'])} %")
        await page.locator("#book").get_by_role("button", name="Close").click()
        await page.get_by_role("button", name="Cyan, zone 3").first.click()
        await expect(page.locator("#zone-run")).to_contain_text("1 reading: 8 tell drift from noise")
