"""Proposals that rest on no scan: an opening from coverage, the settings of a job before."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inksteward.contract.codes import NoProposal, NoteCode
from inksteward.control import settings_moves
from inksteward.control.gaps import gap_um
from inksteward.control.qp import NoSolution
from inksteward.control.settings_moves import opening, recall
from inksteward.control.situation import Situation, Worked
from inksteward.model.verdict import Permit
from tests.control.drawn import Found, found
from tests.control.situations import WIDE, interlock, situation, unit_of, usual

UNIT = usual()
STORED_PCT = (30.0, 35.0, 45.0, 60.0, 55.0, 50.0, 40.0, 30.0)


def gaps_of(openings: tuple[float, ...]) -> np.ndarray:
    """Gaps of openings in percent."""
    return np.array([gap_um(key, at) for key, at in zip(UNIT.calibration.keys, openings, strict=True)])


def targets(worked: Worked) -> dict[int, float]:
    """Zone from 1 -> percent."""
    return {row.zone: row.to_pct for row in worked.rows}


def test_recall_goes_to_the_stored_gaps() -> None:
    """Stored gaps and sweep come back as they were, each row saying so."""
    worked = recall(situation(UNIT, opening_pct=45.0), gaps_of(STORED_PCT), 44.0)
    assert worked.nothing is None
    assert targets(worked) == pytest.approx(
        {z + 1: at for z, at in enumerate(STORED_PCT) if at != 45.0}, abs=0.25
    )
    assert worked.sweep is not None
    assert worked.sweep.to_pct == pytest.approx(44.0, abs=0.5)
    assert all(f"{gaps_of(STORED_PCT)[row.zone - 1]:.0f} um" in row.why for row in worked.rows)


def test_recall_comes_in_steps_where_limits_ask_for_them() -> None:
    """One proposal goes as far as the limits allow; the next goes on from there."""
    limits = replace(WIDE, step_pct=6.0, sweep_step_pct=3.0)
    first = recall(situation(UNIT, opening_pct=45.0, limits=limits), gaps_of(STORED_PCT), 46.0)
    assert targets(first)[1] == pytest.approx(39.0, abs=0.25)
    assert targets(first)[4] == pytest.approx(51.0, abs=0.25)
    assert first.sweep is not None
    assert first.sweep.to_pct == pytest.approx(43.0, abs=0.5)
    there = [targets(first).get(zone, 45.0) for zone in range(1, 9)]
    second = recall(situation(UNIT, opening_pct=there, limits=limits), gaps_of(STORED_PCT), 43.0)
    assert targets(second)[1] == pytest.approx(33.0, abs=0.5)


def test_recall_where_it_stands_already() -> None:
    """Nothing is proposed where the stored settings are the present ones."""
    worked = recall(situation(UNIT, opening_pct=STORED_PCT), gaps_of(STORED_PCT), 40.0)
    assert worked.nothing is NoProposal.IN_TOLERANCE
    assert worked.rows == ()
    assert worked.sweep is None


def test_recall_leaves_a_sweep_outside_its_range() -> None:
    """Where hands put the sweep outside its range it stays there, and the keys go to their gaps."""
    worked = recall(situation(UNIT, opening_pct=45.0, sweep_pct=5.0), gaps_of(STORED_PCT), 40.0)
    assert worked.nothing is None
    assert worked.sweep is None
    assert len(worked.rows) == 7


def test_recall_that_nothing_keeps_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """If no movement keeps every limit there is no proposal and a note with the solver's words."""
    monkeypatch.setattr(settings_moves, "solve", lambda *_: NoSolution("it found nothing"))
    worked = recall(situation(UNIT), gaps_of(STORED_PCT), 40.0)
    assert worked.nothing is NoProposal.INFEASIBLE
    assert [note.code for note in worked.remarks] == [NoteCode.NO_SOLUTION]


def test_opening_settles_on_the_aim() -> None:
    """Openings worked out from coverage alone would settle on the aims, however little is known of the gains."""
    off = (0.5, 0.3, -0.3, -0.5, 0.2, -0.2, 0.4, 0.0)
    worked = opening(situation(UNIT, off_ln=off, now_ln=-3.0, sigma_ln=0.4, early=True))
    assert worked.nothing is None
    assert len(worked.rows) >= 7
    assert max(abs(row.predicted_settled - 1.40) for row in worked.rows) < 0.03
    assert all("coverage" in row.why for row in worked.rows)


def permitted(case: Situation, worked: Worked) -> None:
    """Ask the interlock about the proposal, if there is one."""
    if worked.nothing is None:
        sweep = worked.sweep.to_pct if worked.sweep else None
        verdict = interlock(case.unit, case.present, targets(worked), sweep)
        assert isinstance(verdict, Permit), f"{verdict}: {worked.rows}"


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(found("segmented", "spring"), st.integers(1, 300), st.floats(0.0, 100.0))
def test_settings_moves_are_never_refused(one: Found, stored_um: int, sweep_pct: float) -> None:
    """The interlock refuses neither an opening nor a recall, from wherever a unit stands to whatever was stored."""
    case = one.situation()
    stored = np.array([1.0 + (stored_um * (zone + 1)) % 300 for zone in range(case.unit.zones)])
    permitted(case, recall(case, stored, sweep_pct))
    permitted(case, opening(case))


def test_recall_is_in_gaps_not_in_percent() -> None:
    """On a unit whose keys have another table the same gaps come back, at other percents."""
    other = unit_of(calibration={"table": [[0.0, 0.0], [50.0, 60.0], [100.0, 200.0]]})
    worked = recall(situation(other, opening_pct=50.0), np.full(8, 90.0), 40.0)
    gaps = [gap_um(other.calibration.keys[0], to) for to in targets(worked).values()]
    assert gaps == pytest.approx([90.0] * 8, abs=0.8)
