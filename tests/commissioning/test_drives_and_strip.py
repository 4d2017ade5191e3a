"""Lost motion, repeatability and speed of drives, and where the strip lies, against truths that are known."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.commissioning.drives import (
    Telegram,
    full_travel_s,
    lost_motion_pct,
    repeatability_pct,
    wider,
)
from inksteward.commissioning.strip import Lies, Unclear, centre, laid


@given(
    lost=st.floats(0.0, 5.0),
    opened=st.floats(-6.0, 6.0),
    closed=st.floats(-6.0, 6.0),
    slope=st.floats(0.5, 4.0),
)
def test_the_true_lost_motion_lies_within(lost: float, opened: float, closed: float, slope: float) -> None:
    """Whatever both gauges are off by, up to their half-width, the interval holds the truth."""
    found = lost_motion_pct(100.0 + opened, 100.0 + lost * slope + closed, slope, 6.0, 0.1)
    assert found.low <= lost <= found.high
    assert found.low >= 0.0


def test_repeatability() -> None:
    """The spread, give or take one step of the read-back, never below nothing."""
    found = repeatability_pct([30.0, 30.3, 30.1], 0.1)
    assert (found.value, found.low, found.high) == pytest.approx((0.3, 0.2, 0.4))
    assert repeatability_pct([30.0, 30.0], 0.1).low == 0.0
    assert wider([found, repeatability_pct([1.0, 1.0], 0.1)]) == found


@given(
    full=st.floats(2.0, 60.0),
    every=st.floats(0.1, 0.5),
    phase=st.floats(0.0, 1.0),
    way=st.floats(5.0, 60.0),
)
def test_the_true_speed_lies_within(full: float, every: float, phase: float, way: float) -> None:
    """Telegrams that come at any rhythm bound the time from end to end on both sides."""
    begun, lasts = 1.0, full * way / 100.0

    def pct(at: float) -> float:
        return 30.0 + way * min(max((at - begun) / lasts, 0.0), 1.0)

    times = [(n + phase) * every - every for n in range(int((begun + lasts) / every) + 4)]
    rows = [Telegram(at, pct(at), begun < at < begun + lasts) for at in times]
    found = full_travel_s(rows)
    assert found is not None
    assert found.low <= full * (1 + 1e-9)
    assert full <= found.high * (1 + 1e-9)


def test_too_little_was_seen() -> None:
    """Without a way, or while the key still moves, nothing is said of its speed."""
    assert full_travel_s([]) is None
    assert full_travel_s([Telegram(0.0, 30.0, False), Telegram(1.0, 30.2, False)]) is None
    assert full_travel_s([Telegram(0.0, 30.0, False), Telegram(1.0, 36.0, True)]) is None


def rise(zones: int, at: float, width: float = 0.7) -> tuple[list[float | None], list[float | None]]:
    """Densities before and after a key's opening that answers around a place, in zones."""
    before: list[float | None] = [1.4] * zones
    after: list[float | None] = [
        1.4 + 0.1 * max(0.0, 1.0 - abs(z - at) / (1.0 + width)) for z in range(1, zones + 1)
    ]
    return before, after


@pytest.mark.parametrize("shift", [-1.0, -0.4, 0.0, 0.5, 1.0])
def test_the_offset_of_a_shifted_strip(shift: float) -> None:
    """A strip laid off by a share of a pitch is told by that much, within a tenth of a pitch."""
    answers = {}
    for zone in (8, 25):
        found = centre(*rise(32, zone + shift))
        assert isinstance(found, float)
        answers[zone] = found
    lies = laid(answers, 32, 30.0)
    assert isinstance(lies, Lies)
    assert lies.offset_mm == pytest.approx(shift * 30.0, abs=3.0)
    assert lies.pitch_mm == pytest.approx(30.0, rel=0.02)


def test_a_reversed_strip_and_a_wrong_pitch_are_named() -> None:
    """What answers from the other end, and what answers too far apart, is told with what to change."""
    turned = laid({8: 25.0, 25: 8.0}, 32, 30.0)
    assert isinstance(turned, Unclear)
    assert "other end" in turned.text
    wide = laid({8: 7.0, 25: 28.0}, 32, 30.0)
    assert isinstance(wide, Unclear)
    assert "pitch_mm" in wide.text
    near = laid({8: 8.0, 9: 9.0}, 32, 30.0)
    assert isinstance(near, Unclear)


def test_no_answer_is_not_taken_for_one() -> None:
    """Noise of a scan lays no strip; unread zones are passed over."""
    flat = centre([1.4] * 8, [1.41, 1.39] * 4)
    assert isinstance(flat, Unclear)
    before, after = rise(8, 4.0)
    before[4] = None
    found = centre(before, after)
    assert isinstance(found, float)
