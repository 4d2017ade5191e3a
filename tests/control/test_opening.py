"""The opening of a job as one proposal."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from inksteward.contract.codes import LeftCode, LimitCode, NoProposal, NoteCode
from inksteward.control import opening as room
from inksteward.control.inversion import ends_um
from inksteward.control.opening import whole_opening
from inksteward.control.qp import NoSolution
from inksteward.control.situation import Situation, Worked
from inksteward.control.taught import Taught
from inksteward.model import Unit
from inksteward.model.verdict import Permit, Refusal
from inksteward.second_check import second_check
from tests.control.drawn import Found, found
from tests.control.situations import interlock, moves_of, read_back_of, situation, unit_of

COVERAGE = (0.2, 0.25, 0.3, 0.45, 0.4, 0.3, 0.25, 0.2)
LONG = unit_of("segmented", 8, travel_um=300.0)
SPRING = unit_of("spring", 8, travel_um=300.0)


def fresh(unit: Unit = LONG, coverage: tuple[float, ...] = COVERAGE, **fields: object) -> Situation:
    """A unit before the first sheet of a run: nothing known of its gains, limits of an opening."""
    case = situation(unit, coverage=coverage, **({"opening_pct": 40.0, "sweep_pct": 22.0} | fields))  # type: ignore[arg-type]
    n = unit.zones
    mean = np.concatenate((np.full(n, 0.05), np.zeros(n + 2)))
    return replace(
        case, estimate=replace(case.estimate, mean=mean, scans=0), limits=unit.limits_opening, early=True
    )


def targets(worked: Worked) -> dict[int, float]:
    """Zone from 1 -> percent."""
    return {row.zone: row.to_pct for row in worked.rows}


def judged(case: Situation, worked: Worked, turning: bool | None = True) -> Permit | Refusal | None:
    """What the interlock says of the proposal, if there is one."""
    if worked.nothing is not None:
        return None
    return interlock(
        case.unit, case.present, targets(worked), worked.sweep.to_pct if worked.sweep else None, turning
    )


@pytest.mark.parametrize("at", [0.0, 7.0, 40.0, 100.0])
def test_one_proposal_goes_the_whole_way(at: float) -> None:
    """From closed keys, from wide open ones and from any between, one proposal opens every zone to its aim."""
    case = fresh(opening_pct=at)
    worked = whole_opening(case, COVERAGE)
    assert isinstance(judged(case, worked), Permit)
    assert len(worked.rows) == 8
    assert max(abs(row.predicted_settled - 1.40) for row in worked.rows) < 0.02
    assert all("coverage" in row.why and "um at sweep" in row.why for row in worked.rows)


@pytest.mark.parametrize("unit", [LONG, SPRING])
def test_the_next_opening_has_nothing_left(unit: Unit) -> None:
    """Openings asked for again and again come to an end, with every zone near its aim, spring blades step by step."""
    opening, sweep, settled = [30.0] * 8, 22.0, [0.0]
    for _ in range(8):
        case = fresh(unit, opening_pct=opening, sweep_pct=sweep)
        worked = whole_opening(case, COVERAGE)
        if worked.nothing is not None:
            break
        assert isinstance(judged(case, worked), Permit)
        settled = [row.predicted_settled for row in worked.rows]
        opening = [targets(worked).get(zone + 1, at) for zone, at in enumerate(opening)]
        sweep = worked.sweep.to_pct if worked.sweep else sweep
    else:
        pytest.fail("openings never come to an end")
    assert settled == pytest.approx([1.40] * len(settled), abs=0.04)


def test_the_sweep_goes_with_the_keys() -> None:
    """Where light zones would want less than their least gap, the sweep falls in the same proposal, with the reason."""
    coverage = (0.03,) * 8
    case = fresh(coverage=coverage, sweep_pct=60.0)
    worked = whole_opening(case, coverage)
    assert worked.sweep is not None
    assert worked.sweep.to_pct < 40.0
    assert "least gap" in worked.sweep.why
    assert isinstance(judged(case, worked), Permit)


def test_the_sweep_keeps_to_its_step_and_range() -> None:
    """With a limit on its step the sweep goes no farther, and the keys are meant for where it goes."""
    coverage = (0.03,) * 8
    case = fresh(coverage=coverage, sweep_pct=60.0)
    near = replace(case, limits=replace(case.limits, sweep_step_pct=5.0))
    worked = whole_opening(near, coverage)
    assert worked.sweep is not None
    assert worked.sweep.to_pct == pytest.approx(55.0)
    assert "55.0 %" in next(row.why for row in worked.rows)
    outside = replace(case, present=replace(case.present, sweep_pct=4.0))
    assert whole_opening(outside, coverage).sweep is None


def test_zones_without_image_get_their_least_gap() -> None:
    """Zones without coverage and zones off the sheet are opened to their least gap, or closed to it, never below."""
    coverage = (0.0, 0.0, 0.3, 0.3, 0.3, 0.3, 0.3, 0.3)
    there = (True,) * 7 + (False,)
    for at, opens in ((2.0, True), (50.0, False)):
        case = fresh(coverage=coverage, opening_pct=at, on_sheet=there)
        worked = whole_opening(case, coverage)
        low, _ = ends_um(LONG)
        for zone in (1, 2, 8):
            row = next(row for row in worked.rows if row.zone == zone)
            assert low[zone - 1] - 0.76 <= row.gap_um_after <= low[zone - 1] + 0.76
            assert (row.to_pct > at) == opens
            assert "do not run dry" in row.why
        assert "outside the sheet" in next(row.why for row in worked.rows if row.zone == 8)
        assert isinstance(judged(case, worked), Permit)


def test_zones_without_image_that_stand_right_are_told() -> None:
    """A key without image that stands at its least gap already is named with the reason."""
    coverage = (0.0, 0.3, 0.3, 0.3, 0.3, 0.3, 0.3, 0.0)
    low_pct = float(ends_um(LONG)[0][0]) / 3.0
    case = fresh(
        coverage=coverage, opening_pct=[low_pct] + [40.0] * 6 + [low_pct], on_sheet=(True,) * 7 + (False,)
    )
    worked = whole_opening(case, coverage)
    assert [(item.zone, item.code) for item in worked.left] == [
        (1, LeftCode.BELOW_MIN_GAP),
        (8, LeftCode.OFF_SHEET),
    ]


def test_nothing_closes_on_a_standing_roller() -> None:
    """While the fountain roller stands, keys only open; those that are to close wait, in words, and the interlock
    permits what is left. A planted closing move would be refused.
    """
    case = fresh(opening_pct=[60.0, 60.0, 60.0, 5.0, 5.0, 5.0, 60.0, 60.0])
    worked = whole_opening(case, COVERAGE, may_close=False)
    assert {row.zone for row in worked.rows} == {4, 5, 6}
    assert all(row.to_pct > row.from_pct for row in worked.rows)
    waits = {
        item.zone for item in worked.left if "fountain roller" in item.text and "once it turns" in item.text
    }
    assert waits == {1, 2, 3, 7, 8}
    assert isinstance(judged(case, worked, turning=False), Permit)
    free = whole_opening(case, COVERAGE)
    verdict = judged(case, free, turning=False)
    assert isinstance(verdict, Refusal)
    assert verdict.rule == "fountain_standing"


def test_what_waits_for_the_fountain_is_said_first_where_nothing_moves() -> None:
    """Where every key is to close and may not, there is no proposal, and the first words are about the fountain."""
    worked = whole_opening(fresh(opening_pct=95.0), COVERAGE, may_close=False)
    assert (worked.rows, worked.nothing) == ((), NoProposal.INFEASIBLE)
    assert "fountain roller" in worked.left[0].text


def test_what_the_run_has_learned_counts() -> None:
    """A zone that is known to get a fifth more than the model says is opened less, by about a fifth."""
    case = fresh()
    mean = case.estimate.mean.copy()
    mean[8:16] = 0.2
    plain, known = (
        whole_opening(each, COVERAGE)
        for each in (case, replace(case, estimate=replace(case.estimate, mean=mean)))
    )
    ratio = [b.gap_um_after / a.gap_um_after for a, b in zip(plain.rows, known.rows, strict=True)]
    assert ratio == pytest.approx([np.exp(-0.2)] * 8, rel=0.03)


def test_past_jobs_count_until_a_scan_was_read() -> None:
    """What past jobs taught opens the keys by its factor, with the interval in the reason, until this run has a scan
    of its own.
    """
    lesson = Taught(np.full(8, 0.1), np.full(8, -0.05), np.full(8, 0.25), 7, 0.9)
    case = fresh()
    plain, told = whole_opening(case, COVERAGE), whole_opening(case, COVERAGE, lesson)
    ratio = [b.gap_um_after / a.gap_um_after for a, b in zip(plain.rows, told.rows, strict=True)]
    assert ratio == pytest.approx([np.exp(0.1)] * 8, rel=0.03)
    assert all("past jobs: x1.11, 90 % between 0.95 and 1.28, 7 jobs" in row.why for row in told.rows)
    assert max(abs(row.predicted_settled - 1.40) for row in told.rows) < 0.02
    scanned = replace(case, estimate=replace(case.estimate, scans=1))
    assert [row.why for row in whole_opening(scanned, COVERAGE, lesson).rows] == [
        row.why for row in plain.rows
    ]


def test_aims_out_of_reach_are_told() -> None:
    """Where a key at its least gap still gives too much, and where a key at full travel gives too little, a note says
    which zones and what can be reached.
    """
    light = (0.02, 0.3, 0.3, 0.3, 0.3, 0.3, 0.3, 0.3)
    case = fresh(coverage=light, sweep_pct=80.0)
    held = replace(case, limits=replace(case.limits, sweep_step_pct=0.1))
    notes = whole_opening(held, light).remarks
    assert [(note.code, note.zones) for note in notes] == [
        (NoteCode.BELOW_MIN_GAP, (1, *range(2, 9)))
    ] or notes
    assert 1 in notes[0].zones
    assert notes[0].code is NoteCode.BELOW_MIN_GAP
    heavy = fresh(coverage=(1.0,) * 8, sweep_pct=10.0)
    held = replace(heavy, limits=replace(heavy.limits, sweep_step_pct=0.1))
    assert whole_opening(held, (1.0,) * 8).remarks[0].code is NoteCode.ABOVE_TRAVEL


def test_stuck_keys_stay() -> None:
    """A key that did not move when told to is left alone, and told."""
    case = fresh(stuck=(False,) * 2 + (True,) + (False,) * 5)
    worked = whole_opening(case, COVERAGE)
    assert 3 not in targets(worked)
    assert "did not move" in next(item.text for item in worked.left if item.zone == 3)


def test_a_spring_blade_comes_up_from_its_least_gap() -> None:
    """Where a spring blade holds keys shut, the first proposal lifts it and the next ones go on, all permitted."""
    opening: list[float] = [9.0] * 8
    lifted = []
    for _ in range(6):
        case = fresh(SPRING, coverage=(0.4,) * 8, opening_pct=opening)
        worked = whole_opening(case, (0.4,) * 8)
        if worked.nothing is not None:
            break
        assert isinstance(judged(case, worked), Permit)
        opening = [targets(worked).get(zone + 1, at) for zone, at in enumerate(opening)]
        lifted.append(sum(opening))
    assert lifted == sorted(lifted)
    assert lifted[-1] > 8 * 15.0


def test_limits_that_bit_are_named() -> None:
    """A limit that held a key back is named with how much it withheld, in the row and in its words."""
    case = fresh()
    tight = replace(case, limits=replace(case.limits, step_pct=3.0))
    worked = whole_opening(tight, COVERAGE)
    held = [row for row in worked.rows if row.limited_by]
    assert held
    assert all(row.limited_by[0][0] is LimitCode.STEP and "largest step" in row.why for row in held)


def test_no_answer_of_the_solver_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """If the model cannot be inverted, or no movement keeps every limit, there is no proposal but a note."""
    monkeypatch.setattr(room, "solve", lambda *_: NoSolution("it found nothing"))
    worked = whole_opening(fresh(), COVERAGE)
    assert (worked.nothing, worked.remarks[0].code) == (NoProposal.INFEASIBLE, NoteCode.NO_SOLUTION)
    monkeypatch.setattr(room, "invert", lambda *_: None)
    worked = whole_opening(fresh(), COVERAGE)
    assert (worked.nothing, worked.remarks[0].code) == (NoProposal.INFEASIBLE, NoteCode.NO_SOLUTION)


DRAWN = settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])


def permitted(one: Found, *, turning: bool, scans: int) -> None:
    """Ask the interlock and the second check about the opening of a press as drawn."""
    case = one.situation()
    limits = case.unit.limits_opening if one.limits in ("wide", "makeready") else case.limits
    case = replace(case, limits=limits, estimate=replace(case.estimate, scans=scans))
    coverage = tuple(0.0 if a == 0.99 and i % 2 else a for i, a in enumerate(one.coverage))
    lesson = Taught(np.full(case.unit.zones, 0.3), np.zeros(1), np.zeros(1), 3, 0.9)
    told = replace(lesson, low=lesson.ln_gap - 0.1, high=lesson.ln_gap + 0.1)
    worked = whole_opening(case, coverage, told, may_close=turning)
    verdict = judged(case, worked, turning=turning)
    assert verdict is None or isinstance(verdict, Permit), f"{verdict}: {worked.rows}"
    if verdict is not None:
        moves = moves_of(case.unit, targets(worked), worked.sweep.to_pct if worked.sweep else None)
        read_back = read_back_of(case.unit, case.present, turning)
        assert second_check(moves, read_back, (), case.unit.calibration, case.unit.coupling) is None
    assert not {row.zone for row in worked.rows} & {item.zone for item in worked.left}


@DRAWN
@given(found("segmented", "spring"), st.booleans(), st.integers(0, 1))
def test_openings_are_never_refused(one: Found, turning: bool, scans: int) -> None:
    """Neither the interlock nor the second check refuses an unedited fresh opening, on either blade, from wherever the
    keys stand, whether or not the fountain roller turns.
    """
    permitted(one, turning=turning, scans=scans)


@pytest.mark.parametrize("blade", ["segmented", "spring"])
def test_the_property_would_find_a_fault(blade: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """With backlash and uncertainty left out of the limits, the same search finds an opening that is refused."""
    monkeypatch.setattr("inksteward.control.limits._slack_pct", lambda key: 0.0)
    monkeypatch.setattr("inksteward.control.limits.MARGIN_UM", -6.0)

    @settings(DRAWN, max_examples=300, database=None, phases=[Phase.generate], derandomize=True)
    @given(found(blade))
    def search(one: Found) -> None:
        permitted(one, turning=True, scans=0)

    with pytest.raises(AssertionError, match="Refusal"):
        search()
