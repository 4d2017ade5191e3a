"""What is proposed, what is left alone and why: from a situation to rows, sweep, remarks."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from inksteward.config import ControlSettings
from inksteward.contract.codes import LeftCode, LimitCode, NoProposal, NoteCode
from inksteward.control import plan
from inksteward.control.decide import SHORT_LN, work_out
from inksteward.control.limits import floor_um
from inksteward.control.qp import NoSolution
from inksteward.control.situation import Situation, Worked
from inksteward.control.sweep import COMMON_LEAST_LN, COMMON_SHARE
from tests.control.situations import WIDE, situation, unit_of, usual

UNIT = usual()
EXACT = ControlSettings(lambda_share=1.0, dead_band=0.0, move_weight=1e-6, sweep_weight=1e-6)
"""Every error counts and is wished away at once."""


def left(worked: Worked) -> dict[int, LeftCode]:
    """Zone from 1 -> why it is left alone."""
    return {item.zone: item.code for item in worked.left}


def one_out(zone: int = 1, off_ln: float = 0.3, **fields: Any) -> Situation:
    """A unit with one zone off its aim."""
    off = [0.0] * 8
    off[zone - 1] = off_ln
    return situation(UNIT, off_ln=off, **fields)


def test_on_aim_nothing_is_proposed() -> None:
    """A unit on its aims gets no proposal, and every zone says so."""
    worked = work_out(situation(UNIT))
    assert worked.nothing is NoProposal.IN_TOLERANCE
    assert left(worked) == dict.fromkeys(range(1, 9), LeftCode.IN_TOLERANCE)
    assert worked.rows == ()


def test_error_within_noise_is_left() -> None:
    """A zone out of tolerance whose gain is hardly known is left to the next scan."""
    worked = work_out(one_out(3, 0.3, sigma_ln=0.6))
    assert worked.nothing is NoProposal.WITHIN_NOISE
    assert left(worked)[3] is LeftCode.WITHIN_NOISE
    assert left(worked)[4] is LeftCode.IN_TOLERANCE


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_zone_that_is_out_moves_back(sign: float) -> None:
    """A zone too dark closes, one too light opens; neighbours move only to make up for it."""
    worked = work_out(one_out(4, sign * 0.3))
    assert worked.nothing is None
    row = next(row for row in worked.rows if row.zone == 4)
    assert (row.to_pct - row.from_pct) * sign < -5.0
    assert abs(row.predicted_settled - 1.40) < 0.03
    assert all((other.to_pct - other.from_pct) * sign > 0.0 for other in worked.rows if other.zone != 4)


@pytest.mark.parametrize(
    ("field", "code"),
    [("on_sheet", LeftCode.OFF_SHEET), ("read", LeftCode.UNREAD), ("silent", LeftCode.NOT_A_KEY_FAULT)],
)
def test_zones_that_keys_do_not_mend(field: str, code: LeftCode) -> None:
    """A zone off the sheet, unread or without an answer to its last moves is left alone with its reason."""
    flags = [field != "silent"] * 8
    flags[4] = not flags[4]
    worked = work_out(one_out(5, 0.4, **{field: tuple(flags)}))
    assert left(worked)[5] is code
    assert worked.rows == ()


def test_silent_zones_alone_are_no_key_fault() -> None:
    """Where only zones that do not answer are out, the reading says that keys are not the fault."""
    silent = (False, True, *[False] * 6)
    assert work_out(one_out(2, 0.4, silent=silent)).nothing is NoProposal.NOT_A_KEY_FAULT
    assert work_out(one_out(2, 0.01, silent=silent)).nothing is NoProposal.IN_TOLERANCE


def test_what_limits_hold_back_altogether() -> None:
    """A zone that needs to move and may not is told as held back, and the unit as infeasible, not as noise."""
    case = one_out(3, 0.3, limits=replace(WIDE, accumulated_key_pct=10.0))
    worked = work_out(replace(case, present=replace(case.present, used_key_pct=(10.0,) * 8)))
    assert worked.nothing is NoProposal.INFEASIBLE
    assert left(worked)[3] is LeftCode.HELD_BACK


def spread_out(share: float) -> list[float]:
    """Errors of which a common factor explains this share: alternating ones on top of it."""
    common = 0.2
    alternating = common * np.sqrt((1.0 - share) / share)
    return [common + (alternating if zone % 2 else -alternating) for zone in range(8)]


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(
    ("share", "by_sweep"), [(COMMON_SHARE - 0.001, False), (COMMON_SHARE + 0.001, True), (0.99, True)]
)
def test_common_factor_moves_the_sweep(sign: float, share: float, by_sweep: bool) -> None:
    """One factor that explains more than 70 % of the wanted changes is the sweep's, to either side."""
    off = [sign * value for value in spread_out(share)]
    worked = work_out(situation(UNIT, off_ln=off, settings=EXACT))
    assert (worked.sweep is not None) is by_sweep
    if worked.sweep:
        assert (worked.sweep.to_pct - worked.sweep.from_pct) * sign < 0.0


