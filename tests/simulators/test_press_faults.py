"""Faults on command: planned by sheet, stops, speed, other ink and paper, feedback lost; keys that stick a little."""

from typing import Any

import numpy as np
import pytest

from inksteward_simulators.fault_plan import NEEDS
from inksteward_simulators.link_messages import FaultKind, FaultRequest
from inksteward_simulators.press.colour import ABSORPTION
from inksteward_simulators.press.faults import inject
from inksteward_simulators.press.press import Press
from inksteward_simulators.press.reveal import positions
from inksteward_simulators.scenario import ScenarioError, scenario_from_toml
from tests.simulators.press_forms import press_form, quiet_press, unit_form
from tests.simulators.test_press_scenario import ONE_UNIT

TWO = (unit_form("u1", "C"), unit_form("u2", "M", d_inf=1.5, m=1.6, aim_d=1.2))


def make(press: Press, kind: str, unit: str | None = "u1", **rest: Any) -> None:
    inject(press, FaultRequest.model_validate({"kind": kind, "unit": unit, **rest}))


def planned(*faults: dict[str, Any], **changes: Any) -> Press:
    return quiet_press(*TWO, fault=list(faults), **changes)


# --- by sheet ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("by_time", [True, False])
def test_planned_fault_begins_and_ends_at_its_sheets(by_time: bool) -> None:
    """`at_sheet` is the first sheet with it, `until_sheet` the first without, however the press is driven on."""
    press = planned({"unit": "u1", "kind": "toning", "value": 0.05, "at_sheet": 120, "until_sheet": 130})
    seen = {}
    for sheets in (119, 1, 1, 8, 1, 1):
        if by_time:
            press.advance(sheets * 0.4 + 1e-9)
        else:
            press.step(sheets)
        seen[press.sheet] = press.pull().patch((), 0.0, 10.0, 5.0)["K"] > 0.04
    assert seen == {118: False, 119: False, 120: True, 128: True, 129: True, 130: False}


def test_planned_faults_come_once_a_run_and_end_with_it() -> None:
    """A new run begins without the last run's faults and has its own again at the same sheets."""
    press = planned({"unit": "u2", "kind": "stuck", "zone": 2, "at_sheet": 50, "until_sheet": 10_000})
    stuck = press.unit("u2").keys.stuck
    for run in ("run-2", "run-3"):
        press.step(50)
        assert not stuck.any()
        press.step(1)
        assert stuck.tolist() == [False, True, False, False, False, False]
        inject(press, FaultRequest(unit="u2", kind=FaultKind.FREE, zone=2))
        press.step(100)
        assert not stuck.any(), "not made a second time"
        make(press, "stuck", "u2", zone=2)
        press.new_run(run)
        assert not stuck.any()


def test_planned_stop_falls_into_a_move() -> None:
    """The press stops before its sheet for its time, keys run on, and the first sheets afterwards are marked."""
    stops, runs = planned({"kind": "stop", "value": 90.0, "at_sheet": 400}), planned()
    for press in (stops, runs):
        press.step(400)
        press.drive("u1", {1: 70.0})
        press.advance(0.4 + 1e-9)
    assert (stops.sheet, stops.printing, stops.unit("u1").moving) == (399, False, True)
    assert stops.advance(89.0) == 0
    assert stops.unit("u1").keys.opening_pct()[0] == 70.0
    runs.advance(88.6)
    stops.step(1)
    assert (stops.sheet, stops.printing) == (400, True)
    change = stops.unit("u1").film_um()[5] / runs.unit("u1").film_um()[5]
    assert 0.75 < change < 0.95, "ln film -0.2, less what has levelled out"


def test_a_person_ends_or_outlasts_a_halt() -> None:
    """Starting the press ends a halt; stopping it makes the halt last; a standing press cannot be halted."""
    press = quiet_press()
    make(press, "stop", None, value=60.0)
    press.start()
    assert press.advance(4.0 + 1e-9) == 10
    make(press, "stop", None, value=60.0)
    press.stop()
    assert press.advance(600.0) == 0
    with pytest.raises(ValueError, match="printing = False: expected a press that is printing"):
        make(press, "stop", None, value=60.0)


def test_speed_changes_for_a_while() -> None:
    """The press runs at another speed between two sheets."""
    press = planned({"kind": "speed", "value": 12_000.0, "at_sheet": 100, "until_sheet": 200})
    speeds = []
    for _ in range(3):
        press.step(100)
        speeds.append(press.speed_sph)
    assert speeds == [9000.0, 12_000.0, 9000.0]
    assert press.time_s == pytest.approx(101 * 0.4 + 100 * 0.3 + 99 * 0.4)


