"""The whole commissioning, by the real command against the real service with a simulated press."""

from __future__ import annotations

import itertools
import tomllib
from pathlib import Path

import pytest

from inksteward.config import load
from tests.commissioning.press import PEOPLE, UNIT, ZONES, Pair, hall, small, true_within

pytestmark = pytest.mark.broker
_numbers = itertools.count(1)
FEW = ("--levels", "2", "--move-pct", "30")
"""Fewer and longer moves than usual."""


def name() -> str:
    """A press of the test's own at the shared broker."""
    return f"hall-{next(_numbers)}"


async def test_from_the_count_to_the_written_calibration(tmp_path: Path, mosquitto: str) -> None:
    """Two people are led through; every move was proposed with origin commission and decided; the true gaps lie within
    what is written, and `inksteward check` accepts it. Nothing of the old file is overwritten.
    """
    async with hall(tmp_path, mosquitto, name()) as at:
        before = at.shop.config.read_bytes()
        pair = Pair(at.keys)
        code, told, errors = await at.commission(pair)
        assert (code, errors) == (0, ""), told[-3000:]
        out = tmp_path / f"press-{UNIT}-commissioned.toml"
        assert at.shop.config.read_bytes() == before
        assert true_within(at, out) == []
        proposals = at.heard.all(f"proposal/{UNIT}")
        assert {made["origin"] for made in proposals} == {"commission"}
        outcomes = at.heard.all("outcome")
        assert {(row["result"], row["operator"]) for row in outcomes} == {("moved", "op-anna")}
        assert len(at.keys.commands) == len(outcomes) == len(proposals)
        new, old = tomllib.loads(out.read_text()), tomllib.loads(before.decode())
        assert new["unit"][0]["calibration"]["blade_id"] == old["unit"][0]["calibration"]["blade_id"]
        assert len(new["unit"][0]["key"]) == ZONES
        assert not at.keys.floor.press.contacts
        diff = out.with_name(out.name + ".diff").read_text()
        assert "+[unit.calibration]" in diff
        assert {tuple(row["operators"]) for row in at.session["entries"] if row["step"] == "gauge"} == {
            ("op-anna", "op-ben")
        }
        assert PEOPLE.find("op-ben") is not None


async def test_nothing_closes_while_the_fountain_roller_stands(tmp_path: Path, mosquitto: str) -> None:
    """What needs closing moves is refused by the interlock, may be left out with a reason, and no key closes."""
    async with hall(tmp_path, mosquitto, name()) as at:
        at.keys.turning = False
        pair = Pair(at.keys, [(r"again or skip", lambda match: "skip")])
        code, told, errors = await at.commission(pair, *FEW)
        assert (code, errors) == (0, ""), told[-3000:]
        assert "fountain_standing" in told
        assert [row["evidence"]["skipped"] for row in at.session["entries"] if row["step"] == "skip"] == [
            "reference",
            "lost",
            "strip",
        ]
        for command in at.keys.commands:
            assert all(row["to_pct"] > row["from_pct"] for row in command["targets"])
        assert true_within(at, tmp_path / f"press-{UNIT}-commissioned.toml") == []


async def test_lost_motion_is_seen_by_gauges(tmp_path: Path, mosquitto: str) -> None:
    """Keys with much play whose cabinet does not take it up: the play is told, and the backlash raised to hold it."""
    form = small(backlash_um=(15.5, 16.5))
    async with hall(tmp_path, mosquitto, name(), form, take_up_pct=0.0) as at:
        there = at.keys.floor.press.unit(UNIT)
        text = at.shop.config.read_text().replace("backlash_pct = 5.5", "backlash_pct = 0.5")
        assert "backlash_pct = 0.5" in text
        at.shop.config.write_text(text)
        code, told, errors = await at.commission(Pair(at.keys), *FEW, "--feel-um", "3")
        assert (code, errors) == (0, ""), told[-3000:]
        new = load(tmp_path / f"press-{UNIT}-commissioned.toml").press.unit(UNIT)
        assert new is not None
        most = max(there.keys.backlash_pct[zone] for zone in (0, 1, 3))
        assert most <= new.calibration.keys[0].backlash_mpct / 1000.0 <= 10.0
        assert "backlash_pct is raised" in told


async def test_from_a_cautious_start(tmp_path: Path, mosquitto: str) -> None:
    """A unit that was never calibrated, keys set well open by hand and 40 um stated: it can be commissioned, what comes
    out is true and narrower; keys that stand too near for that are not tried.
    """
    form = small(start_pct=40.0)
    async with hall(tmp_path, mosquitto, name(), form, uncertainty_um=40.0) as at:
        press = at.keys.floor.press
        await at.heard.until(lambda: at.heard.all("counter"))
        press.drive(UNIT, {3: 30.0})
        code, _, errors = await at.commission(Pair(at.keys), *FEW)
        assert (code, "keys 3 stand too near" in errors) == (1, True)
        press.drive(UNIT, {3: 40.0})
        code, told, errors = await at.commission(Pair(at.keys), *FEW)
        assert (code, errors) == (0, ""), told[-3000:]
        out = tmp_path / f"press-{UNIT}-commissioned.toml"
        assert true_within(at, out) == []
        unit = load(out).press.unit(UNIT)
        assert unit is not None
        assert all(key.uncertainty_nm < 25_000 for key in unit.calibration.keys)
        assert not press.contacts
