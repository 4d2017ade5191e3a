"""The strip laid on the zones by real scans of a press that prints, and the session gone on with from a file."""

from __future__ import annotations

import asyncio
import json
import re
from dataclasses import asdict
from pathlib import Path

import pytest

from inksteward.commissioning.plan import Settings
from inksteward.commissioning.session import Session
from tests.commissioning.press import UNIT, Hall, Pair, hall, small
from tests.commissioning.test_session import AT, FIRST, SECOND

pytestmark = pytest.mark.broker
SETTLED_SHEETS = 600
PRINTS_AT_PCT = 25.0
ZONES = 8


def up_to_the_strip(at: Hall) -> Session:
    """A session in which everything but the strip was done or left out, signed by both."""
    unit = at.shop.scenario.units[0]
    session = Session(at.shop.press, UNIT, unit.blade_id, ZONES)
    count = {
        "zones": ZONES,
        "zone_1_at": "operator",
        "opening_pct": [20.0] * ZONES,
        "settings": asdict(Settings()),
    }
    session = session.with_entry("count", AT, [FIRST], count)
    for zone in range(1, ZONES + 1):
        session = session.with_entry("direction", AT, [FIRST], {"zone": zone, "right": True})
    there = at.keys.floor.press.unit(UNIT)
    for number, pct in enumerate((28.0, 56.5, 85.0)):
        true = there.opening_um(0.0 * there.keys.screw_pct + pct)
        rows = [{"zone": zone + 1, "pct": pct, "gauge_um": round(float(true[zone]))} for zone in range(ZONES)]
        evidence = {"purpose": f"level:{number}", "readings": rows, "gauge_um": 1.0, "feel_um": 5.0}
        session = session.with_entry("gauge", AT, [FIRST, SECOND], evidence)
    for step in ("reference", "lost"):
        session = session.with_entry("skip", AT, [FIRST], {"skipped": step, "reason": "done another day"})
    return session


@pytest.mark.parametrize(("shift_mm", "turned"), [(0.0, False), (32.5, False), (0.0, True)])
async def test_the_strip_is_laid_by_scans(
    tmp_path: Path, mosquitto: str, shift_mm: float, turned: bool
) -> None:
    """The offset that the strip really has lies within what is told; a strip read from its other end is named."""
    async with hall(tmp_path, mosquitto, f"hall-strip-{round(shift_mm)}-{int(turned)}", small(ZONES)) as at:
        (tmp_path / f"{UNIT}.commissioning.json").write_text(up_to_the_strip(at).text())
        press, floor = at.keys.floor.press, at.keys.floor
        await at.heard.until(lambda: at.heard.all("counter"))
        press.drive(UNIT, dict.fromkeys(range(1, ZONES + 1), PRINTS_AT_PCT))  # by hand
        press.start()
        numbers = iter(range(1, 9))

        async def scan() -> None:
            await asyncio.sleep(1.0)
            raw = floor.scanned(f"s-{next(numbers)}")
            await at.heard.say("scan", moved(raw, shift_mm, turned, at))

        def settled(match: re.Match[str]) -> str:
            press.step(SETTLED_SHEETS)
            scans.append(asyncio.create_task(scan()))
            return "scan"

        scans: list[asyncio.Task[None]] = []
        code, told, errors = await at.commission(Pair(at.keys, [(r"type scan", settled)]))
        assert (code, errors) == (0, ""), told[-3000:]
        await asyncio.gather(*scans)
        if turned:
            assert "read from the other end" in told
            return
        found = re.search(r"strip on zones: ([+-][\d.]+) mm along x, give or take ([\d.]+) mm", told)
        assert found is not None, told[-2000:]
        assert abs(float(found[1]) - shift_mm) <= float(found[2])
        assert ("first_edge_mm would be" in told) == (shift_mm > 0.0)


def moved(raw: bytes, shift_mm: float, turned: bool, at: Hall) -> bytes:
    """The scan as a strip gives it that lies off, or is read from its other end."""
    data = json.loads(raw)
    unit = at.shop.scenario.units[0]
    ends_mm = 2.0 * unit.first_edge_mm + ZONES * unit.pitch_mm
    for patch in data["patches"]:
        patch["x_mm"] = round((ends_mm - patch["x_mm"] if turned else patch["x_mm"]) + shift_mm, 3)
    return json.dumps(data).encode()
