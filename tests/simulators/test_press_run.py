"""The press as a whole: filling, delay, stops, disturbances, noise, and the same again from the same seed."""

import numpy as np
import pytest

from inksteward_simulators.link_messages import FaultKind, FaultRequest
from inksteward_simulators.press.faults import inject
from inksteward_simulators.press.press import Press
from inksteward_simulators.press.reveal import truth
from inksteward_simulators.press.truth import draw_truth
from inksteward_simulators.scenario import load_scenario, nominal_openings
from tests.simulators.press_forms import press_form, quiet_press, unit_form


def shown(press: Press) -> str:
    return truth(press).model_dump_json() + repr(press.pull().patch(("C",), 100.0, 50.0, 5.0))


def test_same_seed_same_press() -> None:
    """Two presses from one seed agree in every digit, another seed gives another press."""
    scenario = load_scenario("makeready")
    presses = [Press(scenario, seed=seed) for seed in (3, 3, 4)]
    for press in presses:
        press.step(80)
        press.drive("u2", {4: 55.0, 9: 20.0}, sweep_pct=33.0)
        press.step(80)
    first, second, other = (shown(press) for press in presses)
    assert first == second
    assert first != other


def test_result_does_not_depend_on_how_sheets_are_asked_for() -> None:
    """Sixty sheets at once, one by one, and as the time that they take are the same."""
    at_once, singly, by_time = (Press(load_scenario("makeready")) for _ in range(3))
    for press in (at_once, singly, by_time):
        press.drive("u3", {5: 60.0, 6: 20.0}, take_up_pct=1.0)
    at_once.step(60)
    for _ in range(60):
        singly.step(1)
    made = by_time.advance(60 * 0.4 + 1e-6)
    assert made == 60
    assert shown(at_once) == shown(singly)
    for one, other in zip(truth(at_once).units, truth(by_time).units, strict=True):
        np.testing.assert_allclose(one.film_um, other.film_um, rtol=1e-9)


def test_pulling_disturbs_nothing() -> None:
    """What a sheet shows does not depend on which sheets were pulled before."""
    often, once = (Press(load_scenario("makeready")) for _ in range(2))
    for _ in range(30):
        often.step(2)
        often.pull()
    once.step(60)
    assert shown(often) == shown(once)


def test_rollers_start_empty_and_fill() -> None:
    """The first sheets are blank for the delay of the train, then the density rises toward its settled value."""
    press = quiet_press()
    for _ in range(5):
        press.step(1)
        assert press.unit("u1").film_um().max() == 0.0
    press.step(1)
    densities = [press.pull().density_at("u1", 10.0)]
    for _ in range(4):
        press.step(60)
        densities.append(press.pull().density_at("u1", 10.0))
    assert densities[0] > 0.0
    assert np.all(np.diff(densities) > 0.0)
    press.step(2000)
    assert press.pull().density_at("u1", 10.0) == pytest.approx(truth(press).units[0].settled_density[0])


def test_key_move_answers_after_the_delay() -> None:
    """A key that moved between two sheets shows on paper from the sixth sheet on and not before."""
    press = quiet_press(unit_form(start_openings_pct=[40.0] * 6), drive={"key_speed_pct_s": 1000.0})
    press.step(3000)
    before = press.unit("u1").film_um()[2]
    press.drive("u1", {3: 50.0})
    for _ in range(5):
        press.step(1)
        assert press.unit("u1").film_um()[2] == pytest.approx(before, rel=1e-9)
    press.step(1)
    assert press.unit("u1").film_um()[2] > before * 1.001


@pytest.mark.parametrize("blade", ["segmented", "spring"])
def test_nominal_openings_settle_on_the_aims_of_a_nominal_press(blade: str) -> None:
    """When the truth is what everybody believes, the nominal openings settle on the aim in every zone."""
    coverage = [0.12, 0.25, 0.40, 0.45, 0.30, 0.20]
    scenario = press_form(unit_form(blade=blade, coverage=coverage))
    openings = nominal_openings(scenario, {"u1": 1.40})["u1"]
    press = Press(press_form(unit_form(blade=blade, coverage=coverage, start_openings_pct=openings),
                             drive={"counts_per_travel": 65_535}))  # fmt: skip
    np.testing.assert_allclose(truth(press).units[0].settled_density, 1.40, atol=1e-3)


