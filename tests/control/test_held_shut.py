"""Keys that the blade holds shut or that are stuck, and what the sweep and other keys do for their zones."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from inksteward.contract.codes import LeftCode, LimitCode
from inksteward.control import sweep
from inksteward.control.blade_rows import ROUNDED_UM
from inksteward.control.decide import work_out
from inksteward.control.film import film
from inksteward.control.forecast import forecast
from inksteward.control.limits import MARGIN_UM, room_of, what_holds
from inksteward.control.numerics import Array
from inksteward.control.plan import influence_of
from inksteward.control.qp import Solution
from inksteward.control.situation import Situation
from inksteward.control.sweep import INSIDE, SWEEP_AT_A_TIME_PCT, frees, sweep_for_held
from inksteward.interlock import span_nm
from inksteward.model.verdict import Permit
from tests.control.situations import CYAN, WIDE, interlock, present_of, situation, unit_of, usual
from tests.control.test_blade_rows import gap_rows, rows_for, worst_um
from tests.control.test_rescue import SHUT

UNIT = usual("spring", 16)
LOW_END = (12.0, *[50.0] * 15)
"""The blade's end beyond key 1 hangs lower than its tip: below the least gap."""
FREE = np.full(16, 50.0)


def still(zones: int = 16, **at: float) -> Solution:
    """No key moves; what each wants without limits, as a share of its gap."""
    free = np.zeros(zones)
    for name, value in at.items():
        free[int(name[1:]) - 1] = value
    return Solution(np.zeros(zones), 0.0, free, ((),) * zones, sweep_tight=False)


def held_sweep(
    case: Situation, held: list[int], closing_um: Array = FREE, solution: Solution | None = None
) -> float:
    """The sweep for zones held shut, percent; 40 % is the present one."""
    chosen = solution or still()
    return sweep_for_held(case, held, closing_um, influence_of(case), chosen, forecast(case))


def light(off_ln: float, zone: int = 4, **fields: Any) -> Situation:
    """One zone short of ink (natural log of film)."""
    off = [0.0] * 16
    off[zone - 1] = off_ln
    return situation(UNIT, opening_pct=LOW_END, off_ln=off, **fields)


def one_low(opening_pct: float) -> list[float]:
    """Openings of which one in the middle is lower, percent."""
    return [50.0] * 7 + [opening_pct] + [50.0] * 8


def test_a_place_just_above_its_limit_may_fall_as_far_as_that() -> None:
    """A place within the margin above the least gap leaves keys that open the rest of it, all but 20 nm, and keys that
    close in its reach no more than that."""
    low, high = 5.0, 50.0
    while high - low > 1e-6:
        half = (low + high) / 2.0
        above = worst_um(UNIT, [(at,) for at in one_low(half)]).min() > 15.0 + MARGIN_UM / 2.0
        low, high = (low, half) if above else (half, high)
    start = one_low(low)
    now = worst_um(UNIT, [(at,) for at in start])
    place = int(np.argmin(now))
    rows = rows_for(UNIT, present_of(UNIT, start))
    row = gap_rows(rows)[place]
    assert rows.row_high[row] == pytest.approx(now[place] - 15.0 - ROUNDED_UM, abs=0.02)
    assert rows.row_high[row] > 0.0
    near = [j for j, _, _ in UNIT.coupling.points[place][1]]
    gaps_um = present_of(UNIT, start).gaps_um
    assert (rows.matrix[row][[16 + j for j in near]] >= gaps_um[near] - 1e-9).all()


def test_room_counts_what_the_blade_forbids() -> None:
    """With the blade's end below the least gap key 1 may not close, the keys that lower it may not open, and keys out
    of its reach are as free as under slides."""
    room = room_of(UNIT, present_of(UNIT, LOW_END), WIDE)
    assert room.down_um[0] == 0.0
    assert room.all_down_um[0] == 0.0
    lowering = {
        j for _, row in UNIT.coupling.points for j, least, _ in row if least < 0 and row[0][0] == 0 and j < 4
    }
    assert lowering
    assert all(room.up_um[j] == 0.0 and room.all_up_um[j] == 0.0 for j in lowering if j)
    slides = usual("segmented", 16)
    assert room.up_um[12] == room_of(slides, present_of(slides, LOW_END), WIDE).up_um[12]


