"""How the press changes by itself: warmth, dampening, speed, fountain, other paper; off unless asked for.

Sizes and times that are checked are common practice, no source, unless the test says otherwise.
"""

from typing import Any

import numpy as np
import pytest

from inksteward_simulators.link_messages import FaultRequest
from inksteward_simulators.press.arrays import Array
from inksteward_simulators.press.faults import inject
from inksteward_simulators.press.press import Press
from inksteward_simulators.scenario import ScenarioError, load_scenario, scenario_from_toml
from inksteward_simulators.scenario_forms import Scenario
from tests.simulators.press_forms import quiet_press, unit_form
from tests.simulators.test_press_scenario import ONE_UNIT

COVERAGE = [0.05, 0.30, 0.60]
"""A light, a middle and a heavy zone, each at about 1.5 D of 1.7."""
OPENINGS = [12.0, 40.0, 60.0]


def bench(zones: int = 6, **changes: Any) -> Press:
    times = zones // 3
    return quiet_press(
        unit_form(zones=zones, coverage=COVERAGE * times, start_openings_pct=OPENINGS * times), **changes
    )


def density(press: Press) -> Array:
    unit = press.unit("u1")
    return unit.density(unit.film_um())[:3]


def step_to(press: Press, sheets: int) -> Array:
    press.step(sheets - press.sheet - 1)
    return density(press)


def settled(**changes: Any) -> tuple[Press, Array]:
    press = bench(**changes)
    press.step(6000)
    return press, density(press)


def make(press: Press, kind: str, **rest: Any) -> None:
    inject(press, FaultRequest.model_validate({"kind": kind, "unit": "u1", **rest}))


# --- off by default ---------------------------------------------------------------------------------

OFF = {
    "warm_lag_s": 60.0,
    "feed_ln_per_k": 0.5,
    "water_ln_per_share": 2.0,
    "toning_below": 0.0,
    "fountain_low": 0.9,
}


def story(press: Press) -> list[bytes]:
    """Films and errors of sheets through motion, stops, another speed and another run."""
    seen = []
    for number in range(3):
        press.step(150)
        press.drive("u2", {7: 45.0 + number, 8: 30.0}, sweep_pct=25.0 + number, take_up_pct=1.0)
        press.advance(37.7)
        make(press, "wash", value=-0.1)
        press.stop()
        press.advance(70.0)
        press.set_speed(9000.0 + 1000.0 * number)
        press.start()
        press.step(11)
        for ink in press.pull().inks.values():
            seen += [ink.film_um.tobytes(), ink.error_d.tobytes()]
        press.new_run(f"run-{number}", washed=number == 1)
    return seen


def test_what_is_off_changes_no_bit() -> None:
    """Constants of effects that are off, and a fault planned for a sheet that never comes, change nothing at all."""
    scenario = load_scenario("makeready")
    form = scenario.model_dump()
    form |= {"climate": OFF, "fault": [{"unit": "u1", "kind": "stuck", "zone": 3, "at_sheet": 10**9}]}
    assert story(Press(Scenario.model_validate(form))) == story(Press(scenario))


def test_results_do_not_depend_on_how_the_clock_is_cut() -> None:
    """With every effect on, sheets one by one, in bulk and by time come to the same film."""
    climate = {
        "rise_k": 9.0,
        "cold_start_k": 9.0,
        "speed_ln": 0.3,
        "emulsion_share": 0.2,
        "fountain_ml": 60.0,
    }
    films = []
    for cut in ("bulk", "single", "time"):
        press = bench(climate=climate)
        make(press, "water_level", value=0.1)
        press.set_speed(12_000.0)
        if cut == "bulk":
            press.step(700)
        for _ in range(700 if cut == "single" else 0):
            press.step(1)
        for _ in range(1000 if cut == "time" else 0):
            press.advance(0.21 + 1e-10)
        assert press.sheet == 699
        films.append(press.unit("u1").film_um())
    np.testing.assert_allclose(films[1], films[0], rtol=1e-9)
    np.testing.assert_allclose(films[2], films[0], rtol=1e-9)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("rise_k = -1", r"climate\.rise_k = -1"),
        ("cold_start_k = 5", r"cold_start_k = 5: expected at most rise_k = 0"),
        ("warm_lag_s = 0", r"climate\.warm_lag_s = 0"),
        ("emulsion_share = 0.7", r"climate\.emulsion_share = 0\.7"),
        ("emulsion_lag_sheets = 20", r"emulsion_lag_sheets = 20: expected at least 1\.5 water_lag_sheets = 22\.5"),
        ("fountain_ml = 0", r"climate\.fountain_ml = 0"),
        ("fountain_low = 1.0", r"climate\.fountain_low = 1\.0"),
        ("speed_ln = nan", r"climate\.speed_ln = nan"),
        ("roller_k = 8", r"climate\.roller_k = 8"),
    ],
)  # fmt: skip
def test_nonsense_is_refused(table: str, words: str) -> None:
    """What no press can have is refused with its field, its value and what was expected."""
    with pytest.raises(ScenarioError, match=words):
        scenario_from_toml(ONE_UNIT.replace("[job]", f"[climate]\n{table}\n[job]"))