def test_truth_is_not_what_everybody_believes() -> None:
    """Under a drawn truth the nominal openings miss the aims by more than the tolerance somewhere."""
    scenario = load_scenario("makeready")
    press = Press(scenario)
    for unit, openings in nominal_openings(scenario).items():
        press.drive(unit, dict(enumerate(openings, 1)))
    press.step(60)
    off = [
        np.abs(np.array(unit.settled_density) - form.aim_d).max()
        for unit, form in zip(truth(press).units, scenario.units, strict=True)
    ]
    assert max(off) > 0.07


def test_true_blade_is_not_the_nominal_one() -> None:
    """A drawn spring blade couples keys otherwise than the nominal constants say."""
    drawn = Press(press_form(unit_form(blade="spring"), quiet=False)).unit("u1").blade
    nominal = quiet_press(unit_form(blade="spring")).unit("u1").blade
    assert np.abs(drawn.zone_matrix - nominal.zone_matrix).max() > 0.01


def test_standing_press_prints_nothing_but_moves_keys() -> None:
    """While the press stands no sheet is printed and no ink is fed; key motors go on."""
    press = quiet_press()
    press.step(200)
    press.stop()
    volume = press.unit("u1").train.volume.copy()
    press.drive("u1", {1: 50.0})
    assert press.advance(10.0) == 0
    assert press.sheet == 199
    np.testing.assert_array_equal(press.unit("u1").train.volume, volume)
    assert press.unit("u1").keys.opening_pct()[0] == pytest.approx(50.0)
    with pytest.raises(ValueError, match="sheets = 1"):
        press.step(1)


def restart_error(stood_s: float) -> float:
    press = quiet_press()
    press.step(3000)
    before = press.unit("u1").film_um()[0]
    press.stop()
    press.advance(stood_s)
    press.start()
    press.step(1)
    first = press.unit("u1").film_um()[0]
    press.step(300)
    assert press.unit("u1").film_um()[0] == pytest.approx(before, rel=1e-6)
    return float(first / before - 1.0)


@pytest.mark.parametrize(("stood_s", "marked"), [(29.0, False), (30.0, False), (31.0, True), (300.0, True)])
def test_restart_after_a_stop_starts_damp(stood_s: float, marked: bool) -> None:
    """After a stop of more than half a minute the first sheets are light, and it passes within 300 sheets."""
    error = restart_error(stood_s)
    assert (error < -0.05) if marked else (abs(error) < 1e-9)


def test_new_run_counts_from_nothing_and_keeps_the_keys() -> None:
    """A new run sets the count back and, unless told otherwise, starts on empty rollers with the keys as they are."""
    press = quiet_press()
    press.drive("u1", {2: 55.0})
    press.step(300)
    opening = press.unit("u1").keys.opening_pct().tolist()
    press.new_run("run-2", washed=False)
    assert (press.run_id, press.sheet) == ("run-2", -1)
    assert press.unit("u1").film_um()[0] > 0.3
    press.new_run("run-3")
    press.step(1)
    assert (press.sheet, press.unit("u1").film_um()[0]) == (0, 0.0)
    assert press.unit("u1").keys.opening_pct().tolist() == opening


def test_sheet_to_sheet_noise_has_its_size() -> None:
    """Sheets of a settled press scatter by 0.015 D (common practice, no source), with a ductor ripple."""
    press = quiet_press(noise={"sheet_sigma_d": 0.015, "ripple_d": 0.004})
    press.step(2000)
    read = []
    for _ in range(400):
        press.step(1)
        read.append([press.pull().density_at("u1", x_mm) for x_mm in (10.0, 100.0)])
    spread = np.std(np.array(read), axis=0)
    np.testing.assert_allclose(spread, np.hypot(0.015, 0.004 / np.sqrt(2.0)), rtol=0.15)
    shared = np.corrcoef(np.array(read).T)[0, 1]
    assert 0.2 < shared < 0.6, "zones share a part of it"


