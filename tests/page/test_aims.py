"""Aims at the page, zone by zone and by the OK sheet, in a real browser: typed, sent, refused."""

from __future__ import annotations

import itertools
import json
from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import Locator, Page, expect

from inksteward.events import Received, Via
from tests.page.kit import OTHER_PIN, Web, page_shop, paged
from tests.page.stage import Stage, Window, chromium, on_stage, window
from tests.service.bench import scenario

pytestmark = [pytest.mark.broker, pytest.mark.browser]
_numbers = itertools.count(1)
UNIT, ZONES = "u2", 32
LONG = {"expires_s": 300.0}


def press() -> str:
    """A press of one's own on the shared broker."""
    return f"aims-{next(_numbers)}"


def requests(at: Stage) -> list[dict[str, Any]]:
    """What the page asked the core for, as the journal has it."""
    found = (one for one in at.shop.events(Received) if one.via is Via.PAGE and one.topic == "request")
    return [json.loads(one.raw) for one in found]


def aims_now(at: Stage) -> list[float]:
    """The aims that the core goes by."""
    return list(at.service.consumer.state.units[UNIT].aim or ())


def kept(at: Stage) -> list[str]:
    """Ids of the scans that may be named the OK sheet, the oldest first."""
    run = at.service.consumer.state.run
    assert run is not None
    return [each.scan_id for each in run.kept]


def zone(page: Page, number: int) -> Locator:
    """The field of one zone."""
    return page.get_by_label(f"Aim of zone {number} in D", exact=True)


async def opened(at: Stage, seen: Window) -> None:
    """A sheet was read, Anna is signed in, the book is open at the aims of each zone."""
    await at.crew.print_to(100)
    await at.crew.pull()
    await seen.sign_in()
    await seen.page.get_by_role("button", name="More…").click()
    await seen.page.locator("#aim-fold").focus()
    await seen.page.keyboard.press("Enter")
    await expect(zone(seen.page, 1)).to_be_visible()


async def test_an_aim_for_one_zone_by_keyboard(tmp_path: Path, mosquitto: str) -> None:
    """Aims that are typed for two zones, by keyboard alone, change these and no other, to the digit; the tolerance,
    which nobody typed, stays as it is.
    """
    async with on_stage(tmp_path, mosquitto, press(), scenario(), approval=LONG) as (at, seen):
        page = seen.page
        await opened(at, seen)
        before = aims_now(at)
        wide = [
            high - aim for aim, high in zip(before, at.service.consumer.state.units[UNIT].high, strict=True)
        ]
        assert await page.locator(".one-aim").count() == ZONES
        await zone(page, 3).focus()
        await page.keyboard.press("ControlOrMeta+a")
        await page.keyboard.type("1.31")
        await page.keyboard.press("Enter")
        await expect(zone(page, 4)).to_be_focused()
        await page.keyboard.press("ArrowUp")
        await expect(page.locator("#aim-own")).to_have_text("Typed, not yet set: zones 3–4")
        await page.keyboard.press("Shift+Enter")
        await expect(zone(page, 3)).to_be_focused()
        await zone(page, ZONES).press("Enter")
        await expect(page.get_by_role("button", name="Set zone by zone")).to_be_focused()
        await page.keyboard.press("Enter")
        await expect(page.locator("#book #say")).to_have_text("Aims set.")  # in the dialog, not beneath it
        await expect(page.locator("#aim-own")).to_have_text("")
        await expect(page.locator("#aim-fold")).to_have_text(
            f"Zone by zone: 32 zones, 1.31 to {before[3] + 0.01:.2f}"
        )
        await expect(page.get_by_label("Aim in D", exact=True)).to_have_value("")
        after = aims_now(at)
        assert after == [*before[:2], 1.31, round(before[3] + 0.01, 2), *before[4:]]
        high = at.service.consumer.state.units[UNIT].high
        assert [end - aim for aim, end in zip(after, high, strict=True)] == pytest.approx(wide)
    (asked,) = requests(at)
    assert (asked["unit"], asked["aim"], asked.get("tolerance")) == (UNIT, after, None)


async def test_typed_aims_stay_while_others_change_them(tmp_path: Path, mosquitto: str) -> None:
    """While a sheet is read and somebody else sets other aims, what is being typed stays, beside what it was; the
    other fields follow; the book may be closed and opened; taken back, all are as the service says.
    """
    async with on_stage(tmp_path, mosquitto, press(), scenario(), approval=LONG) as (at, seen):
        page, ben = seen.page, Web(at.web.port)
        await opened(at, seen)
        await zone(page, 5).fill("1.3")
        await at.crew.pull()
        await ben.sign_in("op-ben", OTHER_PIN)
        assert (await ben.ask("aims", "r-ben", unit=UNIT, aim=1.44)).data["accepted"]
        await expect(zone(page, 6)).to_have_value("1.44")
        await expect(page.locator(".one-aim.own .was")).to_have_text("was 1.44")
        await page.keyboard.type("7")
        await expect(zone(page, 5)).to_have_value("1.37")
        await page.keyboard.press("Escape")
        await page.get_by_role("button", name="More…").click()
        await expect(zone(page, 5)).to_have_value("1.37")
        await page.get_by_role("button", name="As they are").click()
        await expect(zone(page, 5)).to_have_value("1.44")
        await expect(page.locator(".one-aim.own")).to_have_count(0)
        assert aims_now(at) == [1.44] * ZONES


