"""What ``inksteward bench --margins`` tries: a press that is not as the service believes, or other people."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from inksteward.bench.pace import Pace
from inksteward_simulators.fault_plan import PlannedFault
from inksteward_simulators.link_messages import FaultKind
from inksteward_simulators.operator_form import Operator
from inksteward_simulators.scenario_forms import Scenario

GAINS = (0.5, 0.7, 1.5, 2.0)
LAGS = (0.4, 0.7, 1.5, 2.5)
STOPS = (120, 240, 400, 700)
"""Sheets at which scans stop: after the first scan, in mid makeready, when most zones are right, long after."""
WATCHED_SHEETS = 1000
"""How long the press is watched after its scans stopped."""
REJECTED = 0.4


@dataclass(frozen=True, slots=True)
class Case:
    """``gain``: film per opening as a multiple of what the service believes, on top of what the scenario draws; ``lag``
    the same of the time constants, in place of what it draws. ``noise``: of instrument and sheet."""

    name: str
    gain: float = 1.0
    lag: float | None = None
    delays: int = 1
    noise: float = 1.0
    rejected: float = 0.0
    stops_at: int | None = None

    def scenario(self, whole: Scenario) -> Scenario:
        """The scenario with what is changed at the press and of its people."""
        changed: dict[str, Any] = {}
        if self.lag is not None:
            changed["spread"] = whole.spread.model_copy(update={"lag": (self.lag, self.lag)})
        if self.noise != 1.0:
            sigma_d = whole.noise.sheet_sigma_d * self.noise
            changed["noise"] = whole.noise.model_copy(update={"sheet_sigma_d": sigma_d})
        if self.rejected:
            people = whole.operator or Operator()
            changed["operator"] = people.model_copy(update={"reject_share": self.rejected})
        if self.stops_at is not None:
            dead = PlannedFault(kind=FaultKind.INSTRUMENT_DEAD, at_sheet=self.stops_at)
            changed["fault"] = (*whole.fault, dead)
        return whole.model_copy(update=changed)

    def pace(self, usual: Pace) -> Pace:
        """Delays of scan and approval; scans come as often as ever."""
        return Pace(usual.scan_every, usual.scan_delay * self.delays, usual.approval_delay * self.delays)

    def believe(self, data: dict[str, Any]) -> None:
        """Change the configuration: the press is as it is drawn, the service believes in another gain."""
        for unit in data["unit"]:
            unit["train"]["metering"] /= self.gain


CASES: dict[str, Case] = {
    case.name: case
    for case in (
        Case("as drawn"),
        *(Case(f"gain x{gain:g}", gain=gain) for gain in GAINS),
        *(Case(f"lags x{lag:g}", lag=lag) for lag in LAGS),
        Case("delays x2", delays=2),
        Case("noise x2", noise=2.0),
        Case("40 % rejected", rejected=REJECTED),
        *(Case(f"no scans from {sheet}", stops_at=sheet) for sheet in STOPS),
    )
}
