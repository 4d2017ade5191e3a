"""The inker roller by roller against closed forms, a linear solve over all cells, and parcels that walk at random.

Equal splitting at a nip: e.g. Mill 1961; MacPhee, Fundamentals of Lithographic Printing, 1998 (both from memory).
Rollers are invented, so what is checked is that rules were followed, not that a press was met.
"""

import numpy as np
import pytest

from inksteward_simulators.press.inker import Inker
from inksteward_simulators.press.nips import _train, _walker_fetsko, geometry, level
from inksteward_simulators.press.oscillation import PERIOD_SHEETS, mean_square_mm2
from inksteward_simulators.press.paper import PAPERS, Paper, PaperKind
from inksteward_simulators.press.rollers import (
    CELL_M,
    MAKES,
    TRANSFER_NOMINAL,
    Make,
    Nip,
    Plan,
    Roller,
    lumped,
    plan_of,
)
from inksteward_simulators.scenario_forms import Train
from tests.outside.inker_cells import BETA_M, IMAGE, ROUND, balance

# Walker and Fetsko, "A concept of ink transfer in printing", TAGA 1955; the formula from memory. The numbers were
# worked out independently from y = A [b B + f (x - b B)], A = 1 - exp(-k x), B = 1 - exp(-x / b); parameters invented.
WALKER_FETSKO: dict[PaperKind, dict[float, float]] = {
    "coated": {1.0: 0.576809, 2.0: 1.178833, 4.0: 2.071618},
    "uncoated": {1.0: 0.427252, 2.0: 1.118686, 4.0: 2.294638},
    "newsprint": {1.0: 0.289110, 2.0: 0.861070, 4.0: 2.072420},
}
KINDS = tuple(WALKER_FETSKO)


def kernel_taken(paper: Paper, offered_um: np.ndarray) -> np.ndarray:
    """What the compiled loop would give to paper of these films."""
    share = np.full(len(offered_um), np.nan)
    _walker_fetsko(offered_um, np.array([paper.smooth, paper.held_um, paper.split]), share)
    return share * offered_um


@pytest.mark.parametrize("kind", KINDS)
def test_paper_takes_what_walker_and_fetsko_say(kind: PaperKind) -> None:
    """Both the formula and the compiled loop give the independent values of TAGA 1955 (from memory) to six digits."""
    offered, taken = np.array(list(WALKER_FETSKO[kind])), list(WALKER_FETSKO[kind].values())
    np.testing.assert_allclose(PAPERS[kind].taken_um(offered), taken, atol=6e-7)
    np.testing.assert_allclose(kernel_taken(PAPERS[kind], offered), taken, atol=6e-7)


@pytest.mark.parametrize("kind", KINDS)
def test_formula_and_loop_agree_from_no_film_on(kind: PaperKind) -> None:
    """Over all films the two ways to the transfer agree; no film gives nothing, and never is more taken than lies."""
    offered = np.concatenate(([0.0, 1e-12, 1e-6], np.linspace(0.01, 40.0, 400)))
    loop = kernel_taken(PAPERS[kind], offered)
    # 1 - exp(-x) keeps few digits of a film of a millionth of a um
    np.testing.assert_allclose(loop, PAPERS[kind].taken_um(offered), rtol=1e-12, atol=1e-18)
    assert loop[0] == 0.0
    assert np.all(np.diff(loop[2:]) > 0.0)
    assert np.all(loop <= offered)


def test_nominal_transfer_is_that_of_coated_paper() -> None:
    """The share that the lumped constants take for granted is coated paper's at 1 to 2 um, to 2.5 hundredths."""
    offered = np.array([1.0, 1.5, 2.0])
    np.testing.assert_allclose(PAPERS["coated"].taken_um(offered) / offered, TRANSFER_NOMINAL, atol=0.025)


# Equal splitting, by closed forms.


def pair(one: int, other: int) -> Plan:
    """Two rollers of so many cells that touch, beside a ductor that does not reach them while they level out."""
    rollers = (Roller("ductor", 2), Roller("one", one), Roller("other", other))
    return Plan(rollers, (Nip(0, 0, 1, 0), Nip(1, 0, 2, 0)), ((2, 0, 0),))


@pytest.mark.parametrize(("one", "other"), [(3, 5), (5, 7), (7, 11), (5, 6)])
def test_two_rollers_end_at_the_mean(one: int, other: int) -> None:
    """Two rollers without a common divisor let every cell meet every other: both end at the mean over all cells.

    A split keeps the sum, so only an even film can stay as it is, and it holds (V1 + V2) / (n1 + n2).
    """
    cells = np.random.default_rng(one).uniform(0.0, 9.0, (2 + one + other, 4))
    begun = cells.copy()
    level(cells, 1, geometry(pair(one, other)))
    np.testing.assert_allclose(cells.sum(axis=0), begun.sum(axis=0), rtol=1e-13)
    level(cells, 400, geometry(pair(one, other)))
    expected = np.broadcast_to(begun[2:].mean(axis=0), (one + other, 4))
    np.testing.assert_allclose(cells[2:], expected, rtol=1e-12)
    np.testing.assert_array_equal(cells[:2], begun[:2])


