"""The property that matters most: what is proposed keeps every limit, the interlock's above all."""

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings

from inksteward.control.decide import work_out
from inksteward.control.gaps import gap_um
from inksteward.control.situation import Situation, Worked
from inksteward.model import BladeKind
from inksteward.model.verdict import Permit
from inksteward.second_check import second_check
from tests.control.drawn import Found, found
from tests.control.situations import interlock, moves_of, read_back_of

MANY = settings(max_examples=250, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
SOME = settings(MANY, max_examples=200)
FEW = settings(MANY, max_examples=40)
HAIR = 1e-6


def targets(worked: Worked) -> dict[int, float]:
    """Zone from 1 -> percent."""
    return {row.zone: row.to_pct for row in worked.rows}


def assert_permitted(case: Situation) -> None:
    """Ask the interlock about the proposal, if there is one."""
    worked = work_out(case)
    if worked.nothing is None:
        sweep = worked.sweep.to_pct if worked.sweep else None
        verdict = interlock(case.unit, case.present, targets(worked), sweep)
        assert isinstance(verdict, Permit), f"{verdict}: {worked.rows}"


@MANY
@given(found("segmented"))
def test_proposal_is_never_refused_segmented(one: Found) -> None:
    """The interlock never refuses an unedited fresh proposal for a segmented blade."""
    assert_permitted(one.situation())


@MANY
@given(found("spring"))
def test_proposal_is_never_refused_spring(one: Found) -> None:
    """The interlock never refuses an unedited fresh proposal for a spring blade."""
    assert_permitted(one.situation())


@pytest.mark.soak
@pytest.mark.timeout(900)
@settings(MANY, max_examples=20_000)
@given(found("segmented", "spring"))
def test_proposal_is_never_refused_at_length(one: Found) -> None:
    """The interlock never refuses an unedited fresh proposal, over many more cases."""
    assert_permitted(one.situation())


@FEW
@given(found("segmented", "spring"))
def test_second_check_agrees(one: Found) -> None:
    """The guard's second check, by another method, refuses no unedited fresh proposal either."""
    case = one.situation()
    worked = work_out(case)
    if worked.nothing is None:
        moves = moves_of(case.unit, targets(worked), worked.sweep.to_pct if worked.sweep else None)
        read_back = read_back_of(case.unit, case.present)
        assert second_check(moves, read_back, (), case.unit.calibration, case.unit.coupling) is None


def assert_travel(case: Situation, to: dict[int, float]) -> None:
    """Step, travel, accumulated travel of each key and of the unit, as percent that the motors turn."""
    limits, present, zones = case.limits, case.present, case.unit.zones
    total = 0.0
    for zone, target in to.items():
        way = abs(target - present.opening_pct[zone - 1])
        total += way
        assert 0.0 <= target <= 100.0
        assert way <= limits.step_pct + HAIR
        assert way <= max(limits.accumulated_key_pct - present.used_key_pct[zone - 1], 0.0) + HAIR
    assert total <= limits.total_pct * zones + HAIR
    assert total <= max(limits.accumulated_unit_pct * zones - present.used_unit_pct, 0.0) + HAIR


def assert_neighbours(case: Situation, gaps: np.ndarray) -> None:
    """Difference of neighbouring keys in every partial state, and what the others do to each zone."""
    before = case.present.gaps_um
    if case.unit.blade is BladeKind.SPRING:
        highest, lowest = np.maximum(before, gaps), np.minimum(before, gaps)
        for i, j in [(k, k + 1) for k in range(len(gaps) - 1)]:
            for a, b in ((i, j), (j, i)):
                now = max(case.limits.adjacent_um, float(before[a] - before[b]))
                assert highest[a] - lowest[b] <= now + 1e-3
    matrix = case.plant.interaction
    others = matrix - np.diag(np.diag(matrix))
    changes = np.log1p(others @ (gaps - before) / (matrix @ before))
    assert np.abs(changes).max() <= case.limits.interaction_ln + HAIR


@SOME
@given(found("segmented", "spring"))
def test_proposal_keeps_every_other_limit(one: Found) -> None:
    """Rounded to the drive's grid, small moves dropped, a proposal still keeps step, travel and neighbour limits."""
    case = one.situation()
    worked = work_out(case)
    if worked.nothing is not None:
        return
    to = targets(worked)
    assert_travel(case, to)
    gaps = case.present.gaps_um.copy()
    for zone, target in to.items():
        if target != round(case.present.opening_pct[zone - 1], 3):
            gaps[zone - 1] = gap_um(case.unit.calibration.keys[zone - 1], target)
    assert_neighbours(case, gaps)
    if worked.sweep is not None:
        low, high = case.sweep_range_pct
        assert low <= worked.sweep.to_pct <= high
        assert abs(worked.sweep.to_pct - case.present.sweep_pct) <= case.limits.sweep_step_pct + HAIR


@SOME
@given(found("segmented", "spring"))
def test_zones_that_are_not_read_keep_their_keys(one: Found) -> None:
    """A key off the sheet, unread or silent stays where it is, whatever the others do."""
    case = one.situation()
    worked = work_out(case)
    for row in worked.rows:
        i = row.zone - 1
        assert case.read[i]
        assert case.on_sheet[i]
        assert not case.silent[i]


@SOME
@given(found("segmented", "spring"))
def test_every_zone_is_accounted_for(one: Found) -> None:
    """A proposal's rows and the zones left alone are apart, each zone at most once, every row with its words."""
    worked = work_out(one.situation())
    rows, left = [row.zone for row in worked.rows], [item.zone for item in worked.left]
    assert rows == sorted(set(rows))
    assert len(left) == len(set(left))
    assert not set(rows) & set(left) or worked.nothing is not None
    assert all(row.why for row in worked.rows)
    assert all(item.text for item in worked.left)
    assert (worked.nothing is None) == bool(worked.rows or worked.sweep)


@pytest.mark.parametrize("blade", ["segmented", "spring"])
def test_the_property_would_find_a_fault(blade: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """With backlash and uncertainty left out of the limits, the same search finds a proposal that is refused."""
    monkeypatch.setattr("inksteward.control.limits._slack_pct", lambda key: 0.0)
    monkeypatch.setattr("inksteward.control.limits.MARGIN_UM", -6.0)

    @settings(MANY, max_examples=400, database=None, phases=[Phase.generate], derandomize=True)
    @given(found(blade))
    def search(one: Found) -> None:
        assert_permitted(one.situation())

    with pytest.raises(AssertionError, match="Refusal"):
        search()