def test_the_share_is_what_frees() -> None:
    """Opened by the share that is named, and no less, the keys that lift it have brought every place that key 4 lowers
    above its least gap; what they open anyhow counts; keys that are held themselves do not."""
    start = (30.0, *LOW_END[1:])
    present = present_of(UNIT, start)
    share = what_holds(UNIT, present, WIDE, [3], np.zeros(16)).share
    assert 0.0 < share < 5.0

    def freed(by: float) -> bool:
        # keys 1 and 3 lift the blade's end; the table is straight and begins at nothing
        seen = [at * (1.0 + by) if zone in (0, 2) else at for zone, at in enumerate(start)]
        now = worst_um(UNIT, [(one,) for one in seen])
        lowered = [any(j == 3 and least < 0 for j, least, _ in row) for _, row in UNIT.coupling.points]
        return bool((now[lowered] >= 15.0 + MARGIN_UM).all())

    assert freed(share * 1.02)
    assert not freed(share * 0.95)
    some = np.full(16, 0.5 * share)
    assert what_holds(UNIT, present, WIDE, [3], some).share == pytest.approx(0.5 * share, rel=0.02)
    assert what_holds(UNIT, present, WIDE, [0, 3], np.zeros(16)).share > share
    assert what_holds(UNIT, present, WIDE, [12], np.zeros(16)).share == 0.0


def test_nothing_held_leaves_the_sweep() -> None:
    """Without a zone that is held, or with one that the blade does not hold after all, the sweep stays."""
    assert held_sweep(light(-0.3), []) == 40.0
    assert held_sweep(light(-0.3, zone=13), [12]) > 40.0


def test_held_zones_get_more_sweep() -> None:
    """A zone whose key is held shut is brought into tolerance by more sweep while all other keys can close with it."""
    small, large = (held_sweep(light(off), [3]) for off in (-0.12, -0.16))
    assert 40.0 < small < large
    assert held_sweep(light(-1.5), [3]) == 40.0 + SWEEP_AT_A_TIME_PCT
    assert held_sweep(light(-1.5, sweep_range_pct=(5.0, 43.0)), [3]) == 43.0


def test_zones_that_cannot_close_cap_it() -> None:
    """A zone whose key cannot close comes no nearer to its upper tolerance than the share that is kept."""
    case = light(-0.3)
    fixed = FREE.copy()
    fixed[8] = 0.0
    free, capped = held_sweep(case, [3]), held_sweep(case, [3], fixed)
    assert 40.0 < capped < free
    unread = replace(case, read=tuple(i != 8 for i in range(16)))
    assert held_sweep(unread, [3], fixed) == free
    off = replace(case, on_sheet=tuple(i != 8 for i in range(16)))
    assert held_sweep(off, [3], fixed) == free
    assert 0.0 < INSIDE < 1.0


def test_where_they_pull_either_way_less_sweep_frees(monkeypatch: pytest.MonkeyPatch) -> None:
    """With a zone that is too dark and cannot close beside one that is held shut, less sweep lets the other keys open
    and lift the blade; not where that would take too much, or leave the range."""
    off = [0.0, 0.0, 0.0, -0.3] + [0.0] * 4 + [0.15] + [0.0] * 7
    fixed = FREE.copy()
    fixed[8] = 0.0
    monkeypatch.setattr(sweep, "FREE_MOST", 10.0)
    case = situation(UNIT, opening_pct=LOW_END, off_ln=off)
    share = what_holds(UNIT, case.present, WIDE, [3], np.zeros(16)).share
    expected = max(40.0 / (1.0 + sweep.FREE_FACTOR * share), 40.0 - WIDE.sweep_step_pct)
    assert held_sweep(case, [3], fixed) == pytest.approx(expected)
    assert held_sweep(replace(case, sweep_range_pct=(39.5, 100.0)), [3], fixed) == 40.0
    monkeypatch.setattr(sweep, "FREE_MOST", share / 2.0)
    assert held_sweep(case, [3], fixed) == 40.0