ENDED = [
    {"kind": "slipping", "zone": 1}, {"kind": "lost_reference", "zone": 1, "value": 3.0},
    {"kind": "zero_error_um", "zone": 1, "value": 9.0}, {"kind": "water", "value": -0.1},
    {"kind": "water_level", "value": 0.1}, {"kind": "temperature", "value": 0.1}, {"kind": "feed", "value": 0.1},
    {"kind": "ink", "name": "M"}, {"kind": "paper", "value": -0.1}, {"kind": "feedback_lost"},
]  # fmt: skip


def shown(press: Press) -> tuple[Any, ...]:
    """Whatever a fault of `ENDED` changes."""
    unit = press.unit("u1")
    ink = (unit.density(np.ones(6)).tolist(), unit.film_um().tolist(), unit.metered_um.tolist())
    return positions(press, "u1"), unit.keys.slipping.tolist(), *ink


@pytest.mark.parametrize("fault", ENDED, ids=lambda fault: fault["kind"])
def test_whatever_lasts_ends(fault: dict[str, Any]) -> None:
    """A fault with an end leaves the density and the encoders as they were without it, once it has faded."""
    press, other = planned({"unit": "u1", "at_sheet": 500, "until_sheet": 520, **fault}), planned()
    for each in (press, other):
        each.step(510)
    assert shown(press) != shown(other)
    for each in (press, other):
        each.step(20_000)
    assert positions(press, "u1") == positions(other, "u1")
    assert not press.unit("u1").keys.slipping.any()
    now, as_without = (each.unit("u1").density(each.unit("u1").film_um()) for each in (press, other))
    np.testing.assert_allclose(now, as_without, atol=1e-5)


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ('kind = "stuck"\nunit = "u1"\nzone = 4\nat_sheet = 5', r"fault\.0\.zone = 4: expected 1 to 3"),
        ('kind = "stuck"\nunit = "u7"\nzone = 1\nat_sheet = 5', r"fault\.0\.unit = 'u7': expected one of u1"),
        ('kind = "water"\nunit = "u1"\nat_sheet = 5', r"fault\.0\.value = None: expected a number for water"),
        ('kind = "speed"\nvalue = 99\nat_sheet = 5', r"value = 99\.0: expected 100 to 30000 for speed"),
        ('kind = "stop"\nvalue = 9\nat_sheet = 0', r"at_sheet = 0: expected 1 or more"),
        ('kind = "stop"\nvalue = 9\nat_sheet = 5\nuntil_sheet = 9', r"until_sheet = 9: expected none, stop"),
        ('kind = "instrument_dead"\nat_sheet = 5\nuntil_sheet = 5', r"until_sheet = 5: expected more than at_sheet"),
        ('kind = "ink"\nunit = "u1"\nname = "green"\nat_sheet = 5', r"name = 'green': expected one of C, M, Y, K"),
        ('kind = "ink"\nunit = "u1"\nname = "M"\nvalue = 1.5\nat_sheet = 5', r"value = 1\.5: expected 0 to 1"),
        ('kind = "refill"\nunit = "u1"\nat_sheet = 5', r"fountain_ml = None"),
        ('kind = "instrument_filter"\nname = "C-M"\nat_sheet = 5', r"name = 'C-M': expected two of C, M, Y, K"),
        ('kind = "instrument_reversed"\nname = "up"\nat_sheet = 5', r"name = 'up': expected turned or mirrored"),
        ('kind = "gremlin"\nat_sheet = 5', r"fault\.0\.kind = 'gremlin'"),
        ('kind = "instrument_dead"', r"fault\.0\.at_sheet"),
    ],
)  # fmt: skip
def test_plan_that_cannot_be_made_is_refused(entry: str, words: str) -> None:
    """A scenario with a fault that this press cannot have is refused when it is read, not when its sheet comes."""
    with pytest.raises(ScenarioError, match=words):
        scenario_from_toml(f"{ONE_UNIT}\n[[fault]]\n{entry}\n")


def test_every_kind_has_its_needs() -> None:
    """No kind of fault is without an entry of what it needs."""
    assert set(NEEDS) == set(FaultKind)


# --- ink, feedback, stiction ------------------------------------------------------------------------


def test_wrong_ink_has_the_other_ink_s_density_and_hue() -> None:
    """Magenta in the cyan unit prints magenta's constants and side absorptions; a share lies between."""
    press = quiet_press(*TWO)
    press.step(3000)
    right = press.pull().patch(("C",), 100.0, 40.0, 0.0)
    make(press, "ink", name="M", value=0.2)
    press.step(1)
    some = press.pull().patch(("C",), 100.0, 40.0, 0.0)
    make(press, "ink", name="M")
    press.step(1)
    wrong, film_um = press.pull().patch(("C",), 100.0, 40.0, 0.0), press.unit("u1").film_um()[1]
    solid_d = 1.5 * (1.0 - np.exp(-1.6 * film_um))  # u2's constants
    assert wrong == pytest.approx({name: share * solid_d for name, share in ABSORPTION["M"].items()})
    assert right["M"] < some["M"] < wrong["M"]
    assert right["C"] > some["C"] > wrong["C"]
    assert press.unit("u1").density(np.array([film_um]))[0] == pytest.approx(wrong["C"])
    make(press, "ink", name="C")
    press.step(1)
    assert press.pull().patch(("C",), 100.0, 40.0, 0.0) == pytest.approx(right, abs=1e-6)


