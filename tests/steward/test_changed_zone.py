"""A zone that really changed is believed, a single misread is not."""

from __future__ import annotations

import pytest

from tests.steward.desk import Desk


@pytest.mark.parametrize("changed", [1.90, 1.97])
def test_a_zone_that_stays_changed_is_read_and_proposed_for(changed: float) -> None:
    """One scan alone is a misread; when the next ones say the same, the zone is out and gets a proposal."""
    desk = Desk().ready()
    for _ in range(2):
        desk.scan({"K": 1.6, "C": 1.4})
        desk.run_to(desk.sheet + 60)
    desk.scan({"K": [1.6, changed, 1.6, 1.6], "C": 1.4})
    assert desk.told("reading")[-1]["units"]["u1"]["in_tolerance"][1] is not False
    for _ in range(3):
        desk.run_to(desk.sheet + 60)
        desk.scan({"K": [1.6, changed, 1.6, 1.6], "C": 1.4})
    reading = desk.told("reading")[-1]["units"]["u1"]
    assert reading["in_tolerance"][1] is False
    standing = desk.state.units["u1"].standing
    assert standing is not None
    moves = {row["zone"]: row["to_pct"] - row["from_pct"] for row in standing.payload["moves"]}
    assert moves[2] < 0


def test_a_misread_that_does_not_come_back_changes_nothing() -> None:
    """After a single absurd patch the zone is read as before."""
    desk = Desk().ready()
    for dark in (1.6, 1.6, 1.95, 1.6):
        desk.scan({"K": [1.6, dark, 1.6, 1.6], "C": 1.4})
        desk.run_to(desk.sheet + 60)
    assert desk.told("reading")[-1]["units"]["u1"]["in_tolerance"] == [True] * 4
    assert desk.state.units["u1"].standing is None