async def test_a_tolerance_that_nobody_typed_stays(tmp_path: Path, mosquitto: str) -> None:
    """A tolerance that is wider above than below is shown as that, and is kept when only the aim is set; one that is
    typed is sent for both sides.
    """
    async with on_stage(tmp_path, mosquitto, press(), scenario(), approval=LONG) as (at, seen):
        page, ben = seen.page, Web(at.web.port)
        await opened(at, seen)
        await ben.sign_in("op-ben", OTHER_PIN)
        uneven = {"unit": UNIT, "aim": 1.4, "tolerance": [-0.04, 0.09]}
        assert (await ben.ask("aims", "r-ben", **uneven)).data["accepted"]
        wide = page.get_by_label("Tolerance in D")
        await expect(wide).to_have_attribute("placeholder", "−0.04 +0.09")
        await expect(wide).to_have_value("")
        await page.get_by_label("Aim in D", exact=True).fill("1.35")
        await page.get_by_role("button", name="Set for every zone").click()
        await expect(page.locator("#aim-fold")).to_contain_text("all at 1.35")
        state = at.service.consumer.state.units[UNIT]
        assert [state.low[0], state.high[0]] == pytest.approx([1.31, 1.44])
        await wide.fill("0.06")
        await page.get_by_role("button", name="Set zone by zone").click()
        await expect(wide).to_have_attribute("placeholder", "")
        state = at.service.consumer.state.units[UNIT]
        assert [state.low[0], state.high[0]] == pytest.approx([1.29, 1.41])


async def test_the_book_before_any_job(tmp_path: Path) -> None:
    """Without a job there is no ink and no zone to set an aim for, and the book opens all the same."""
    shop = page_shop(tmp_path, "mqtt://127.0.0.1:1", press())
    async with paged(shop) as (_, web), chromium() as browser, window(browser, web) as seen:
        await seen.page.get_by_role("button", name="More…").click()
        await expect(seen.page.locator("#aim-fold")).to_have_text("Zone by zone: no aims yet")
        await expect(seen.page.locator(".one-aim")).to_have_count(0)


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("1.9", "zone 7: 1.9, expected more than 0.051 and at most 1.615 D: C saturates at 1.7 D"),
        ("9", "zone 7: 9, expected at most 6"),
        ("", "zone 7: nothing, expected a density in D"),
    ],
)
async def test_an_aim_that_is_refused(tmp_path: Path, mosquitto: str, typed: str, told: str) -> None:
    """An aim that cannot be is told with its zone, its value and what is expected; its field is marked and has the
    focus, what was typed stays, and no aim changes.
    """
    async with on_stage(tmp_path, mosquitto, press(), scenario(), approval=LONG) as (at, seen):
        await opened(at, seen)
        before = aims_now(at)
        await zone(seen.page, 2).fill("1.33")
        await zone(seen.page, 7).fill(typed)
        await seen.page.get_by_role("button", name="Set zone by zone").click()
        await expect(seen.page.locator("#aim-told p")).to_have_text([told])
        await expect(zone(seen.page, 7)).to_be_focused()
        await expect(seen.page.locator("#aim-told p")).to_be_in_viewport(ratio=1.0)
        await expect(zone(seen.page, 7)).to_have_attribute("aria-invalid", "true")
        await expect(zone(seen.page, 2)).to_have_value("1.33")
        await expect(zone(seen.page, 2)).not_to_have_attribute("aria-invalid", "true")
        assert aims_now(at) == before
        await zone(seen.page, 7).fill("1.41")
        await seen.page.get_by_role("button", name="Set zone by zone").click()
        await expect(seen.page.locator("#aim-told")).to_be_empty()
        await expect(seen.page.locator("#aim-own")).to_have_text("")
        assert aims_now(at) == [before[0], 1.33, *before[2:6], 1.41, *before[7:]]
        seen.wrong[:] = [line for line in seen.wrong if "400" not in line]


@pytest.mark.parametrize(("per_zone", "earlier"), [(False, False), (True, True)])
async def test_the_measure_of_the_ok_sheet(
    tmp_path: Path, mosquitto: str, per_zone: bool, earlier: bool
) -> None:
    """The operator chooses, by keyboard, whether the OK sheet gives one aim for each ink, as it does unless told
    otherwise, or an aim for each zone; and which of the sheets that were read it is, the last one unless told
    otherwise. That is what the core is asked for and does.
    """
    async with on_stage(tmp_path, mosquitto, press(), scenario(), approval=LONG) as (at, seen):
        await at.crew.print_to(100)
        await at.crew.pull()
        await at.crew.print_to(160)
        await at.crew.pull()
        await seen.sign_in()
        await seen.page.get_by_role("button", name="OK sheet…").click()
        which = seen.page.get_by_role("combobox", name="Which sheet?")
        sheets = await which.locator("option").all_inner_texts()
        assert [text.split()[0] for text in sheets] == ["sheet", "sheet"]
        if earlier:
            await which.press("ArrowDown")
        first = seen.page.get_by_role("radio", name="one aim for each ink")
        await expect(first).to_be_checked()
        await first.focus()
        if per_zone:
            await seen.page.keyboard.press("ArrowDown")
            await expect(seen.page.get_by_role("radio", name="an aim for each zone")).to_be_checked()
        await seen.page.get_by_role("button", name="Yes, this is the OK sheet").press("Enter")
        await expect(seen.page.locator("#facts")).to_contain_text("running on the OK sheet")
        assert (len(set(aims_now(at))) > 1) == per_zone
        scans = kept(at)
    (asked,) = requests(at)
    assert (asked["kind"], asked["per_zone"]) == ("ok_sheet", per_zone)
    assert scans.index(asked["scan_id"]) == (0 if earlier else 1)