def test_rollers_with_a_common_divisor_stay_apart() -> None:
    """Four cells on six share the divisor two: even cells meet even ones alone, and each half has a mean of its own."""
    cells = np.random.default_rng(1).uniform(0.0, 9.0, (12, 3))
    begun = cells.copy()
    level(cells, 200, geometry(pair(4, 6)))
    for half in (0, 1):
        mean = np.vstack((begun[2 + half : 6 : 2], begun[6 + half : 12 : 2])).mean(axis=0)
        np.testing.assert_allclose(cells[2 + half :: 2], np.broadcast_to(mean, (5, 3)), rtol=1e-12)
    assert np.abs(cells[2] - cells[3]).min() > 0.01


@pytest.mark.parametrize("sizes", [(4, 5, 5, 4, 3, 5), (2, 2, 2, 2, 2, 2)])
def test_film_drops_alike_from_roller_to_roller(sizes: tuple[int, ...]) -> None:
    """In a chain that passes q um a cell in steady flow, the film drops by q from nip to nip.

    Let m_i leave nip i on both surfaces. Roller i brings m_(i-1) to nip i, roller i + 1 brings m_(i+1) back, so
    m_i = (m_(i-1) + m_(i+1)) / 2: films lie on a straight line. The first roller gains q before it meets nip 0, so
    m_0 = (m_0 + q + m_1) / 2 and the line falls by q. The last loses a share f of its film m_last, so q = f m_last:
    m_i = q / f + (last - i) q.
    """
    q, f, last = 0.2, 0.3, len(sizes) - 2
    rollers = tuple(Roller(str(number), size) for number, size in enumerate(sizes))
    nips = tuple(Nip(number, sizes[number] // 2, number + 1, 0) for number in range(last + 1))
    shape = geometry(Plan(rollers, nips, ((last + 1, 0, 0),)))
    cells, starts = np.zeros((sum(sizes), 1)), np.cumsum([0, *sizes])
    at = np.zeros((last + 1, 2), dtype=np.int64)
    at[:, 0] = [-(size // 2) % size for size in sizes[:-1]]
    # the last roller gives ink up right behind its nip; the first takes it right before
    for _ in range(6000):
        behind = starts[-2] + at[last, 1]
        cells[at[0, 0]] += q
        _train(cells, 0, shape, at)
        cells[behind] *= 1.0 - f
    nearest = [starts[i + 1] + (at[i, 1] - 1) % sizes[i + 1] for i in range(last)]
    left = np.array([cells[row, 0] for row in nearest])
    np.testing.assert_allclose(left, q / f + (last - np.arange(last)) * q, rtol=1e-9)


@pytest.mark.parametrize("nips", [1, 3, 6])
def test_lumped_constants_of_a_chain(nips: int) -> None:
    """A chain with one form roller has c0 = 1/T + 2 and c1 = (nips - 1) image / plate, whatever its circumferences.

    One um printed means a share a s of a cell passes each nip, s = image / plate. The blanket carries 1/T before the
    paper and 1/T - 1 after it; the plate leaves it with 1/T, so it came with 1/T + 1. The form roller met 1/T and left
    1/T + 1, so it came with 1/T + 2: that is the film that left the last nip, and each nip before adds a s.
    """
    rollers = (Roller("ductor", 4), *(Roller(str(number), 3 + number) for number in range(nips + 1)))
    touching = tuple(Nip(number, 1, number + 1, 0) for number in range(nips + 1))
    form = lumped(Plan(rollers, touching, ((nips + 1, 2, 0),)), 0.55)
    assert form.c0 == pytest.approx(1.0 / 0.55 + 2.0, rel=1e-12)
    assert form.c1 == pytest.approx((nips - 1) * 14 / 17, rel=1e-12, abs=1e-12)


# A linear solve over all cells: `inker_cells.py`.


def simulated(make: Make, coverage: float, zones: int = 1) -> Inker:
    """The simulator's inker on a paper that takes the nominal share of any film."""
    paper = Paper(1e9, 1e-12, TRANSFER_NOMINAL)
    coverages = np.full(zones, coverage)
    return Inker(coverages, plan_of(make), stroke_mm=0.0, pitch_mm=32.5, paper=paper, train=Train())


CASES = [(make, coverage) for make in MAKES for coverage in (0.05, 0.3, 1.0)]


@pytest.mark.parametrize(("make", "coverage"), CASES)
def test_steady_film_is_that_of_a_linear_solve(make: Make, coverage: float) -> None:
    """Sheet by sheet the compiled loops come to the film that a linear solve over all cells gives, to 1e-9."""
    solved = balance(make, coverage)
    assert solved.printed_over_fed == pytest.approx(1.0, rel=1e-9)
    inker = simulated(make, coverage, zones=2)
    inker.sheets(np.full(2, 20.0), np.ones(6000), 50.0)
    films = inker.sheets(np.full(2, 20.0), np.ones(ROUND), 50.0).mean(axis=0)
    np.testing.assert_allclose(films, 20.0 * solved.printed_um, rtol=1e-9)


@pytest.mark.parametrize(("make", "coverage"), CASES)
def test_lumped_constants_are_near_the_linear_solve(make: Make, coverage: float) -> None:
    """Needed feed a L / beta + c0 + c1 a is met within 7 %, the store s0 + s1 a within 2 %.

    Not exactly: the lumped constants take films as even between two nips, but a stripe lies where the ductor laid it.
    """
    solved, form = balance(make, coverage), lumped(plan_of(make))
    needed = coverage * IMAGE * CELL_M / BETA_M + form.c0 + form.c1 * coverage
    assert needed == pytest.approx(1.0 / solved.printed_um, rel=0.07)
    assert form.s0_m + form.s1_m * coverage == pytest.approx(solved.stored_m, rel=0.02)


@pytest.mark.parametrize(("make", "coverage"), CASES)
def test_lag_is_the_analytic_formula(make: Make, coverage: float) -> None:
    """tau = (s0 + s1 a) / (a L + beta (c0 + c1 a)), with the solved store and film, is our lag to 7 %.

    The formula is derived from the balance of one capacitance: stored ink over what is printed and carried back.
    """
    solved = balance(make, coverage)
    tau = solved.stored_m / (coverage * IMAGE * CELL_M + BETA_M * solved.met)
    assert simulated(make, coverage).tau_sheets(50.0)[0] == pytest.approx(tau, rel=0.07)


@pytest.mark.parametrize(("make", "coverage"), CASES)
def test_slowest_mode_is_near_the_lag(make: Make, coverage: float) -> None:
    """The slowest of all ways in which the cells settle takes our lag within 8 %, within 21 % at full coverage.

    A full solid draws the ink through so fast that rollers act more as a delay than as a store.
    """
    tau = simulated(make, coverage).tau_sheets(50.0)[0]
    assert tau == pytest.approx(balance(make, coverage).slowest_sheets, rel=0.21 if coverage == 1.0 else 0.09)


# Sideways: parcels.


def walked_mm2(stroke_mm: float, nips_per_sheet: float, period_sheets: float) -> tuple[float, float]:
    """Mean square a sheet of parcels on an oscillator and its standard error, by random walk.

    The roller swings as a sinus. At each nip a parcel is set down with probability 1/2; what comes onto the roller
    instead meets it at a phase of its own.
    """
    rng, parcels, nips = np.random.default_rng(17), 8000, 80
    turn = 2.0 * np.pi / (nips_per_sheet * period_sheets)
    phase = rng.uniform(0.0, 2.0 * np.pi, parcels)
    came_at, at = np.sin(phase), np.zeros(parcels)
    # counted from nip 0 on, when parcels have been there for as long as they use to be
    for nip in range(-40, nips):
        if nip == 0:
            at[:] = 0.0
        phase += turn
        leaves = rng.random(parcels) < 0.5
        at[leaves] += 0.5 * stroke_mm * (np.sin(phase) - came_at)[leaves]
        phase[leaves] = rng.uniform(0.0, 2.0 * np.pi, int(leaves.sum()))
        came_at[leaves] = np.sin(phase)[leaves]
    square = at**2 * nips_per_sheet / nips
    return float(square.mean()), float(square.std() / np.sqrt(parcels))


# A roller of four cells with two nips meets 8.5 of them a sheet, one of six with four 11.3, one of five with two 6.8.
@pytest.mark.parametrize("nips_per_sheet", [6.8, 8.5, 34.0 / 3.0])
@pytest.mark.parametrize(
    ("stroke_mm", "period_sheets"), [(20.0, PERIOD_SHEETS), (35.0, PERIOD_SHEETS), (20.0, 1.5), (20.0, 5.0)]
)
def test_oscillators_spread_as_parcels_walk(
    nips_per_sheet: float, stroke_mm: float, period_sheets: float
) -> None:
    """The closed form is within 4 standard errors of 8,000 parcels, and these errors are less than 10 %."""
    walked, error = walked_mm2(stroke_mm, nips_per_sheet, period_sheets)
    assert 4.0 * error < 0.1 * walked
    assert mean_square_mm2(stroke_mm, nips_per_sheet, period_sheets) == pytest.approx(walked, abs=4.0 * error)


def test_no_stroke_spreads_nothing_and_the_spread_goes_with_its_square() -> None:
    """Twice the stroke is four times the mean square, no stroke none (each displacement goes with the stroke)."""
    assert mean_square_mm2(0.0, 8.5) == 0.0
    assert mean_square_mm2(40.0, 8.5) == pytest.approx(4.0 * mean_square_mm2(20.0, 8.5), rel=1e-12)