def test_after_less_sweep_it_does_not_turn_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """Once the sweep went down and the keys can be freed it goes on down; where they cannot be freed it may go up."""
    case = light(-0.3, swept=-1)
    monkeypatch.setattr(sweep, "FREE_MOST", 10.0)
    assert held_sweep(case, [3]) < 40.0
    monkeypatch.setattr(sweep, "FREE_MOST", 0.0)
    assert held_sweep(case, [3]) > 40.0


@pytest.mark.parametrize(("part", "enough"), [(0.1, False), (0.3, True)])
@pytest.mark.parametrize("key", [1, 4])
def test_moves_that_free(part: float, enough: bool, key: int) -> None:
    """Moves that bring the blade away by a fifth of what is needed, or more, are waited for, also those of keys that
    are held themselves."""
    case = light(-0.3)
    short_um = what_holds(UNIT, case.present, WIDE, [3], np.zeros(16)).short_um
    relative = np.zeros(16)
    relative[0] = part * short_um / (1.504 * case.present.gaps_um[0])
    if key == 4:
        case = situation(UNIT, opening_pct=SHUT)
        short_um = what_holds(UNIT, case.present, WIDE, [5, 6, 7], np.zeros(16)).short_um
        relative = np.zeros(16)
        relative[5:8] = part * short_um / (0.8 * 42.0)
    held = [5, 6, 7] if key == 4 else [3]
    assert frees(case, held, replace(still(), relative=relative)) is enough


@pytest.mark.parametrize(("early", "moves"), [(True, False), (False, True)])
def test_the_proposal_moves_the_sweep_for_a_held_zone(early: bool, moves: bool) -> None:
    """From the second scan on a zone that stays out because its key is held shut moves the sweep, and what is proposed
    passes the interlock."""
    case = light(-0.3, zone=3, early=early)
    worked = work_out(case)
    assert LimitCode.MIN_GAP in {code for row in worked.rows for code, _ in row.limited_by} or worked.left
    assert 3 not in {row.zone for row in worked.rows}
    assert (worked.sweep is not None and worked.sweep.to_pct > 40.0) is moves
    to = {row.zone: row.to_pct for row in worked.rows}
    swept = worked.sweep.to_pct if worked.sweep else None
    assert isinstance(interlock(UNIT, case.present, to, swept), Permit)
    assert span_nm(UNIT.calibration.keys[0], [12000])[0] > 0


@pytest.mark.parametrize("blade", ["segmented", "spring"])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_keys_beside_help_where_one_is_stuck(blade: str, sign: float) -> None:
    """A key that does not move gets no row, whatever its zone asks for; the keys beside it bring its zone nearer."""
    unit = usual() if blade == "segmented" else unit_of(blade=blade)
    off = [0.0] * 8
    off[3] = sign * 0.3
    there = situation(unit, off_ln=off, stuck=tuple(i == 3 for i in range(8)))
    worked = work_out(there)
    targets = {row.zone: row.to_pct for row in worked.rows}
    assert 4 not in targets
    present = present_of(unit, [targets.get(zone, 40.0) for zone in range(1, 9)], 40.0)
    sweep_pct = worked.sweep.to_pct if worked.sweep else 40.0
    fed = np.exp(there.estimate.ln_gain) * there.plant.unit_film(present.gaps_um, sweep_pct)
    off_after = np.log(fed / film(1.40, CYAN)[0])
    assert abs(off_after[3]) < 0.2
    assert np.max(np.abs(off_after)) == abs(off_after[3])
    (word,) = [item for item in worked.left if item.zone == 4]
    assert word.code is LeftCode.HELD_BACK
    assert "did not move when told to" in word.text