# --- warmth -----------------------------------------------------------------------------------------


def test_cold_start_warms_up_over_thousands_of_sheets() -> None:
    """Rollers 10 K too cold print 0.02 to 0.08 D too light, and that is gone after 2,000 to 10,000 sheets."""
    cold, warm = bench(climate={"rise_k": 10.0, "cold_start_k": 10.0}), bench()
    light = step_to(cold, 500) - step_to(warm, 500)
    assert np.all((light < -0.02) & (light > -0.08))
    half = step_to(cold, 2000) - step_to(warm, 2000)
    assert np.all(half < 0.3 * light)
    assert np.all(np.abs(step_to(cold, 10_000) - step_to(warm, 10_000)) < 0.002)


def test_temperature_lags_in_press_time() -> None:
    """After one lag 1 - 1/e of the way is done, at whatever speed: it is seconds that count, not sheets."""
    warmed = []
    for speed_sph in (6000.0, 9000.0):
        press = bench(speed_sph=speed_sph, climate={"rise_k": 10.0, "cold_start_k": 10.0})
        press.advance(900.0)
        warmed.append(press.unit("u1").climate.warmth.above_k)
    np.testing.assert_allclose(warmed, -10.0 * np.exp(-1.0), rtol=1e-9)


def test_standing_press_cools_and_a_faster_one_warms() -> None:
    """In half an hour of standing rollers go most of the way to the room; a third more speed is a third warmer."""
    press, _ = settled(climate={"rise_k": 9.0})
    warmth = press.unit("u1").climate.warmth
    assert warmth.above_k == 0.0
    press.stop()
    press.advance(1800.0)
    assert warmth.above_k == pytest.approx(-9.0 * (1.0 - np.exp(-2.0)), rel=1e-9)
    press.set_speed(12_000.0)
    press.start()
    cooled_k = warmth.above_k
    press.advance(900.0)
    assert warmth.above_k == pytest.approx(3.0 + (cooled_k - 3.0) * np.exp(-1.0), rel=1e-9)


# --- dampening --------------------------------------------------------------------------------------


def test_ink_takes_up_water_after_the_start() -> None:
    """Fresh ink prints 0.02 to 0.08 D too dark while it has no water; that is gone after 100 to 500 sheets."""
    press = bench(climate={"emulsion_share": 0.18})
    unit = press.unit("u1")
    fresh_ln = unit.climate.water.paper_ln()[:3]
    per_ln = -np.log(1.0 - 1.4 / 1.7) * (1.7 - 1.4)  # dD / d ln film at 1.4 D of 1.7: m y (d_inf - D)
    assert np.all((0.02 < fresh_ln * per_ln) & (fresh_ln * per_ln < 0.08))
    press.step(100)
    assert np.all(unit.climate.water.paper_ln()[:3] > 0.3 * fresh_ln)
    press.step(400)
    assert np.all(np.abs(unit.climate.water.paper_ln()[:3]) < 0.05 * fresh_ln)
    press.new_run("run-2", washed=False)
    assert unit.climate.water.in_ink > 0.17
    press.new_run("run-3")
    np.testing.assert_array_equal(unit.climate.water.paper_ln()[:3], fresh_ln)


