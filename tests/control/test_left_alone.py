"""Zones that are left alone say why in a code of their own."""

from dataclasses import replace

import pytest

from inksteward.contract.codes import LeftCode, LimitCode, NoProposal, NoteCode, SetAside
from inksteward.control.decide import work_out
from inksteward.control.limits import LEAST_MOVE_PCT, floor_um
from inksteward.control.situation import LeftAlone, Situation, Worked
from tests.control.situations import situation, unit_of, usual
from tests.control.test_rows import FINE, made, only, solution

UNIT = usual()
COARSE = unit_of(drive={"resolution_pct": 1.0})


def told(worked: Worked, zone: int) -> LeftAlone:
    """What is said of a zone that is left alone; it is said once."""
    (item,) = [item for item in worked.left if item.zone == zone]
    return item


def extreme(code: SetAside, zone: int = 3) -> tuple[SetAside | None, ...]:
    """One zone whose solids were all set aside for that."""
    return tuple(code if each == zone else None for each in range(1, 9))


@pytest.mark.parametrize(("why", "code"), [(SetAside.NOT_INKED, LeftCode.NOT_INKED), (None, LeftCode.UNREAD)])
def test_not_inked_is_told_apart_from_unread(why: SetAside | None, code: LeftCode) -> None:
    """A zone without a density because it is not inked yet says so; one that no patch reads says that."""
    read = tuple(zone != 3 for zone in range(1, 9))
    case = situation(UNIT, off_ln=[0.0, 0.0, 0.4] + [0.0] * 5, read=read)
    item = told(work_out(case if why is None else replace(case, extreme=extreme(why))), 3)
    assert item.code is code
    assert ("not inked yet" in item.text) is (why is not None)
    assert "only with the sweep" in item.text


def test_a_saturated_zone_that_waits_for_the_next_scan() -> None:
    """A saturated zone that is out by no more than noise says that it is saturated; the unit waits for noise."""
    case = situation(UNIT, off_ln=[0.0, 0.0, 0.3] + [0.0] * 5, sigma_ln=0.6)
    worked = work_out(replace(case, extreme=extreme(SetAside.SATURATED)))
    assert told(worked, 3).code is LeftCode.SATURATED
    assert "saturated" in told(worked, 3).text
    assert worked.nothing is NoProposal.WITHIN_NOISE
    assert told(work_out(case), 3).code is LeftCode.WITHIN_NOISE


def test_a_saturated_zone_that_is_known_well_enough_moves() -> None:
    """Saturated is no reason to leave a zone that certainly has too much ink."""
    case = situation(UNIT, off_ln=[0.0, 0.0, 0.5] + [0.0] * 5, extreme=extreme(SetAside.SATURATED))
    worked = work_out(case)
    assert 3 in {row.zone for row in worked.rows}
    assert all(item.zone != 3 for item in worked.left)


@pytest.mark.parametrize(("edge", "code"), [(0.069, LeftCode.IN_TOLERANCE), (0.071, LeftCode.WITHIN_NOISE)])
def test_tolerance_has_two_ends(edge: float, code: LeftCode) -> None:
    """In tolerance is what lies between low and high, also where they lie unequally far from the aim."""
    case = situation(UNIT, sigma_ln=0.5)
    settled = work_out(case).forecast.settled_density[0]
    case = replace(case, aim=(settled - edge,) * 8, low=(1.0,) * 8, high=(settled - edge + 0.07,) * 8)
    assert told(work_out(case), 1).code is code


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(
    ("way_pct", "code"),
    [(0.5, LeftCode.BELOW_RESOLUTION), (0.98, LeftCode.BELOW_RESOLUTION), (0.0, LeftCode.HELD_BACK)],
)
def test_moves_finer_than_the_drive(sign: float, way_pct: float, code: LeftCode) -> None:
    """A zone whose move is finer than its drive's steps says so; one whose key should not move at all is held back."""
    case = situation(COARSE, opening_pct=50.0)
    wanted = [0.0, 0.0, 0.2] + [0.0] * 5
    rows, (item,) = made(case, solution(only(3, sign * way_pct)), wanted=wanted)
    assert rows == ()
    assert (item.zone, item.code) == (3, code)
    assert ("finer than the drive's 1 %" in item.text) is (code is LeftCode.BELOW_RESOLUTION)


