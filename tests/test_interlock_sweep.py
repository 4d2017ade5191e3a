"""What the interlock says to the sweep and to a standing fountain roller, and how a refusal is told."""

from dataclasses import replace
from typing import Any

import pytest

from inksteward.interlock import Permit, Rule
from tests.safety_kit import OPEN, STANDS, judge, moves, pending, read_back, refused


def test_sweep_alone() -> None:
    """The sweep may move alone, without any key known; its own position and range must be in order."""
    alone = moves({}, sweep=55_000)
    blind = read_back(None, None, None, referenced=(False,) * 3)
    assert judge(alone, blind) == Permit("u1", ())
    assert "not known" in refused(judge(alone, read_back(*STANDS, sweep_mpct=None)), Rule.SWEEP_UNKNOWN).text
    refused(judge(alone, replace(blind, age_ms=2_001)), Rule.POSITION_STALE)


def test_keys_alone_do_not_need_the_sweep() -> None:
    """Without a sweep target the sweep's position may be unknown."""
    assert isinstance(judge(live=read_back(*STANDS, sweep_mpct=None)), Permit)


@pytest.mark.parametrize("to", [10_000, 90_000])
def test_sweep_ends_are_taken(to: int) -> None:
    """Both ends of the sweep's range are allowed."""
    assert isinstance(judge(moves({}, sweep=to)), Permit)


@pytest.mark.parametrize(("to", "limit"), [(9_999, 10_000), (90_001, 90_000), (-1, 10_000)])
def test_sweep_outside_its_range_is_refused(to: int, limit: int) -> None:
    """One thousandth outside the range is refused, beside moves of keys too."""
    for targets in ({}, OPEN):
        refusal = refused(judge(moves(targets, sweep=to)), Rule.SWEEP_RANGE)
        assert (refusal.limit, refusal.value) == (limit, to)
        assert "allowed are 10.000 to 90.000 %" in refusal.text


@pytest.mark.parametrize("turning", [True, None])
def test_keys_close_while_the_fountain_turns(turning: bool | None) -> None:
    """A closing move is allowed while the fountain roller turns or nobody says."""
    live = read_back(*STANDS, fountain_turning=turning)
    assert isinstance(judge(moves({1: 49_999}), live), Permit)


@pytest.mark.parametrize("standing", [False, 0, "no"])
def test_no_key_closes_on_a_standing_roller(standing: Any) -> None:
    """While the roller stands, one thousandth of closing is refused; opening and standing still are allowed."""
    live = read_back(*STANDS, fountain_turning=standing)
    refusal = refused(judge(moves({0: 60_000, 2: 49_999, 1: 49_999}), live), Rule.FOUNTAIN_STANDING, 2)
    assert "zone 2: no key closes" in refusal.text
    assert isinstance(judge(moves({0: 50_000, 1: 50_001}, sweep=60_000), live), Permit)


def test_what_may_close_counts_as_closing() -> None:
    """A key that an earlier command may have opened farther than the target closes."""
    live = read_back(*STANDS, fountain_turning=False)
    refused(judge(moves({1: 59_999}), live, (pending({1: 60_000}),)), Rule.FOUNTAIN_STANDING, 2)
    assert isinstance(judge(moves({1: 60_000}), live, (pending({1: 60_000}),)), Permit)


def test_a_refusal_in_the_words_of_the_contract() -> None:
    """A refusal's payload has gaps in um, openings in percent, ages in seconds."""
    refusal = refused(judge(moves({1: 100_001})), Rule.OUTSIDE_TRAVEL, 2)
    assert refusal.payload() == {
        "rule": "outside_travel", "zone": 2, "limit": 100.0, "value": 100.001, "text": refusal.text,
    }  # fmt: skip
    assert refused(judge(blade=None), Rule.CALIBRATION_MISSING).payload()["limit"] is None