def test_blank_sheets_do_not_scatter() -> None:
    """Without ink there is no deviation of ink."""
    press = quiet_press(noise={"sheet_sigma_d": 0.015, "ripple_d": 0.004})
    press.step(2)
    assert press.pull().density_at("u1", 10.0) == 0.0


def fault_effect(kind: FaultKind, value: float, sheets: int) -> np.ndarray:
    coverage = [0.05, 0.6] * 3
    press = quiet_press(unit_form(coverage=coverage, start_openings_pct=[20.0, 45.0] * 3))
    press.step(5000)
    before = press.unit("u1").film_um()
    inject(press, FaultRequest(unit="u1", kind=kind, value=value))
    press.step(sheets)
    return np.log(press.unit("u1").film_um() / before)


def test_water_takes_ink_off_all_zones_light_ones_most() -> None:
    """Too much water lowers every zone of the unit within some tens of sheets, light coverage more."""
    change = fault_effect(FaultKind.WATER, -0.2, 200)
    assert change.max() < -0.15
    assert change[0] < change[1]


def test_temperature_is_slow_and_feed_is_not() -> None:
    """A temperature change needs thousands of sheets, another ink batch only the lag of the rollers."""
    warm, batch = fault_effect(FaultKind.TEMPERATURE, 0.1, 300), fault_effect(FaultKind.FEED, 0.1, 300)
    assert 0.0 < warm[1] < 0.02
    assert batch[1] == pytest.approx(0.1, abs=0.01)


def test_wash_passes() -> None:
    """A blanket wash is a dip that is gone after some lags of 20 sheets."""
    assert fault_effect(FaultKind.WASH, -0.1, 1)[0] < -0.05
    assert abs(fault_effect(FaultKind.WASH, -0.1, 300)[0]) < 1e-4


def test_toning_shows_on_paper() -> None:
    """Toning adds density where nothing is printed."""
    press = quiet_press()
    press.step(1)
    inject(press, FaultRequest(unit="u1", kind=FaultKind.TONING, value=0.03))
    press.step(1)
    assert press.pull().patch((), 0.0, 10.0, 5.0)["K"] == pytest.approx(0.03)


def test_drift_is_slow_and_common_to_the_unit() -> None:
    """Feed drifts by a few percent over a thousand sheets, by the same factor in every zone of a unit."""
    scenario = press_form(unit_form(), quiet=False)
    press = Press(scenario, draw_truth(scenario, 2))
    before = press.unit("u1").metered_um
    press.step(1000)
    ratio = press.unit("u1").metered_um / before
    assert np.ptp(ratio) == pytest.approx(0.0, abs=1e-12)
    assert 0.001 < abs(np.log(ratio[0])) < 0.15


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ({"unit": "u9", "kind": "stuck", "zone": 1}, "unit = 'u9'"),
        ({"unit": "u1", "kind": "stuck"}, "zone = None: expected 1 to 6"),
        ({"unit": "u1", "kind": "stuck", "zone": 7}, "zone = 7: expected 1 to 6"),
        ({"unit": "u1", "kind": "water"}, "value = None"),
        ({"unit": "u1", "kind": "zero_error_um", "zone": 1}, "value = None"),
    ],
)
def test_incomplete_fault_is_refused(fault: dict[str, object], words: str) -> None:
    """A fault that lacks its unit, zone or value names what is missing."""
    with pytest.raises(ValueError, match=words):
        inject(quiet_press(), FaultRequest.model_validate(fault))


@pytest.mark.parametrize(
    ("unit", "targets", "sweep_pct", "words"),
    [
        ("u9", {}, None, "unit = 'u9'"),
        ("u1", {0: 10.0}, None, "zone = 0"),
        ("u1", {7: 10.0}, None, "zone = 7"),
        ("u1", {1: 100.1}, None, "to_pct = 100.1"),
        ("u1", {1: float("nan")}, None, "to_pct = nan"),
        ("u1", {}, -0.1, "sweep_pct = -0.1"),
    ],
)
def test_impossible_drive_is_refused(
    unit: str, targets: dict[int, float], sweep_pct: float | None, words: str
) -> None:
    """A command outside the press names the field and moves nothing."""
    press = quiet_press()
    with pytest.raises(ValueError, match=words):
        press.drive(unit, targets, sweep_pct)
    assert not press.unit("u1").moving
