"""The inker roller by roller: no ink is lost, the order of asking is no matter, zones share by swinging rollers."""

import numpy as np
import pytest

from inksteward_simulators.link_messages import FaultKind, FaultRequest
from inksteward_simulators.press.faults import inject
from inksteward_simulators.press.nips import Ink, Settings, geometry, pass_sheets, pass_sheets_on_all_cores
from inksteward_simulators.press.oscillation import swapped_parts
from inksteward_simulators.press.paper import PAPERS
from inksteward_simulators.press.press import Press
from inksteward_simulators.press.reveal import truth
from inksteward_simulators.press.rollers import CELL_M, MAKES, PLATE_CELLS, Make, Plan, plan_of
from inksteward_simulators.scenario_forms import Train
from tests.simulators.inker_forms import IMAGE_M, ROUND, SWEEP, UNEVEN, inker_of, running, shown
from tests.simulators.press_forms import press_form, quiet_press, unit_form


def printed_um_m(films: np.ndarray, coverage: tuple[float, ...]) -> np.ndarray:
    """Ink that left on paper, by zone (um m)."""
    volume: np.ndarray = films.sum(axis=0) * np.array(coverage) * IMAGE_M
    return volume


@pytest.mark.parametrize("make", MAKES)
@pytest.mark.parametrize("stroke_mm", [0.0, 20.0])
def test_fed_is_printed_plus_what_is_stored(make: Make, stroke_mm: float) -> None:
    """Over 4,000 sheets no ink is made or lost: in each zone if nothing swings, else in all zones together."""
    inker = inker_of(make=make, stroke_mm=stroke_mm)
    rng = np.random.default_rng(5)
    printed = np.zeros(len(UNEVEN))
    for sweep_pct in (50.0, 20.0, 90.0, 0.0):
        films = inker.sheets(rng.uniform(5.0, 60.0, len(UNEVEN)), rng.uniform(0.9, 1.1, 1000), sweep_pct)
        printed += printed_um_m(films, UNEVEN)
    fed, spent = inker.fed, printed + inker.volume
    assert inker.volume.min() > 0.0
    if stroke_mm:
        fed, spent = fed.sum(), spent.sum()
    np.testing.assert_allclose(spent, fed, rtol=1e-9)


def test_levelling_and_a_blanket_wash_account_for_their_ink() -> None:
    """Levelling moves ink and loses none; a blanket wash takes what lay on the blanket and nothing else."""
    inker = inker_of(stroke_mm=0.0)
    printed = printed_um_m(inker.sheets(np.full(6, 30.0), np.ones(1000), SWEEP), UNEVEN)
    held = inker.volume
    inker.level(40)
    np.testing.assert_allclose(inker.volume, held, rtol=1e-12)
    on_blanket = inker._ink.cells[0, -PLATE_CELLS:].sum(axis=0) * np.array(UNEVEN) * CELL_M
    inker.wash_blanket()
    washed = held - inker.volume
    assert washed.min() > 0.0
    np.testing.assert_allclose(washed, on_blanket, rtol=1e-9)
    printed += printed_um_m(inker.sheets(np.full(6, 30.0), np.ones(1000), SWEEP), UNEVEN)
    np.testing.assert_allclose(printed + inker.volume + washed, inker.fed, rtol=1e-9)


def test_a_wash_leaves_nothing() -> None:
    """After a wash-up nothing is stored, and the next sheet is not inked by what was."""
    inker = running(0.3)
    inker.wash()
    np.testing.assert_array_equal(inker.volume, 0.0)
    np.testing.assert_array_equal(inker.film_um, 0.0)
    np.testing.assert_array_equal(inker.sheets(np.zeros(3), np.ones(3), SWEEP), 0.0)


def test_oscillators_move_ink_but_make_none() -> None:
    """With no feed and nothing to print, rollers that swing keep their ink to rounding while zones share it."""
    inker = inker_of((0.0,) * 6, stroke_mm=35.0)
    inker.sheets(np.array([0.0, 0.0, 60.0, 0.0, 0.0, 0.0]), np.ones(2), SWEEP)
    before = inker.volume
    inker.sheets(np.zeros(6), np.ones(2000), 0.0)
    assert inker.volume.sum() == pytest.approx(before.sum(), rel=1e-12)
    assert np.ptp(inker.volume) < 0.01 * np.ptp(before)


