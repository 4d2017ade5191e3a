"""How fast simulated presses print, with the lumped train and roller by roller. Shown, never judged here.

Times: under pytest, ``--benchmark-enable``. The figures: ``python -m tests.benchmarks.bench_press [SHEETS]``.
"""

import sys
import time

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from inksteward_simulators.press.nips import Ink, Settings, geometry, pass_sheets, pass_sheets_on_all_cores
from inksteward_simulators.press.oscillation import swapped_parts
from inksteward_simulators.press.paper import PAPERS
from inksteward_simulators.press.press import Press
from inksteward_simulators.press.rollers import MAKES, PLATE_CELLS, Make, plan_of
from tests.simulators.press_forms import press_form, unit_form

INKS, ZONES, PRESSES = "CMYK", 32, 1000
TRAINS: tuple[Make | None, ...] = (None, *MAKES)


def press_of(make: Make | None) -> Press:
    """A press of four inks and 32 zones that has printed a sheet, so that all is compiled."""
    units = [unit_form(f"u{number}", ink, zones=ZONES) for number, ink in enumerate(INKS, 1)]
    press = Press(press_form(*units, quiet=False, inker=None if make is None else {"make": make}))
    press.step(2)
    return press


class Batch:
    """All inkers of many presses, each under its own settings, printed in one call."""

    def __init__(self, make: Make, presses: int, sheets: int) -> None:
        plan, inkers = plan_of(make), presses * len(INKS)
        rng, paper = np.random.default_rng(1), PAPERS["coated"]
        self.shape, self.presses, self.sheets = geometry(plan), presses, sheets
        self.ink = Ink(
            np.full((inkers, plan.cells + 2 * PLATE_CELLS, ZONES), 2.0),
            np.zeros(inkers, dtype=np.int64),
            np.zeros((inkers, ZONES)),
            np.zeros((inkers, ZONES)),
        )
        self.settings = Settings(
            stripe=np.full(inkers, 1.2),
            feed=rng.uniform(10.0, 60.0, (inkers, ZONES)),
            factor=np.ones((inkers, sheets)),
            coverage=rng.uniform(0.05, 0.6, (inkers, ZONES)),
            paper=np.tile([paper.smooth, paper.held_um, paper.split], (inkers, 1)),
            spread=np.tile(swapped_parts(plan, 20.0, 32.5), (inkers, 1)),
        )

    def run(self, *, all_cores: bool) -> np.ndarray:
        """The films of all inkers, shape (inkers, sheets, zones)."""
        film = np.zeros((self.presses * len(INKS), self.sheets, ZONES))
        printer = pass_sheets_on_all_cores if all_cores else pass_sheets
        printer(self.shape, self.ink, self.settings, film)
        return film


@pytest.mark.parametrize("make", TRAINS)
def test_one_press(benchmark: BenchmarkFixture, make: Make | None) -> None:
    """A press of four inks prints a hundred sheets at once, and paper is inked."""
    press = press_of(make)
    benchmark(press.step, 100)
    assert press.unit("u4").film_um().min() > 0.0


@pytest.mark.parametrize("make", MAKES)
@pytest.mark.parametrize("all_cores", [False, True], ids=["one core", "all cores"])
def test_many_presses(benchmark: BenchmarkFixture, make: Make, all_cores: bool) -> None:
    """The inkers of forty presses print ten sheets in one call."""
    batch = Batch(make, 40, 10)
    film = benchmark(batch.run, all_cores=all_cores)
    assert film.shape == (160, 10, ZONES)
    assert film[:, -1].min() > 0.0


def one_press(make: Make | None, sheets: int, at_once: int) -> float:
    """Sheets a second, the best of three, of one press that is asked for so many at once."""
    press, took = press_of(make), []
    for _ in range(3):
        begun = time.perf_counter()
        for _ in range(sheets // at_once):
            press.step(at_once)
        took.append(time.perf_counter() - begun)
    return sheets / min(took)


def many_presses(make: Make, presses: int, sheets: int, *, all_cores: bool) -> float:
    """Sheets a second, the best of three, summed over these presses, each of four inks."""
    Batch(make, 1, 1).run(all_cores=all_cores)
    batch, took = Batch(make, presses, sheets), []
    for _ in range(3):
        begun = time.perf_counter()
        batch.run(all_cores=all_cores)
        took.append(time.perf_counter() - begun)
    return presses * sheets / min(took)


def main(sheets: int) -> None:
    """Print sheets a second."""
    sys.stdout.write(f"one press, {len(INKS)} inks of {ZONES} zones, sheets a second\n")
    for make in TRAINS:
        rates = [one_press(make, count, at_once) for count, at_once in ((sheets, sheets), (sheets // 4, 1))]
        told = f"{rates[0]:9.0f} at once {rates[1]:9.0f} one by one"
        sys.stdout.write(f"  {make or 'lumped':7s}{told}\n")
    sys.stdout.write(f"{PRESSES} presses in one call, sheets a second summed over the presses\n")
    for make in MAKES:
        one, all_of_them = (
            many_presses(make, PRESSES, 20, all_cores=all_cores) for all_cores in (False, True)
        )
        sys.stdout.write(f"  {make:7s}{one:9.0f} on one core {all_of_them:9.0f} on all cores\n")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