def test_feedback_of_a_whole_unit_is_lost() -> None:
    """Every encoder stands still and has no reference, though keys still turn; homed, they read right again."""
    press = quiet_press()
    make(press, "feedback_lost")
    press.drive("u1", {1: 50.0})
    press.advance(5.0)
    lost = positions(press, "u1")
    assert (set(lost.referenced), lost.opening_pct[0]) == ({False}, 40.0)
    assert press.unit("u1").keys.shaft_pct[0] == 50.0
    make(press, "referenced", zone=1)
    assert positions(press, "u1").referenced == (True, *[False] * 5)
    make(press, "feedback")
    homed = positions(press, "u1")
    assert (set(homed.referenced), homed.opening_pct[0]) == ({True}, 50.0)


@pytest.mark.parametrize(
    ("to_pct", "take_up_pct", "stands_at"),
    [(40.7, 0.0, 40.0), (39.3, 0.0, 40.0), (40.8, 0.0, 40.8), (39.2, 0.0, 39.2), (40.3, 1.0, 40.3)],
)
def test_stiction_swallows_short_ways(to_pct: float, take_up_pct: float, stands_at: float) -> None:
    """A key that stands does not start for less than 0.8 %; a way that begins with a longer leg is made."""
    press = quiet_press(drive={"stiction_pct": 0.8})
    press.drive("u1", {1: to_pct}, take_up_pct=take_up_pct)
    press.advance(5.0)
    assert press.unit("u1").keys.opening_pct()[0] == pytest.approx(stands_at)


def test_stiction_does_not_hold_a_turning_key() -> None:
    """A key on its way takes a new target however near it is."""
    press = quiet_press(drive={"stiction_pct": 0.8})
    press.drive("u1", {1: 60.0})
    press.advance(1.0)
    press.drive("u1", {1: 46.4})
    press.advance(5.0)
    assert press.unit("u1").keys.opening_pct()[0] == pytest.approx(46.4)


# --- paper ------------------------------------------------------------------------------------------


def test_other_paper_of_the_lumped_train_is_a_step() -> None:
    """A new pallet is a step of 0.02 to 0.10 D on the next sheet, in every unit, and it lasts."""
    press = quiet_press(unit_form("u1", "C"), unit_form("u2", "M"))
    press.step(3000)
    before = [unit.density(unit.film_um()) for unit in press.units.values()]
    make(press, "paper", None, value=-0.10)
    for _ in range(2):
        press.step(1)
        for unit, was in zip(press.units.values(), before, strict=True):
            change = unit.density(unit.film_um()) - was
            assert np.all((change < -0.02) & (change > -0.10))
            np.testing.assert_allclose(np.log(unit.film_um() / unit.train.film_um), -0.10, atol=1e-9)


def test_other_paper_under_rollers_dips_and_comes_back() -> None:
    """Newsprint takes less off the blanket at first; ink stays on the rollers until it goes: within 3 % as before."""
    press = quiet_press(unit_form(zones=3, start_openings_pct=[30.0] * 3), inker={"make": "short"})
    press.step(3000)
    unit = press.unit("u1")
    before = unit.film_um().mean()
    make(press, "paper", name="newsprint")
    press.step(press.scenario.train.delay_sheets + 1)
    assert unit.film_um().mean() < 0.95 * before
    press.step(3000)
    assert unit.film_um().mean() == pytest.approx(before, rel=0.03)


@pytest.mark.parametrize(
    ("inker", "rest", "words"),
    [
        (None, {}, "value = None: expected the step"),
        (None, {"name": "newsprint", "value": -0.1}, "name = 'newsprint': expected none"),
        (None, {"value": -1.1}, "value = -1.1: expected -1 to 1 for paper"),
        ({}, {"value": -0.1}, "name = None: expected one of coated, uncoated, newsprint"),
        ({}, {"name": "card"}, "name = 'card': expected one of coated, uncoated, newsprint"),
        ({}, {"name": "coated", "value": 0.1}, "value = 0.1: expected none"),
    ],
)
def test_paper_that_the_train_does_not_know_is_refused(inker: Any, rest: dict[str, Any], words: str) -> None:
    """The lumped train takes a step, rollers in full a kind by name; anything else is refused and changes nothing."""
    press = Press(press_form(inker=inker))
    before = press.unit("u1").paper
    with pytest.raises(ValueError, match=words):
        make(press, "paper", **rest)
    assert press.unit("u1").paper == before