@pytest.mark.parametrize(
    ("factor", "by_sweep"), [(COMMON_LEAST_LN - 1e-3, False), (COMMON_LEAST_LN + 1e-3, True)]
)
def test_small_common_factor_is_left_to_the_keys(factor: float, by_sweep: bool) -> None:
    """A common change of less than 4 % of sweep is not worth disturbing every zone."""
    sigma = float(situation(UNIT).plant.sigma[0])
    worked = work_out(situation(UNIT, off_ln=-factor * sigma, settings=EXACT, sigma_ln=1e-5))
    assert worked.nothing is None
    assert (worked.sweep is not None) is by_sweep


@pytest.mark.parametrize(("heavy_out", "by_sweep"), [(3, False), (4, True)])
def test_fewer_than_half_do_not_move_the_sweep(heavy_out: int, by_sweep: bool) -> None:
    """The sweep moves for at least half of the zones that are read, never for fewer."""
    coverage = [0.99] * heavy_out + [0.0] * (8 - heavy_out)
    off = [0.3] * heavy_out + [0.0] * (8 - heavy_out)
    unit = unit_of(train={"kappa": 0.0})
    worked = work_out(situation(unit, coverage=coverage, off_ln=off, settings=EXACT))
    assert (worked.sweep is not None) is by_sweep


def test_rows_say_what_they_would_be_without_the_sweep() -> None:
    """With a sweep in the proposal every row has a target for the case that the sweep is left; without, none has."""
    worked = work_out(situation(UNIT, off_ln=spread_out(0.9), settings=EXACT))
    assert worked.sweep is not None
    assert worked.rows
    assert all(row.to_pct_if_sweep_left is not None for row in worked.rows)
    lower = [
        row.to_pct_if_sweep_left < row.to_pct for row in worked.rows if row.to_pct_if_sweep_left is not None
    ]
    assert all(lower)
    alone = work_out(one_out(4, 0.3))
    assert all(row.to_pct_if_sweep_left is None for row in alone.rows)


@pytest.mark.parametrize(("factor", "only_sweep"), [(SHORT_LN - 0.005, False), (SHORT_LN + 0.005, True)])
def test_shortage_goes_first_as_one_sweep_move(factor: float, only_sweep: bool) -> None:
    """At the first scan a whole form that lacks ink is one sweep move and a note; keys wait."""
    sigma = float(situation(UNIT).plant.sigma[0])
    worked = work_out(situation(UNIT, off_ln=-factor * sigma, settings=EXACT, early=True))
    assert worked.sweep is not None
    assert worked.sweep.to_pct > worked.sweep.from_pct
    assert (NoteCode.SHORTAGE in {note.code for note in worked.remarks}) is only_sweep
    assert not (only_sweep and worked.rows)


def at_floor(off_ln: float = 0.4, **fields: Any) -> Situation:
    """A light zone 1 that is too dark with its key at the minimum gap; all others on aim."""
    off = [off_ln] + [0.0] * 7
    low = floor_um(UNIT, 0) / 2.0
    return situation(UNIT, opening_pct=[low] + [50.0] * 7, off_ln=off, coverage=[0.02] + [0.3] * 7, **fields)


def test_zone_at_the_minimum_gap_moves_the_sweep_down() -> None:
    """Where a key cannot close any farther the sweep goes down a little and the other keys open to match."""
    worked = work_out(at_floor())
    assert worked.sweep is not None
    assert 0.1 <= 1.0 - worked.sweep.to_pct / worked.sweep.from_pct <= 0.2
    rows = {row.zone: row for row in worked.rows}
    assert all(rows[zone].to_pct > rows[zone].from_pct for zone in range(3, 9))
    assert 1 not in rows or rows[1].to_pct >= rows[1].from_pct
    assert max(abs(rows[zone].predicted_settled - 1.40) for zone in range(3, 9)) < 0.03


def test_zone_at_full_travel_moves_the_sweep_up() -> None:
    """Where a key is wide open and its zone too light the sweep goes up, unless one at its minimum needs less."""
    wide = situation(UNIT, opening_pct=[100.0] + [50.0] * 7, off_ln=[-0.4] + [0.0] * 7)
    worked = work_out(wide)
    assert worked.sweep is not None
    assert 0.1 <= worked.sweep.to_pct / worked.sweep.from_pct - 1.0 <= 0.25
    low = floor_um(UNIT, 7) / 2.0
    both = situation(
        UNIT, opening_pct=[100.0] + [50.0] * 6 + [low], off_ln=[-0.4] + [0.0] * 6 + [0.4],
        coverage=[0.3] * 7 + [0.02],
    )  # fmt: skip
    worked = work_out(both)
    assert worked.sweep is not None
    assert worked.sweep.to_pct < worked.sweep.from_pct


def test_aim_below_the_minimum_gap_is_told() -> None:
    """With the sweep at its end as well, the note names needed and least gap and the density that can be reached."""
    worked = work_out(at_floor(sweep_pct=10.0))
    assert worked.sweep is None
    (note,) = worked.remarks
    assert note.code is NoteCode.BELOW_MIN_GAP
    assert note.zones == (1,)
    assert f"may not go below {floor_um(UNIT, 0):.0f} um" in note.text
    assert f"reachable density {worked.forecast.settled_density[0]:.2f}" in note.text
    assert "would need" in note.text
    assert "sweep" in note.remedy


