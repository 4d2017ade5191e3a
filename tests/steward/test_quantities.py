"""What a reading tells of the strip beside its solids."""

from __future__ import annotations

from statistics import median
from typing import Any

import pytest

from inksteward.steward.quantities import NEUTRAL_FROM
from tests.steward.floor import Floor, small


@pytest.fixture(scope="module")
def floor() -> Floor:
    """A press of four process inks that runs; its strip has tints of 50 and 75 %, overprints, grey and paper."""
    made = Floor(small(units=4), seed=31)
    made.run(700)
    return made


def scan_of(floor: Floor) -> dict[str, Any]:
    """The sheet of this moment as a scan, ready to be changed."""
    scan = floor.strip.scan("run-1")
    assert scan is not None
    return scan.model_dump(mode="json", exclude_none=True) | {"scan_id": f"s-q-{len(floor.ledger.answers)}"}


def read(floor: Floor, scan: dict[str, Any]) -> dict[str, Any]:
    """The reading of a scan that is taken."""
    floor.receive("scan", scan)
    assert floor.ledger.answers[-1]["accepted"], floor.ledger.answers[-1]
    return floor.ledger.readings[-1]


def patches(scan: dict[str, Any], kind: str, *inks: str) -> list[dict[str, Any]]:
    """Patches of a kind and inks."""
    return [row for row in scan["patches"] if row["kind"] == kind and row["inks"] == list(inks)]


def test_print_contrast_is_that_of_the_solid_and_the_shadow_tint(floor: Floor) -> None:
    """100 (Ds - Dt) / Ds of the median solid and 75 % tint (printwiki.org/Print_Contrast), worked out from the scan."""
    scan = scan_of(floor)
    found = read(floor, scan)["quantities"]
    solid = median(row["density"]["C"] for row in patches(scan, "solid", "C"))
    shadow = median(row["density"]["C"] for row in patches(scan, "tint", "C") if row["tone_pct"] == 75.0)
    assert found["u2"]["print_contrast_pct"] == pytest.approx(100.0 * (solid - shadow) / solid, abs=0.5)


def test_hue_error_and_greyness_are_those_of_the_solid(floor: Floor) -> None:
    """100 (M - L)/(H - L) and 100 L/H of the three filters (Preucil; form from memory), worked out from the scan;
    black has none."""
    scan = scan_of(floor)
    found = read(floor, scan)["quantities"]
    rows = [row["density"] for row in patches(scan, "solid", "M")]
    low, middle, high = sorted(median(row[name] for row in rows) for name in "CMY")
    assert found["u3"]["hue_error_pct"] == pytest.approx(100.0 * (middle - low) / (high - low), abs=0.5)
    assert found["u3"]["greyness_pct"] == pytest.approx(100.0 * low / high, abs=0.5)
    assert low < NEUTRAL_FROM * high
    assert found["u1"]["hue_error_pct"] is None


def test_tones_stand_under_their_nominal_and_traps_under_the_ink_below(floor: Floor) -> None:
    """Both tints of every ink, more than they are on the plate (the press spreads them); magenta lies on cyan."""
    found = read(floor, scan_of(floor))["quantities"]
    for row in found.values():
        assert set(row["tone_value_pct"]) == {"50", "75"}
        assert 50.0 < row["tone_value_pct"]["50"] < row["tone_value_pct"]["75"] < 100.0
    assert 70.0 < found["u3"]["trap_pct"]["u2"] < 110.0


def test_what_was_not_read_is_not_told(floor: Floor) -> None:
    """A strip of solids alone has no tone value, no contrast, no trap and no grey."""
    scan = scan_of(floor)
    scan["patches"] = [row for row in scan["patches"] if row["kind"] == "solid"]
    found = read(floor, scan)
    assert found["grey"] is None
    for row in found["quantities"].values():
        assert row["tone_value_pct"] == {}
        assert row["trap_pct"] == {}
        assert row["print_contrast_pct"] is None


def test_grey_leans_against_the_ok_sheet(floor: Floor) -> None:
    """Before an OK sheet grey is told alone; after it a change of one filter shows with its size and its colour."""
    first = read(floor, scan_of(floor))
    assert first["grey"]["ok_sheet"] is None
    assert first["grey"]["lean_d"] is None
    request = {"request_id": "r-ok", "kind": "ok_sheet", "operator": "op-anna", "scan_id": first["scan_id"]}
    floor.receive("request", request)
    assert floor.ledger.answers[-1]["accepted"]
    scan = scan_of(floor)
    for row in patches(scan, "grey", "C", "M", "Y"):
        row["density"]["M"] += 0.1
    found = read(floor, scan)["grey"]
    assert found["ok_sheet"] == first["grey"]["density"]
    assert found["most"] == "M"
    assert found["lean_d"] == pytest.approx(0.1, abs=0.03)