@pytest.mark.parametrize("share", [0.10, 0.20])
def test_more_water_takes_density_off_light_zones_most(share: float) -> None:
    """10 to 20 % more water is -0.03 to -0.10 D within tens of sheets, most in light zones, and it comes back."""
    press, before = settled(climate={"emulsion_share": 0.18})
    make(press, "water_level", value=share)
    press.step(100)
    change = density(press) - before
    assert np.all((change < -0.025) & (change > -0.10))
    assert change[0] < change[1] < change[2]
    press.step(500)
    after = density(press) - before
    assert np.all(after < change), "the ink takes up more water too, slowly"
    make(press, "water_level", value=0.0)
    press.step(600)
    assert np.all(np.abs(density(press) - before) < 0.001)


def test_too_little_water_tones() -> None:
    """A fifth less water adds at least 0.02 D to bare paper; 10 % less does not; density of the solid rises."""
    press, before = settled()
    make(press, "water_level", value=-0.10)
    press.step(200)
    assert press.pull().patch((), 0.0, 10.0, 5.0)["K"] == 0.0
    make(press, "water_level", value=-0.20)
    press.step(200)
    assert press.pull().patch((), 0.0, 10.0, 5.0)["K"] >= 0.02
    assert np.all(density(press) > before)


# --- speed ------------------------------------------------------------------------------------------


def test_speed_change_is_made_good_in_part() -> None:
    """A third more speed changes a solid by 0.02 to 0.08 D within 50 to 200 sheets; back again it is as before."""
    press, before = settled(climate={"speed_ln": 0.3})
    press.set_speed(12_000.0)
    press.step(50)
    assert np.all(density(press) - before < 0.022)
    press.step(350)
    change = density(press) - before
    assert np.all((change > 0.02) & (change < 0.08))
    press.set_speed(9000.0)
    press.step(3000)
    np.testing.assert_allclose(density(press), before, atol=1e-6)


# --- fountain ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("inker", [None, {"make": "middle"}])
def test_fountain_loses_what_is_printed(inker: dict[str, str] | None) -> None:
    """Film x coverage x image length x pitch leaves the fountain, with either train: volumes, 1 um m mm = 0.001 cm3."""
    press = bench(climate={"fountain_ml": 600.0}, inker=inker)
    unit, printed = press.unit("u1"), np.zeros(6)
    sheets = 40
    for _ in range(sheets):
        press.step(1)
        printed += unit.train.film_um
    taken_ml = 100.0 - unit.fountain.left_ml
    pitch_mm, image_m = 32.5, press.scenario.train.image_m
    np.testing.assert_allclose(
        taken_ml, printed * np.array(COVERAGE * 2) * image_m * pitch_mm * 1e-3, rtol=1e-9
    )
    assert taken_ml.min() > 0.0


def test_heavy_zones_starve_first_and_slowly() -> None:
    """Below the low mark the feed falls: nothing before, heavy zones first, over 500 sheets and more."""
    press = bench(zones=3, climate={"fountain_ml": 100.0, "fountain_start": 0.3})
    full = bench(zones=3)
    unit = press.unit("u1")
    while unit.fountain.left_ml.min() > 20.0 / 3.0:
        press.step(25)
    start = press.sheet + 1
    np.testing.assert_allclose(density(press), step_to(full, start), atol=1e-9)
    loss = step_to(press, start + 500) - step_to(full, start + 500)
    assert loss[2] < -0.1
    assert loss[2] < 2.0 * loss[1] < 0.0
    assert loss[2] > -1.0, "a loss of hundreds of sheets, not a step"
    make(press, "refill")
    np.testing.assert_allclose(unit.fountain.left_ml, 100.0 / 3.0)
    assert np.all(np.abs(step_to(press, start + 1300) - step_to(full, start + 1300)) < 0.01)


def test_refill_needs_a_fountain_that_can_be_empty() -> None:
    """Without `fountain_ml` nothing is used up, so nothing can be filled in."""
    with pytest.raises(ValueError, match=r"fountain_ml = None: expected a number in \[climate\]"):
        make(quiet_press(), "refill")
