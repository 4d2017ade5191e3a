"""What a press with full inkers does over time: it fills, settles, answers keys, stops and washes."""

import numpy as np
import pytest

from inksteward_simulators.link_messages import FaultKind, FaultRequest
from inksteward_simulators.press.faults import inject
from inksteward_simulators.press.rollers import MAKES, Make, Nip, Plan, Roller, _steady, lumped, plan_of
from inksteward_simulators.scenario import nominal_openings
from tests.simulators.inker_forms import ROUND, SWEEP, UNEVEN, inker_of, needed_um, running
from tests.simulators.press_forms import press_form, quiet_press, unit_form


def test_rollers_start_empty_and_fill() -> None:
    """The first sheets are blank for the delay of the train, then the film rises from round to round and settles."""
    press = quiet_press(inker={"make": "middle"})
    press.step(5)
    assert press.unit("u1").film_um().max() == 0.0
    press.step(4)
    films = [press.unit("u1").film_um()]
    assert films[0].min() > 0.0
    for _ in range(4):
        press.step(ROUND)
        films.append(press.unit("u1").film_um())
    assert np.all(np.diff(films, axis=0) > 0.0)
    press.step(3000)
    np.testing.assert_allclose(press.unit("u1").film_um(), press.unit("u1").settled_film_um(), rtol=0.01)


@pytest.mark.parametrize("make", MAKES)
def test_key_move_answers_after_the_delay(make: Make) -> None:
    """A key that moved between two sheets shows within few sheets after the delay and never before."""
    moved, left = (quiet_press(drive={"key_speed_pct_s": 1000.0}, inker={"make": make}) for _ in range(2))
    for press in (moved, left):
        press.step(3000)
    moved.drive("u1", {3: 50.0})
    for _ in range(5):
        moved.step(1)
        left.step(1)
        np.testing.assert_array_equal(moved.unit("u1").film_um(), left.unit("u1").film_um())
    for press in (moved, left):
        press.step(8)
    assert moved.unit("u1").film_um()[2] > 1.001 * left.unit("u1").film_um()[2]


@pytest.mark.parametrize("make", MAKES)
def test_nominal_openings_settle_near_the_aims(make: Make) -> None:
    """Openings worked out from the lumped constants settle within 7 % of the film aimed at, and not exactly on it."""
    form = unit_form(coverage=list(UNEVEN))
    openings = nominal_openings(press_form(form, inker={"make": make}), {"u1": 1.40})["u1"]
    press = quiet_press(
        form | {"start_openings_pct": openings}, drive={"counts_per_travel": 65_535}, inker={"make": make}
    )
    aimed_um = -np.log(1.0 - 1.40 / 1.7) / 2.0
    off = press.unit("u1").settled_film_um() / aimed_um - 1.0
    assert 1e-3 < np.abs(off).max() < 0.07


@pytest.mark.parametrize("make", MAKES)
@pytest.mark.parametrize("coverage", [0.05, 0.3, 1.0])
def test_film_is_nearly_proportional_to_feed(make: Make, coverage: float) -> None:
    """Half and twice the feed give half and twice the film within 5 %: paper takes another share of another film."""
    inker = inker_of((coverage,) * 3, make)
    feed = needed_um(inker, coverage)
    half, one, twice = (inker.settled_film_um(times * feed, SWEEP)[0] for times in (0.5, 1.0, 2.0))
    assert half / one == pytest.approx(0.5, rel=0.05)
    assert twice / one == pytest.approx(2.0, rel=0.05)
    assert half / one != pytest.approx(0.5, rel=1e-4)


def test_asking_where_it_settles_disturbs_nothing() -> None:
    """Working out the settled film, also in the middle of a round, leaves the inker bit by bit as it was."""
    asked, left = (running(0.3, sheets=101) for _ in range(2))
    feed = needed_um(asked, 0.3)
    asked.settled_film_um(2.0 * feed, SWEEP)
    for attribute in ("volume", "fed", "film_um"):
        np.testing.assert_array_equal(getattr(asked, attribute), getattr(left, attribute))
    one, other = (inker.sheets(feed, np.ones(7), SWEEP) for inker in (asked, left))
    np.testing.assert_array_equal(one, other)


def test_film_that_does_not_settle_is_refused() -> None:
    """A train that would take 100,000 sheets to fill has no settled film to tell; a usual one has."""
    inker = inker_of((0.0,) * 3)
    with pytest.raises(ValueError, match="film after 20000 sheets"):
        inker.settled_film_um(np.full(3, 20.0), 0.05)
    assert inker.settled_film_um(np.full(3, 20.0), SWEEP).min() > 0.0
    np.testing.assert_array_equal(inker.volume, 0.0)


