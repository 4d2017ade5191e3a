"""Colours at the page, in a real browser: what the spectra of a sheet say, and the density that is offered."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import expect

from tests.page.stage import Stage, chromium, on_stage, window
from tests.service.bench import scenario
from tests.steward.test_colours import PAPER, solid, spectrum

pytestmark = [pytest.mark.broker, pytest.mark.browser]
UNIT, INK = "u2", "C"
AIM = [56.0, -35.0, -53.0]
__all__ = ["chromium", "window"]


async def spectral(at: Stage, layer: float) -> dict[str, Any]:
    """A sheet of the press read as spectra, cyan at this layer; the reading that came of it."""
    crew = at.crew
    crew.scans += 1
    data = json.loads(crew.floor.scanned(f"s-{crew.scans}"))
    own = [patch for patch in data["patches"] if patch["inks"] == [INK] and patch["kind"] == "solid"]
    paper = {
        **own[0],
        "kind": "paper",
        "inks": [],
        "x_mm": own[0]["x_mm"] + 3.0,
        "reflectance": spectrum(PAPER),
    }
    rows = [{**patch, "density": None, "reflectance": spectrum(solid(INK, layer))} for patch in own]
    before = len(crew.heard.all("reading"))
    await crew.heard.say("scan", {**data, "patches": [*rows, {**paper, "density": None}]})
    return await crew.heard.next("reading", before + 1)


def has_aim(at: Stage) -> bool:
    """Whether the core goes by a job with a colour."""
    run = at.service.consumer.state.run
    return run is not None and any(row.lab is not None for row in run.job.units)


async def give_aim(at: Stage) -> None:
    """The job again, with a colour for cyan, and the core has taken it."""
    run = at.service.consumer.state.run
    assert run is not None
    job = run.job.model_dump(mode="json")
    for row in job["units"]:
        if row["unit"] == UNIT:
            row["lab"] = AIM
    await at.heard.say("job", job)
    await at.heard.until(lambda: has_aim(at))


async def test_a_colour_is_told_and_its_density_taken(tmp_path: Path, mosquitto: str) -> None:
    """The page tells each ink's colour and how far it is from its aim, offers the density that comes closest, and takes
    it as the aim when the operator says so; then the offer is gone.
    """
    async with on_stage(tmp_path, mosquitto, "colour-1", scenario()) as (at, seen):
        page = seen.page
        await at.crew.print_to(100)
        await give_aim(at)
        reading = await spectral(at, 1.6)
        found = reading["colour"][UNIT]
        wanted = found["closest"]["density"]
        offer = page.locator(".offer")
        await expect(offer).to_contain_text(
            f"Cyan colour {found['delta_e_00']:.1f} from its aim (ΔE00); {wanted:.2f} D comes closest"
        )
        await seen.sign_in()
        await page.get_by_role("button", name="More…").click()
        lab = page.locator("#book-colour p")
        await expect(lab).to_contain_text(f"Cyan L* {found['lab'][0]:.1f}, a* −{-found['lab'][1]:.1f}")
        await page.keyboard.press("Escape")
        await offer.get_by_role("button", name=f"Aim at {wanted:.2f} D").click()
        await expect(page.locator("#say")).to_have_text(f"Cyan is held at {wanted:.2f} D from now on.")
        await expect(offer).to_have_count(0)
        assert set(at.service.consumer.state.units[UNIT].aim or ()) == {wanted}
