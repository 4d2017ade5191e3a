"""What stops the service stops its rivals: no reading, no order; keys that do not know where they are stay."""

import numpy as np
import pytest

from inksteward.bench.configuration import configuration
from inksteward.bench.rivals import Order, RivalLoop
from inksteward.config import parse
from inksteward_simulators.link_messages import FaultKind, FaultRequest
from inksteward_simulators.press.faults import inject
from tests.bench.test_bench import small


class Opener:
    """Opens key 1 of every unit by 1 % at every scan, and notes the sheets."""

    def __init__(self) -> None:
        self.asked: list[int] = []

    def act(self, loop: RivalLoop) -> dict[str, Order]:
        """The orders of one scan."""
        self.asked.append(loop.press.sheet)
        return {unit.unit: Order({1: float(loop.openings(unit.unit)[0]) + 1.0}) for unit in loop.units}


@pytest.mark.parametrize(
    ("kind", "unit"), [(FaultKind.INSTRUMENT_DEAD, None), (FaultKind.FEEDBACK_LOST, "u1")]
)
def test_a_rival_is_held_up_as_the_service_is(kind: FaultKind, unit: str | None) -> None:
    """With a dead instrument nobody is asked and no key moves; where a unit's keys are lost its keys stay, the other
    unit's move."""
    scenario, rival = small(4), Opener()
    loop = RivalLoop(scenario, parse(configuration(scenario), "bench").press.units, rival, seed=3)
    loop.run(300)
    asked = len(rival.asked)
    loop.run(60)  # what was ordered is carried out
    inject(loop.press, FaultRequest(kind=kind, unit=unit))
    screws = {name: there.keys.screw_pct.copy() for name, there in loop.press.units.items()}
    loop.run(60)
    before = {name: there.keys.screw_pct.copy() for name, there in loop.press.units.items()}
    loop.run(300)
    moved = {
        name: not np.array_equal(before[name], there.keys.screw_pct)
        for name, there in loop.press.units.items()
    }
    assert asked > 3
    assert set(screws) == {"u1", "u2"}
    assert moved == {"u1": False, "u2": kind is FaultKind.FEEDBACK_LOST}