def test_zone_out_of_reach_goes_as_near_as_it_can() -> None:
    """A zone whose aim lies below the minimum gap still closes to its limit, and settles where the note says."""
    worked = work_out(situation(UNIT, opening_pct=30.0, off_ln=[1.2] + [0.0] * 7, sweep_pct=10.0))
    (note,) = worked.remarks
    row = next(row for row in worked.rows if row.zone == 1)
    assert row.gap_um_after == pytest.approx(floor_um(UNIT, 0), abs=0.5)
    reachable = float(note.text.split("reachable density ")[1])
    assert row.predicted_settled == pytest.approx(reachable, abs=0.015)
    assert all(abs(other.predicted_settled - 1.40) < 0.03 for other in worked.rows if other.zone != 1)


def test_aim_beyond_full_travel_is_told() -> None:
    """The mirror case: key wide open, sweep at its upper end, zone still too light."""
    case = situation(UNIT, opening_pct=[100.0] + [50.0] * 7, off_ln=[-0.4] + [0.0] * 7, sweep_pct=100.0)
    worked = work_out(case)
    (note,) = worked.remarks
    assert note.code is NoteCode.ABOVE_TRAVEL
    assert note.zones == (1,)
    assert "raise the sweep" in note.remedy


@pytest.mark.parametrize("at", [5.0, 9.999, 60.001, 95.0])
def test_sweep_outside_its_range_is_left_there(at: float) -> None:
    """Where hands put the sweep outside its range it is left, and the keys do what they can."""
    unit = unit_of(sweep={"min_pct": 10.0, "max_pct": 60.0})
    for off in (0.3, -0.3):
        worked = work_out(situation(unit, off_ln=off, sweep_pct=at, settings=EXACT))
        assert worked.nothing is None
        assert worked.sweep is None
        assert len(worked.rows) == 8


def test_no_solution_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """If no movement keeps every limit there is no proposal and a note with the solver's words."""
    monkeypatch.setattr(plan, "solve", lambda *_: NoSolution("it found nothing"))
    worked = work_out(one_out())
    assert worked.nothing is NoProposal.INFEASIBLE
    assert worked.rows == ()
    (note,) = worked.remarks
    assert note.code is NoteCode.NO_SOLUTION
    assert "it found nothing" in note.text


def test_unread_zone_moves_only_with_the_sweep() -> None:
    """An unread zone among others that all need ink keeps its key and takes part in the sweep's move."""
    read = (True, True, False, *[True] * 5)
    worked = work_out(situation(UNIT, off_ln=-0.3, read=read, settings=EXACT))
    assert worked.sweep is not None
    assert 3 not in {row.zone for row in worked.rows}
    assert left(worked)[3] is LeftCode.UNREAD


def test_reversed_zone_moves_less() -> None:
    """A zone that was reversed again and again moves about half as far."""
    halved = one_out(4, -0.3, reversal_gain=(1.0, 1.0, 1.0, 0.5, *[1.0] * 4))
    way = {
        name: next(row.to_pct - row.from_pct for row in work_out(case).rows if row.zone == 4)
        for name, case in (("full", one_out(4, -0.3)), ("half", halved))
    }
    assert 0.35 * way["full"] < way["half"] < 0.6 * way["full"]


def test_limits_are_named_in_the_row() -> None:
    """A row that a limit cut says which one, in code and in words."""
    worked = work_out(one_out(4, 0.3, limits=replace(WIDE, step_pct=5.0)))
    row = next(row for row in worked.rows if row.zone == 4)
    assert [code for code, _ in row.limited_by] == [LimitCode.STEP]
    assert "held back by the largest step" in row.why


def test_a_late_zone_is_driven_past_its_aim() -> None:
    """A zone whose settled film is right, but which comes in late, gets more ink than it will need, for a while, and so
    does one that would go past its tolerance later on. Where all zones come in late their keys do it, and where these
    may not go so far, the sweep."""
    case = situation(UNIT, off_ln=0.0, now_ln=[0.0, 0.0, -2.0] + [0.0] * 5, interval_sheets=60.0)
    (row,) = [row for row in work_out(case).rows if row.zone == 3]
    assert row.to_pct > row.from_pct
    assert row.predicted_settled > case.aim[2] + 0.05
    past = situation(
        UNIT, off_ln=[0.0, 0.0, 0.3] + [0.0] * 5, now_ln=[0.0, 0.0, -4.0] + [0.0] * 5, interval_sheets=20.0
    )
    (row,) = [row for row in work_out(past).rows if row.zone == 3]
    assert row.to_pct > row.from_pct
    every = situation(UNIT, off_ln=0.0, now_ln=-2.0, interval_sheets=60.0)
    whole = work_out(every)
    assert (len(whole.rows), whole.sweep) == (UNIT.zones, None)
    whole = work_out(replace(every, limits=replace(WIDE, step_pct=5.0)))
    assert whole.sweep is not None
    assert whole.sweep.to_pct > whole.sweep.from_pct
    assert "with more sweep" in whole.sweep.why
