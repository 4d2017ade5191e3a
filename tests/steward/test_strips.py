"""What the job says of sheet and colour bar: zones beside the sheet, zones that no patch reads."""

from __future__ import annotations

from typing import Any

import pytest

from tests.steward.desk import Desk
from tests.steward.samples import job_of

RIGHT: dict[str, float | list[float]] = {"K": 1.6, "C": 1.4}


def with_job(**members: Any) -> Desk:
    """A desk at sheet 100 whose job says something of sheet or strip."""
    desk = Desk().start()
    desk.receive("job", {**job_of(desk), **members})
    assert desk.answer()["accepted"]
    desk.count(0)
    desk.positions()
    desk.run_to(100)
    return desk


def strip_of(*zones: float) -> dict[str, Any]:
    """A strip with solids of black in the middle of these zones and of cyan in all four."""
    black = [
        {"x_mm": 32.5 * (zone - 0.7), "kind": "solid", "inks": ["K"], "tone_pct": 100.0} for zone in zones
    ]
    cyan = [
        {"x_mm": 32.5 * (zone - 0.3), "kind": "solid", "inks": ["C"], "tone_pct": 100.0}
        for zone in (1, 2, 3, 4)
    ]
    return {
        "id": "strip-1",
        "mirror": False,
        "patches": sorted(black + cyan, key=lambda patch: patch["x_mm"]),
    }


def undetermined(desk: Desk) -> list[list[int]]:
    """Zones of the notes that say what the strip leaves undetermined."""
    notes = desk.told("reading")[-1]["notes"]
    return [note["zones"] for note in notes if note["code"] == "zones_undetermined"]


@pytest.mark.parametrize(
    ("zones", "expected"), [((1, 2, 3, 4), []), ((1, 3), [[4]]), ((2,), [[1, 3, 4]]), ((1, 2, 4), [])]
)
def test_zones_that_the_strip_cannot_read(zones: tuple[int, ...], expected: list[list[int]]) -> None:
    """Zones in which the strip has no solid of the ink, nor on both sides, are named; they move by the sweep alone."""
    desk = with_job(strip=strip_of(*zones))
    gone = {1, 2, 3, 4} - set(zones)
    dark: dict[str, float | list[float]] = {"K": 1.9, "C": 1.4}
    for _ in range(4):
        data = desk.scan_data(dark)
        left = {f"{32.5 * (zone - 0.7):.2f}" for zone in gone}
        data["patches"] = [
            patch for patch in data["patches"] if patch["inks"] == ["C"] or f"{patch['x_mm']:.2f}" not in left
        ]
        desk.receive("scan", data)
        assert undetermined(desk) == expected
        desk.run_to(desk.sheet + 60)
    standing = desk.state.units["u1"].standing
    assert standing is not None
    moved = {row["zone"] for row in standing.payload["moves"]}
    assert moved.isdisjoint(expected[0] if expected else [])


def test_a_strip_without_patches_says_nothing() -> None:
    """A job may name its strip without listing the patches: then the scan's labels count."""
    desk = with_job(strip={"id": "strip-1", "mirror": False, "patches": []})
    desk.scan(RIGHT)
    assert undetermined(desk) == []
    assert desk.told("reading")[-1]["units"]["u1"]["density"] == [1.6] * 4


@pytest.mark.parametrize(("left_edge_mm", "off"), [(26.0, []), (26.1, [1])])
def test_zones_beside_the_sheet_stay_where_they_are(left_edge_mm: float, off: list[int]) -> None:
    """A zone of which less than a fifth lies on the sheet (6.5 of 32.5 mm) is not moved, and it is said why."""
    desk = with_job(sheet={"width_mm": 1000.0, "left_edge_mm": left_edge_mm})
    for _ in range(4):
        desk.scan({"K": [1.6, 1.85, 1.85, 1.6], "C": 1.4})
        desk.run_to(desk.sheet + 60)
    standing = desk.state.units["u1"].standing
    assert standing is not None
    left = [row["zone"] for row in standing.payload["left"] if row["code"] == "off_sheet"]
    assert left == off
    assert 1 not in {row["zone"] for row in standing.payload["moves"]} or not off


def test_without_a_format_every_zone_is_on_the_sheet() -> None:
    """A job that names no sheet format is taken to print everywhere."""
    desk = with_job(sheet=None)
    for _ in range(4):
        desk.scan({"K": 1.9, "C": 1.4})
        desk.run_to(desk.sheet + 60)
    standing = desk.state.units["u1"].standing
    assert standing is not None
    assert "off_sheet" not in {row["code"] for row in standing.payload["left"]}


@pytest.mark.parametrize(("density", "code"), [(0.02, "not_inked"), (None, "unread")])
def test_a_zone_that_is_not_inked_is_told_apart_from_one_unread(density: float | None, code: str) -> None:
    """In a proposal the zone at the end whose solid, like the one beside it, shows hardly any ink is told as not inked;
    without a reading it is told as unread."""
    desk = with_job()
    for _ in range(4):
        data = desk.scan_data({"K": [1.85, 1.85, 1.6, 1.6], "C": 1.4})
        for patch in data["patches"]:
            if patch["inks"] == ["K"] and patch["x_mm"] > 65.0:
                patch["density"] = None if density is None else dict.fromkeys("CMYK", density)
        desk.receive("scan", data)
        desk.run_to(desk.sheet + 60)
    proposal = [told for told in desk.told("proposal/u1") if told][-1]
    assert [row["code"] for row in proposal["left"] if row["zone"] == 4] == [code]
    assert 4 not in {row["zone"] for row in proposal["moves"]}