@pytest.mark.parametrize(("way_pct", "rows"), [(1.0, 1), (0.999, 0)])
def test_one_step_of_the_drive_moves(way_pct: float, rows: int) -> None:
    """A move of one step of the drive is made, a finer one is left and told."""
    case = situation(COARSE, opening_pct=50.0)
    found, left = made(case, solution(only(3, way_pct)))
    assert (len(found), len(left)) == (rows, 1 - rows)


def test_a_fine_move_that_a_limit_cut_is_held_back() -> None:
    """Where a limit left so little of a move that the drive cannot make it, it is the limit that is told."""
    case = situation(COARSE, opening_pct=50.0)
    tight = [(LimitCode.STEP,) if zone == 2 else () for zone in range(8)]
    _, (item,) = made(case, solution(only(3, 0.5), free=only(3, 9.0), tight=tight))
    assert item.code is LeftCode.HELD_BACK


def test_too_small_to_be_worth_it_is_not_too_fine() -> None:
    """A move that the drive could make but that wears the key for nothing is held back, not too fine."""
    case = situation(FINE, opening_pct=50.0)
    _, (item,) = made(case, solution(only(3, LEAST_MOVE_PCT - 0.02)))
    assert item.code is LeftCode.HELD_BACK


def test_a_blade_that_lies_too_low_to_be_opened_key_by_key_is_told() -> None:
    """Where every key of a one-piece blade wants to open, and each alone would lower a place beside it that may be at
    the minimum gap, nothing moves, and what to do stands with each zone."""
    case = situation(
        usual("spring"), opening_pct=[12.0] * 5 + [40.0] * 3, off_ln=[-0.3] * 4 + [0.0] * 4, sweep_pct=100.0
    )
    worked = work_out(case)
    assert worked.rows == ()
    for zone in range(1, 5):
        item = told(worked, zone)
        assert item.code is LeftCode.HELD_BACK
        assert "open the keys around it together at the press itself" in item.text


def at_its_end(opens: bool) -> Situation:
    """Zone 1 with its key at the end and the sweep too; a light zone closes as the others' film gets less."""
    low = floor_um(UNIT, 0) / 2.0
    off = -0.4 if opens else 0.4
    return situation(
        UNIT,
        opening_pct=[100.0 if opens else low] + [50.0] * 7,
        off_ln=[off] + [0.0] * 7,
        coverage=[0.3 if opens else 0.02] + [0.3] * 7,
        sweep_pct=100.0 if opens else 10.0,
    )


@pytest.mark.parametrize(
    ("opens", "code", "words"),
    [
        (False, LeftCode.BELOW_MIN_GAP, "at the minimum gap"),
        (True, LeftCode.ABOVE_TRAVEL, "at the end of its travel"),
    ],
)
def test_a_key_at_its_end(opens: bool, code: LeftCode, words: str) -> None:
    """A zone whose aim lies beyond the end of its key and that stays where it is says so, once."""
    worked = work_out(at_its_end(opens))
    assert 1 not in {row.zone for row in worked.rows}
    assert told(worked, 1).code is code
    assert words in told(worked, 1).text
    assert [note.code.value for note in worked.remarks] == [code.value]


def test_keys_at_both_ends_are_told_apart() -> None:
    """Of two zones out of reach to either side each has its own note and its own code."""
    low = floor_um(UNIT, 7) / 2.0
    case = situation(
        UNIT,
        opening_pct=[100.0] + [50.0] * 6 + [low],
        off_ln=[-0.4] + [0.0] * 6 + [0.4],
        coverage=[0.3] * 7 + [0.02],
        sweep_pct=10.0,
    )
    worked = work_out(case)
    assert [(note.code, note.zones) for note in worked.remarks] == [
        (NoteCode.BELOW_MIN_GAP, (8,)),
        (NoteCode.ABOVE_TRAVEL, (1,)),
    ]
    assert "beyond the key's travel" in worked.remarks[1].text
    assert {told(worked, zone).code for zone in (1, 8)} == {LeftCode.BELOW_MIN_GAP, LeftCode.ABOVE_TRAVEL}
