"""Clocks that disagree are told of."""

from __future__ import annotations

import pytest

from inksteward.steward.ids import rfc3339
from tests.steward.desk import Desk


@pytest.mark.parametrize(("off_ms", "told"), [(2000, False), (2001, True), (-2000, False), (-2001, True)])
def test_a_skew_of_more_than_two_seconds_is_an_alarm(off_ms: int, told: bool) -> None:
    """More than 2 s either way between the counter's clock and this one raises the alarm, and it ends by itself."""
    desk = Desk().ready()
    wall_ms = 1_800_000_000_000 + desk.now_ms
    desk.count(desk.sheet, at=rfc3339(wall_ms + off_ms))
    assert ("clock_skew" in desk.alarm_codes()) is told
    desk.count(desk.sheet, at=rfc3339(wall_ms))
    assert "clock_skew" not in desk.alarm_codes()


def test_a_time_that_is_none_is_not_judged() -> None:
    """A day that does not exist is recorded like any other text."""
    desk = Desk().ready()
    desk.count(desk.sheet, at="2026-02-30T08:15:30.000Z")
    assert "clock_skew" not in desk.alarm_codes()
