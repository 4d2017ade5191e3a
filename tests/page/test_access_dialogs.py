"""Every screen of the page, light and dark: WCAG 2.2 AA as far as axe-core judges it, and targets for gloves."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.page.screens import screens
from tests.page.stage import on_stage
from tests.page.test_access import LONG, judged
from tests.service.bench import scenario

pytestmark = [pytest.mark.broker, pytest.mark.browser, pytest.mark.timeout(300)]


async def test_every_screen_is_accessible(tmp_path: Path, mosquitto: str) -> None:
    """On no screen and in no dialog, whatever it tells, light or dark, does axe-core find a violation of WCAG 2.2 AA,
    nor is a target below 48 px.
    """
    wrong, walked = [], []
    async with on_stage(tmp_path, mosquitto, "dialogs-1", scenario(), approval=LONG) as (at, seen):
        await at.crew.propose()
        at.crew.sheets = 0
        async for name in screens(at, seen):
            walked.append(name)
            if name == "skip link":
                continue  # its words alone, seen only while it has the focus
            for tone in ("dark", "light"):
                await seen.page.evaluate("tone => { document.documentElement.dataset.tone = tone; }", tone)
                wrong += await judged(seen, f"{name}, {tone}")
    assert len(walked) == len(set(walked)) == 17
    assert wrong == []
