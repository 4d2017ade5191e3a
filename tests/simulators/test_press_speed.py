"""How fast the simulated press is; only timed when benchmarks are enabled."""

from pytest_benchmark.fixture import BenchmarkFixture

from inksteward_simulators.press.press import Press
from inksteward_simulators.scenario import load_scenario


def test_sheets_per_second(benchmark: BenchmarkFixture) -> None:
    """A thousand sheets of four units with 32 zones; a demo at time factor 20 needs 50 sheets a second."""
    press = Press(load_scenario("makeready"))
    benchmark(press.step, 1000)
    assert press.sheet >= 999