@pytest.mark.parametrize("make", MAKES)
def test_result_does_not_depend_on_how_sheets_are_asked_for(make: Make) -> None:
    """Sixty sheets at once, one by one, and as the time that they take are the same bit by bit."""
    scenario = press_form(
        unit_form(), unit_form("u2", "M"), inker={"make": make}, quiet=False, noise={"sheet_sigma_d": 0.01}
    )
    at_once, singly, by_time = (Press(scenario, seed=3) for _ in range(3))
    for press in (at_once, singly, by_time):
        press.step(1)
        for unit, kind in (("u1", FaultKind.WASH), ("u1", FaultKind.WATER), ("u2", FaultKind.TEMPERATURE)):
            inject(press, FaultRequest(unit=unit, kind=kind, value=-0.1))
    at_once.step(ROUND)
    for _ in range(ROUND):
        singly.step(1)
    assert by_time.advance(ROUND * 0.4 + 1e-6) == ROUND
    assert shown(at_once) == shown(singly)
    for one, other in zip(truth(at_once).units, truth(by_time).units, strict=True):
        assert one.film_um == other.film_um
        assert one.settled_density == other.settled_density
    assert at_once.pull().density_at("u2", 60.0) == by_time.pull().density_at("u2", 60.0)


def test_keys_may_move_between() -> None:
    """Also while keys and sweep are on their way, sixty sheets at once are sixty single ones."""
    scenario = press_form(inker={"make": "short"}, quiet=False)
    at_once, singly = Press(scenario, seed=4), Press(scenario, seed=4)
    for press in (at_once, singly):
        press.drive("u1", {2: 60.0, 5: 20.0}, sweep_pct=35.0, take_up_pct=1.0)
    at_once.step(ROUND)
    for _ in range(ROUND):
        singly.step(1)
    assert shown(at_once) == shown(singly)


def test_same_seed_same_press() -> None:
    """Two presses from one seed agree in every digit, another seed gives another press."""
    scenario = press_form(inker={"make": "middle"}, quiet=False)
    presses = [Press(scenario, seed=seed) for seed in (3, 3, 4)]
    for press in presses:
        press.step(80)
        press.drive("u1", {4: 55.0}, sweep_pct=33.0)
        press.step(80)
    first, second, other = (shown(press) for press in presses)
    assert first == second
    assert first != other


def batch(plan: Plan, inkers: int, zones: int, sheets: int) -> tuple[Ink, Settings, np.ndarray]:
    """So many inkers, each with its own ink, age and settings."""
    rng = np.random.default_rng(11)
    ink = Ink(
        cells=rng.uniform(0.0, 5.0, (inkers, plan.cells + 2 * PLATE_CELLS, zones)),
        turned=rng.integers(0, 100, inkers),
        on_blanket=rng.uniform(0.0, 2.0, (inkers, zones)),
        fed=np.zeros((inkers, zones)),
    )
    papers = [list(PAPERS.values())[number % len(PAPERS)] for number in range(inkers)]
    settings = Settings(
        stripe=rng.uniform(0.0, 3.0, inkers),
        feed=rng.uniform(5.0, 60.0, (inkers, zones)),
        factor=rng.uniform(0.9, 1.1, (inkers, sheets)),
        coverage=rng.uniform(0.0, 1.0, (inkers, zones)),
        paper=np.array([(paper.smooth, paper.held_um, paper.split) for paper in papers]),
        spread=np.array([swapped_parts(plan, 5.0 * number, 32.5) for number in range(inkers)]),
    )
    return ink, settings, np.zeros((inkers, sheets, zones))


@pytest.mark.parametrize("make", MAKES)
@pytest.mark.parametrize("printer", [pass_sheets, pass_sheets_on_all_cores], ids=["one core", "all cores"])
def test_a_batch_is_each_inker_alone(make: Make, printer: object) -> None:
    """Several inkers in one call print, bit by bit, what each prints alone; no inker knows of another."""
    plan, inkers = plan_of(make), 5
    assert callable(printer)
    shape = geometry(plan)
    together, settings, films = batch(plan, inkers, 7, 50)
    alone, _, lone_films = batch(plan, inkers, 7, 50)
    printer(shape, together, settings, films)
    for number in range(inkers):
        own = slice(number, number + 1)
        ink = Ink._make(part[own] for part in alone)
        pass_sheets(shape, ink, Settings._make(part[own] for part in settings), lone_films[own])
    np.testing.assert_array_equal(films, lone_films)
    for one, other in zip(together, alone, strict=True):
        np.testing.assert_array_equal(one, other)
    assert np.ptp(films[:, -1].mean(axis=1)) > 0.1