def sheets_to_63(stepped: np.ndarray, left: np.ndarray, gain_um: float) -> float:
    """Sheets until a film has gone 63.2 % of its way, beside one left alone (which has the same stroke pattern).

    The mean of a sheet with and one without a stroke is taken; that of sheets 1 and 2 stands for 1.5 sheets.
    """
    way = (stepped - left) / gain_um
    way, aim = 0.5 * (way[1:] + way[:-1]), -np.expm1(-1.0)
    reached = int(np.argmax(way >= aim))
    return reached + 1.5 - float((way[reached] - aim) / (way[reached] - way[reached - 1]))


@pytest.mark.parametrize("make", MAKES)
@pytest.mark.parametrize("coverage", [0.05, 0.3, 1.0])
def test_step_takes_the_lag_and_the_delay(make: Make, coverage: float) -> None:
    """After a step of the feed 63.2 % are reached within 12 % of the lag by the lumped constants plus the delay."""
    form = unit_form(coverage=[coverage] * 6)
    openings = nominal_openings(press_form(form, inker={"make": make}))["u1"]
    stepped, left = (
        quiet_press(form | {"start_openings_pct": openings}, inker={"make": make}) for _ in range(2)
    )
    unit = stepped.unit("u1")
    for press in (stepped, left):
        press.step(3000)
    before = unit.settled_film_um()[2]
    inject(stepped, FaultRequest(unit="u1", kind=FaultKind.FEED, value=0.1))
    gain_um, films = unit.settled_film_um()[2] - before, []
    for _ in range(400):
        for press in (stepped, left):
            press.step(1)
        films.append((unit.film_um()[2], left.unit("u1").film_um()[2]))
    taken = sheets_to_63(np.array(films)[:, 0], np.array(films)[:, 1], gain_um)
    expected = float(unit.train.tau_sheets(unit.sweep_pct)[2]) + stepped.scenario.train.delay_sheets
    assert taken == pytest.approx(expected, rel=0.12)


@pytest.mark.parametrize(
    ("make", "coverage"), [("short", 0.3), ("middle", 0.05), ("middle", 1.0), ("long", 0.3)]
)
def test_more_circumference_is_slower_with_the_same_gain(make: Make, coverage: float) -> None:
    """Rollers a quarter smaller or larger need less or more sheets; film for the same feed stays within 5 %."""
    lags, films, gains = [], [], []
    for scale in (0.75, 1.0, 1.25):
        stepped, left = (running(coverage, make, scale=scale) for _ in range(2))
        feed = needed_um(stepped, coverage, 0.8)
        before, after = (stepped.settled_film_um(times * feed, SWEEP)[0] for times in (1.0, 1.1))
        one, other = stepped.sheets(1.1 * feed, np.ones(500), SWEEP), left.sheets(feed, np.ones(500), SWEEP)
        lags.append(sheets_to_63(one[:, 0], other[:, 0], after - before))
        films.append(before)
        gains.append(lumped(stepped.plan).c0 + lumped(stepped.plan).c1 * coverage)
    assert lags[0] * 1.05 < lags[1] < lags[2] / 1.05
    np.testing.assert_allclose(gains, gains[1], rtol=1e-12)
    np.testing.assert_allclose(films, films[1], rtol=0.05)


@pytest.mark.parametrize("make", MAKES)
@pytest.mark.parametrize("coverage", [0.3, 1.0])
def test_levelled_rollers_print_otherwise_at_first(make: Make, coverage: float) -> None:
    """Levelled rollers give the plate more: of the first sheets some are high, and after 600 all is as before."""
    idled, ran = running(coverage, make), running(coverage, make)
    feed = needed_um(idled, coverage, 0.8)
    idled.level(40)
    one, other = (inker.sheets(feed, np.ones(10 * ROUND), SWEEP) for inker in (idled, ran))
    assert np.all((one / other)[:8].max(axis=0) > 1.002)
    np.testing.assert_allclose(one[-2:], other[-2:], rtol=1e-6)


@pytest.mark.parametrize(("stood_s", "marked"), [(29.0, False), (30.0, False), (31.0, True), (300.0, True)])
def test_restart_after_a_stop_passes(stood_s: float, marked: bool) -> None:
    """A stop of more than half a minute marks the first sheets and the rollers; a shorter one leaves no trace."""
    stopped, ran = (quiet_press(inker={"make": "middle"}) for _ in range(2))
    for press in (stopped, ran):
        press.step(1200)
    stopped.stop()
    stopped.advance(stood_s)
    stopped.start()
    for press in (stopped, ran):
        press.step(1)
    error = stopped.unit("u1").film_um() / ran.unit("u1").film_um() - 1.0
    alike = np.array_equal(stopped.unit("u1").train.volume, ran.unit("u1").train.volume)
    assert alike is not marked
    assert np.all(error < -0.03) if marked else np.all(error == 0.0)
    for press in (stopped, ran):
        press.step(10 * ROUND)
    np.testing.assert_allclose(stopped.unit("u1").film_um(), ran.unit("u1").film_um(), rtol=1e-6)


