"""The oracle under a blade of one piece: no order that the interlock would not let through."""

from __future__ import annotations

from dataclasses import replace

import pytest

from inksteward.bench.configuration import configuration
from inksteward.bench.oracle import Oracle
from inksteward.bench.rivals import Order, RivalLoop
from inksteward.config import parse
from inksteward.interlock import permit
from inksteward.model import Unit
from inksteward.model.moves import KeyMove, Moves, ReadBack
from inksteward.model.verdict import Permit, Refusal
from inksteward_simulators.scenario import load_scenario


class Judged(RivalLoop):
    """A bench whose orders are put before the service's interlock, on what it would know, when they are carried out."""

    def __init__(self, scenario: str, seed: int) -> None:
        form = load_scenario(scenario)
        units = parse(configuration(form), "bench").press.units
        calibrated = tuple(replace(unit, calibration=replace(unit.calibration, valid=True)) for unit in units)
        super().__init__(form, calibrated, Oracle(), seed=seed)
        self.verdicts: list[Permit | Refusal] = []

    def _carry_out(self, orders: dict[str, Order]) -> None:
        for unit in self.units:
            order = orders.get(unit.unit)
            if order is not None and order.targets:
                self.verdicts.append(self.verdict(unit, order))
        super()._carry_out(orders)

    def verdict(self, unit: Unit, order: Order) -> Permit | Refusal:
        """What the interlock says of an order now."""
        there = self.press.unit(unit.unit)
        keys = tuple(KeyMove(zone - 1, round(to * 1000)) for zone, to in sorted(order.targets.items()))
        sweep = None if order.sweep_pct is None else round(order.sweep_pct * 1000)
        now = ReadBack(
            unit=unit.unit,
            blade_id=unit.calibration.blade_id,
            opening_mpct=tuple(round(value * 1000) for value in self.openings(unit.unit).tolist()),
            referenced=(True,) * unit.zones,
            sweep_mpct=round(there.sweep_pct * 1000),
            age_ms=0,
            fountain_turning=True,
            moving=False,
        )
        return permit(Moves(unit.unit, keys, sweep), now, (), unit.calibration, unit.coupling)


@pytest.mark.parametrize("seed", [801, 805])
def test_the_interlock_permits_what_the_oracle_orders(seed: int) -> None:
    """From a start that lies below the least gap in places, every order of a makeready passes the interlock."""
    loop = Judged("spring-blade", seed)
    loop.run(600)
    assert len(loop.verdicts) > 20
    assert [verdict for verdict in loop.verdicts if isinstance(verdict, Refusal)] == []
