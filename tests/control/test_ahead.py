"""Whether another sweep pays: the look three corrections ahead."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.control.ahead import best_sweep, lag_at
from inksteward.control.film import film
from inksteward.control.forecast import forecast
from inksteward.control.limits import floor_um, room_of
from inksteward.control.pi import Error
from inksteward.control.plan import influence_of
from inksteward.control.plant import plant
from inksteward.control.rows import LEAST_SWEEP_PCT
from inksteward.control.situation import Situation
from tests.control.situations import CYAN, WIDE, situation, unit_of, usual

UNIT = usual()
LONELY = unit_of(train={"kappa": 0.0})
"""A unit whose zones lend each other no ink."""
SMALL_STEP = replace(WIDE, step_pct=3.0)


def chosen(case: Situation, movable: float = 1.0) -> float:
    """The sweep that is chosen in this situation, percent."""
    view = forecast(case)
    error = Error(
        then=view.y_then,
        settled=view.settled,
        aim=np.array([film(aim, CYAN)[0] for aim in case.aim]),
        low=np.array([film(low, CYAN)[0] for low in case.low]),
        high=np.array([film(high, CYAN)[0] for high in case.high]),
        lag=view.lag,
        late=np.array(view.late),
    )
    zones = case.plant.zones
    own = np.full(zones, movable) * np.diagonal(influence_of(case))
    weight = np.where(np.array(case.read) & np.array(case.on_sheet), 1.0, 0.0)
    return best_sweep(case, view, error, weight, own, room_of(case.unit, case.present, case.limits))


def at_floor(off_ln: float, **fields: Any) -> Situation:
    """A light zone 1 whose key is at its minimum gap; all others on aim."""
    return situation(
        UNIT,
        opening_pct=[floor_um(UNIT, 0) / 2.0] + [50.0] * 7,
        off_ln=[off_ln] + [0.0] * 7,
        coverage=[0.02] + [0.3] * 7,
        **fields,
    )


@pytest.mark.parametrize("coverage", [0.02, 0.3, 1.0])
@pytest.mark.parametrize("to_pct", [20.0, 36.0, 50.0])
def test_lag_and_film_are_those_of_the_plant(coverage: float, to_pct: float) -> None:
    """For zones that lend each other nothing, lag and settled film at another sweep are those that the mass balance of
    the roller train gives when it is solved anew for that sweep."""
    case = situation(LONELY, coverage=coverage, sweep_pct=40.0)
    here = plant(LONELY, (coverage,) * 8, 40.0)
    there = plant(LONELY, (coverage,) * 8, to_pct)
    case = replace(case, plant=here)
    assert lag_at(case, here.tau_sheets, to_pct) == pytest.approx(there.tau_sheets, rel=1e-12)
    gaps_um = case.present.gaps_um
    grown = there.unit_film(gaps_um, to_pct) / here.unit_film(gaps_um, 40.0)
    r, sigma = to_pct / 40.0, here.sigma
    assert grown == pytest.approx(r / (sigma + r * (1.0 - sigma)), rel=1e-12)


def test_on_aim_it_stays() -> None:
    """Where every zone is on its aim no other sweep is worth a move."""
    assert chosen(situation(UNIT)) == 40.0


@pytest.mark.parametrize(("off_ln", "moves"), [(0.05, False), (0.4, True)])
def test_a_key_at_its_end_asks_for_less_sweep(off_ln: float, moves: bool) -> None:
    """A zone that stays 5 % too dark at its minimum gap is not worth stirring all others; one that stays 49 % is."""
    assert (chosen(at_floor(off_ln)) < 40.0) is moves


def test_what_keys_can_do_is_left_to_keys() -> None:
    """With keys that may go anywhere at once a uniform lack of ink needs no sweep; with small steps it
    does, and no less where no key may move at all."""
    lack = {"off_ln": -0.3, "interval_sheets": 60.0}
    assert chosen(situation(UNIT, **lack)) == 40.0
    slow = chosen(situation(UNIT, limits=SMALL_STEP, **lack))
    assert slow > 40.0
    assert chosen(situation(UNIT, **lack), movable=0.0) >= slow


def test_empty_rollers_fill_sooner_with_more_sweep() -> None:
    """While all zones are far below the aims at which they settle, more sweep is chosen; the nearer, the less."""
    filling = [
        chosen(situation(UNIT, now_ln=now_ln, limits=SMALL_STEP, interval_sheets=60.0))
        for now_ln in (-2.0, -0.5, -0.05)
    ]
    assert filling[0] > 40.0
    assert filling == sorted(filling, reverse=True)
    assert filling[-1] == 40.0


@pytest.mark.parametrize("swept", [-1, 0, 1])
def test_a_sweep_that_turns_round_must_save_more(swept: int) -> None:
    """What is worth a move of the sweep the same way, or a first one, is not always worth turning it round; what saves
    enough is."""
    assert (chosen(at_floor(0.2, swept=swept)) < 40.0) is (swept <= 0)
    assert chosen(at_floor(0.4, swept=swept)) < 40.0


def test_zones_that_are_not_judged_do_not_count() -> None:
    """An unread zone at its minimum gap, or one off the sheet, moves no sweep."""
    out = (False,) + (True,) * 7
    assert chosen(at_floor(0.4, read=out)) == 40.0
    assert chosen(at_floor(0.4, on_sheet=out)) == 40.0


@given(
    off=st.lists(st.floats(-1.5, 1.5), min_size=8, max_size=8),
    now_ln=st.floats(-2.0, 1.0),
    at=st.floats(5.0, 100.0),
    step=st.floats(0.1, 30.0),
)
def test_it_keeps_to_range_and_step(off: list[float], now_ln: float, at: float, step: float) -> None:
    """Whatever is wrong, the sweep stays, or goes by half a point to one step within its range; outside it stays."""
    case = situation(
        UNIT, off_ln=off, now_ln=now_ln, sweep_pct=at, limits=replace(SMALL_STEP, sweep_step_pct=step)
    )
    to = chosen(case)
    low, high = case.sweep_range_pct
    if low <= at <= high:
        assert low <= to <= high
        assert to == at or LEAST_SWEEP_PCT <= abs(to - at) <= step + 1e-9
    else:
        assert to == at