def test_washing_the_blanket_alone_dips_and_comes_back() -> None:
    """A washed blanket takes ink first: the next sheet is lighter, and within 600 sheets all is as before."""
    washed, ran = running(0.3), running(0.3)
    feed = needed_um(ran, 0.3, 0.8)
    washed.wash_blanket()
    one, other = (inker.sheets(feed, np.ones(10 * ROUND), SWEEP) for inker in (washed, ran))
    dip = one / other - 1.0
    assert np.all(dip[0] < -0.1)
    assert np.all(dip[0] < dip[1])
    assert np.abs(dip[-1]).max() < 1e-6


def test_blanket_wash_on_the_press_is_a_dip() -> None:
    """The wash fault takes the blanket's ink on this press: deeper than solvent alone, and it passes."""
    washed, ran = (quiet_press(inker={"make": "middle"}) for _ in range(2))
    for press in (washed, ran):
        press.step(1200)
    inject(washed, FaultRequest(unit="u1", kind=FaultKind.WASH, value=-0.1))
    assert np.all(washed.unit("u1").train.volume < ran.unit("u1").train.volume)
    errors = []
    for _ in range(12):
        for press in (washed, ran):
            press.step(1)
        errors.append(float(np.log(washed.unit("u1").film_um() / ran.unit("u1").film_um()).min()))
    assert min(errors) < -0.15
    for press in (washed, ran):
        press.step(10 * ROUND)
    np.testing.assert_allclose(washed.unit("u1").film_um(), ran.unit("u1").film_um(), rtol=1e-6)


ONE_FORM = Plan(
    (Roller("ductor", 4), Roller("first", 5), Roller("upper", 6), Roller("form", 4)),
    (Nip(0, 0, 1, 0), Nip(1, 2, 2, 0), Nip(2, 3, 3, 0)),
    ((3, 2, 0),),
)


def test_needed_feed_is_linear_in_coverage_with_one_form_roller() -> None:
    """Where ink has one way to the plate, feed and store at half coverage are the means of those at none and full."""
    none, half, full = (_steady(ONE_FORM, coverage, 0.58) for coverage in (0.0, 0.5, 1.0))
    assert half == pytest.approx(tuple(np.mean((none, full), axis=0)), rel=1e-9)
    assert full[0] > none[0] + 0.5


@pytest.mark.parametrize("make", MAKES)
def test_needed_feed_is_nearly_linear_in_coverage(make: Make) -> None:
    """With several form rollers, coverage also shifts how they share the work: the straight line is good to 0.5 %."""
    form = lumped(plan_of(make))
    for coverage in (0.25, 0.5, 0.75):
        film, store = _steady(plan_of(make), coverage, 0.58)
        assert film == pytest.approx(form.c0 + form.c1 * coverage, rel=5e-3)
        assert store == pytest.approx(form.s0_m + form.s1_m * coverage, rel=5e-3)


@pytest.mark.parametrize(
    ("factor", "cells"),
    [(1.0, (4, 5, 6, 4)), (0.5, (2, 2, 3, 2)), (0.1, (2, 2, 2, 2)), (2.0, (8, 10, 12, 8))],
)
def test_scaled_rollers_have_whole_cells_and_at_least_two(factor: float, cells: tuple[int, ...]) -> None:
    """A scaled plan keeps rollers of whole cells, never less than two, and all that touches."""
    scaled = ONE_FORM.scaled(factor)
    assert tuple(roller.cells for roller in scaled.rollers) == cells
    assert [(nip.one, nip.other) for nip in scaled.nips] == [(0, 1), (1, 2), (2, 3)]
    assert [roller for roller, _, _ in scaled.forms] == [3]


@pytest.mark.parametrize(("make", "forms"), [("short", 2), ("middle", 3), ("long", 4)])
def test_each_make_has_its_form_rollers(make: Make, forms: int) -> None:
    """Short, middle and long inkers have two, three and four form rollers, all fed by the ductor's train."""
    plan = plan_of(make)
    assert len(plan.forms) == forms
    assert len({roller for roller, _, _ in plan.forms}) == forms
    reached, ends = {0}, [(nip.one, nip.other) for nip in plan.nips]
    for _ in plan.rollers:
        reached |= {other for pair in ends if reached & set(pair) for other in pair}
    assert reached == set(range(len(plan.rollers)))
