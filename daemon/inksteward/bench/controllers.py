"""Who may be put at the keys in a bench run, by name."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any
from unittest.mock import patch

import numpy as np

from inksteward.bench.configuration import configuration
from inksteward.bench.fixed_gain import TUNED, FixedGain
from inksteward.bench.loop import Loop
from inksteward.bench.oracle import Oracle
from inksteward.bench.pace import Pace
from inksteward.bench.rivals import ByHand, Nobody, Rival, RivalLoop
from inksteward.bench.tally import Result
from inksteward.config import parse
from inksteward.control.forecast import densities, forecast
from inksteward.control.numerics import exp
from inksteward.control.situation import Forecast, Situation
from inksteward_simulators.scenario_forms import Scenario

Alter = Callable[[dict[str, Any]], None]


@dataclass(frozen=True, slots=True)
class Controller:
    """``told``: what it is, in a few words. A rival by its maker, or the service's own core (``rival`` None) with a
    changed configuration (``alter``) or blind to moves under way."""

    told: str
    rival: Callable[[], Rival] | None = None
    alter: Alter | None = None
    counts_pending: bool = True


def _every_unit(table: str, **values: float) -> Alter:
    def alter(data: dict[str, Any]) -> None:
        for unit in data["unit"]:
            unit.setdefault(table, {}).update(values)

    return alter


def _identification(**values: float) -> Alter:
    def alter(data: dict[str, Any]) -> None:
        data["control"].setdefault("identification", {}).update(values)

    return alter


def _no_sweep(data: dict[str, Any]) -> None:
    for unit in data["unit"]:
        for phase in ("makeready", "run"):
            unit.setdefault("limits", {}).setdefault(phase, {})["sweep_step_pct"] = 0.5


CONTROLLERS: dict[str, Controller] = {
    "nobody": Controller("keys stay as they are", Nobody),
    "by-hand": Controller("the trade's rule of thumb (common practice, no source)", ByHand),
    "pid": Controller("PID with fixed gains for each zone, tuned on other seeds", lambda: FixedGain(TUNED)),
    "ours": Controller("the service's core, everything approved"),
    "oracle": Controller("knows the true press; same delays, drives and limits", Oracle),
    "no-pending": Controller("ours, blind to moves that no reading shows yet", counts_pending=False),
    "no-sweep": Controller("ours, keys only", alter=_no_sweep),
    "no-interaction": Controller("ours, zones taken as strangers", alter=_every_unit("train", kappa=0.0)),
    "no-identification": Controller(
        "ours, lag as computed and one gain for all zones of a unit",
        alter=_identification(lag_common=0.001, gain_zone=0.01),
    ),
    "no-gate": Controller(
        "ours, every patch within 20 standard deviations believed", alter=_identification(gate=20.0)
    ),
}


def blind(case: Situation) -> Forecast:
    """A forecast for which only the feed under the sheet that was read exists."""
    seen = case.history[0].unit_film
    plain = forecast(replace(case, history=case.history[:1]))
    settled = np.maximum(exp(case.estimate.ln_gain) * seen, 1e-4)
    return replace(plain, settled=settled, settled_density=densities(settled, case))


@contextmanager
def _forecasting(made: Callable[[Situation], Forecast]) -> Iterator[None]:
    # the law has no switch for this, and must not have one
    with patch("inksteward.control.decide.forecast", made):
        yield


def run_one(scenario: Scenario, name: str, seed: int, sheets: int, pace: Pace) -> Result:
    """One run of one controller. Raises KeyError for a name that is not in ``CONTROLLERS``."""
    controller = CONTROLLERS[name]
    if controller.rival is not None:
        units = parse(configuration(scenario), "bench").press.units
        loop = RivalLoop(scenario, units, controller.rival(), seed=seed, pace=pace)
        return loop.run(sheets).result(loop.press, pace.scan_every)
    with _forecasting(forecast if controller.counts_pending else blind):
        ours = Loop(scenario, seed=seed, pace=pace, alter=controller.alter)
        ours.run(sheets)
    return ours.tally.result(ours.press, pace.scan_every)
