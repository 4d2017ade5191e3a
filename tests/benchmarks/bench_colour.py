"""How long a patch's colour and the search for a density take. Shown, never judged here (``--benchmark-enable``)."""

from functools import partial

from pytest_benchmark.fixture import BenchmarkFixture

from inksteward.colour import ciede2000, closest, film_line, lab_of
from tests.colour.inks import PAPER, SURFACE, density, printed


def test_lab(benchmark: BenchmarkFixture) -> None:
    """A spectrum of 36 values becomes CIELAB."""
    found = benchmark(lab_of, printed("C", 1.0))
    assert 0.0 < found.l_star < 100.0


def test_difference(benchmark: BenchmarkFixture) -> None:
    """Two colours are compared by CIEDE2000."""
    one, other = lab_of(printed("C", 1.0)), lab_of(printed("C", 1.2))
    assert benchmark(ciede2000, one, other) > 0.0


def test_film(benchmark: BenchmarkFixture) -> None:
    """One film of a line through three solids has its colour."""
    line = film_line(PAPER, [printed("C", factor) for factor in (1.0, 0.7, 1.3)], SURFACE)
    found = benchmark(line.lab, 1.1)
    assert 0.0 < found.l_star < 100.0


def test_search(benchmark: BenchmarkFixture) -> None:
    """The density that comes closest to an aim is found, with its band."""
    line = film_line(PAPER, [printed("C", 1.0)], SURFACE)
    found = benchmark(closest, line, line.lab(1.2), partial(density, "C"), limit_de00=2.0)
    assert found.de00 < 0.01