def opened(stroke_mm: float) -> np.ndarray:
    """Shares of the ink by zone when only the middle one of eleven zones is open."""
    inker = inker_of((0.3,) * 11, stroke_mm=stroke_mm)
    film = inker.settled_film_um(np.eye(11)[5] * 20.0, SWEEP)
    share: np.ndarray = film / film.sum()
    return share


def test_longer_stroke_spreads_more() -> None:
    """The longer the stroke, the less of a zone's ink stays in it; without a stroke all does."""
    share = [opened(stroke_mm) for stroke_mm in (0.0, 10.0, 20.0, 35.0)]
    np.testing.assert_array_equal(share[0], np.eye(11)[5])
    zones = np.arange(11) - 5
    assert np.all(np.diff([float(zones**2 @ each) for each in share]) > 0.05)
    assert np.all(np.diff([each[5] for each in share]) < -0.05)
    for each in share:
        np.testing.assert_allclose(each, each[::-1], atol=1e-12)


@pytest.mark.parametrize("make", MAKES)
def test_an_even_form_stays_even(make: Make) -> None:
    """Where neighbours have the same ink, swapping it changes nothing: films agree to 1e-12."""
    still, swinging = (inker_of((0.3,) * 8, make, stroke_mm=stroke_mm) for stroke_mm in (0.0, 35.0))
    one, other = (inker.sheets(np.full(8, 20.0), np.ones(2000), SWEEP) for inker in (still, swinging))
    np.testing.assert_allclose(other, one, rtol=1e-12)
    assert np.ptp(other[-1]) <= 1e-12 * other[-1].mean()


def test_ductor_strokes_every_second_sheet() -> None:
    """Ink comes with the first, third, fifth sheet, and none between, however sheets are asked for."""
    inker = inker_of((0.3,) * 3)
    fed = [inker.fed]
    for _ in range(20):
        inker.sheets(np.full(3, 20.0), np.ones(1), SWEEP)
        fed.append(inker.fed)
    gained = np.diff(fed, axis=0)
    assert gained[0::2].min() > 0.0
    np.testing.assert_array_equal(gained[1::2], 0.0)
    inker.sheets(np.full(3, 20.0), np.ones(3), SWEEP)
    before = inker.fed
    inker.sheets(np.full(3, 20.0), np.ones(1), SWEEP)
    np.testing.assert_array_equal(inker.fed, before)


@pytest.mark.parametrize(
    ("stripe_cells", "taken_cells"),
    [(0.0, 0.0), (0.4, 0.2), (1.0, 0.5), (3.9, 1.95), (4.0, 2.0), (4.1, 2.025), (5.0, 2.25), (8.0, 3.0)],
)
def test_stroke_longer_than_the_ductor_wraps(stripe_cells: float, taken_cells: float) -> None:
    """An empty ductor of four cells takes half the film of the stripe; what comes round a second time takes less."""
    inker = inker_of((0.3,) * 3, train=Train(beta_ref_m=stripe_cells * CELL_M / 4.0 or 1.0))
    inker.sheets(np.full(3, 20.0), np.ones(1), SWEEP if stripe_cells else 0.0)
    np.testing.assert_allclose(inker.fed, 20.0 * taken_cells * CELL_M, rtol=1e-12, atol=0.0)


def test_a_full_ductor_gives_back() -> None:
    """When the fountain offers less than the ductor holds, ink goes back: what was fed shrinks."""
    inker = running(0.0)
    before = inker.fed
    inker.sheets(np.zeros(3), np.ones(2), SWEEP)
    assert np.all(inker.fed < before)
    assert inker.volume.min() > 0.0


@pytest.mark.parametrize("stroke_mm", [30.0, 60.0, 120.0])
def test_a_wide_swing_evens_out_and_no_more(stroke_mm: float) -> None:
    """However far the oscillators swing, what was uneven comes nearer to even: no film falls below zero or grows out of
    bounds."""
    press = quiet_press(
        unit_form(start_openings_pct=[20.0, 60.0] * 3), inker={"make": "middle", "stroke_mm": stroke_mm}
    )
    press.step(1500)
    film_um = press.unit("u1").film_um()
    assert np.all(film_um > 0.0)
    assert np.ptp(film_um) < 0.6 * film_um.mean()
