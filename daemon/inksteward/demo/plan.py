"""What a demo run consists of: scenario, folder, files for service and operator."""

from __future__ import annotations

import argparse
import secrets
import shutil
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import tomli_w

from inksteward.authority import new_key, public_x, thumbprint
from inksteward.authority_file import write_private_key
from inksteward.bench.configuration import approval_of, configuration
from inksteward.demo.wires import wired
from inksteward.pins import hash_pin
from inksteward_simulators.scenario import ScenarioError, load_scenario
from inksteward_simulators.scenario_forms import Scenario

LEAST_STANDING_S = 3.0
"""A fast press makes neither the machine nor the operator's process faster: a proposal must live to be decided on."""
OPERATOR, OPERATOR_NAME = "op-anna", "Anna Field"
RUN_ID = "run-0412"
SCAN_EVERY_SHEETS = 60
FASTEST_SPH = 200_000
"""What a counter may say at most; it says the rate that a wall clock sees."""


class DemoError(Exception):
    """The demo cannot run; the text says why and what to do."""


def _free_port() -> int:
    from inksteward.demo.broker import free_port

    return free_port()


def _pin() -> str:
    return f"{secrets.randbelow(10**6):06d}"


@dataclass(frozen=True, slots=True)
class Plan:
    """One demo run. ``wires``: a name of wires.WIRES. ``factor``: press seconds in one second."""

    scenario: Scenario
    seed: int
    out: Path
    broker: str | None
    wires: str
    interactive: bool
    factor: float
    sheets: int
    page_port: int = field(default_factory=_free_port)
    page_pin: str = field(default_factory=_pin)

    @property
    def page_words(self) -> str:
        """Where the operator's page is, and how to sign in there."""
        return f"page: http://127.0.0.1:{self.page_port}/ (sign in as {OPERATOR_NAME}, PIN {self.page_pin})"

    @property
    def key_file(self) -> Path:
        """The operator's private key."""
        return self.out / "op-anna.pem"

    @property
    def config_file(self) -> Path:
        """The service's configuration."""
        return self.out / "inksteward.toml"

    @property
    def every_kind(self) -> bool:
        """Whether the operator is one that shows every kind of decision."""
        return not self.interactive and self.scenario.operator is None

    @property
    def scenario_file(self) -> Path:
        """The scenario as the simulators read it."""
        return self.out / "scenario.json"

    @property
    def journal_dir(self) -> Path:
        """Where the service keeps its journal."""
        return self.out / "journal"


def scenario_of(name: str) -> Scenario:
    """A bundled scenario by its name, or one from a file. Raises DemoError."""
    try:
        return load_scenario(name)
    except ScenarioError as error:
        raise DemoError(str(error)) from error


def plan_of(options: argparse.Namespace) -> Plan:
    """The plan for the command's options; the output folder is made anew."""
    return plan_with(scenario_of(options.scenario), options)


def plan_with(scenario: Scenario, options: argparse.Namespace) -> Plan:
    """The plan for a scenario and the command's other options; the output folder is made anew."""
    if options.sheets < SCAN_EVERY_SHEETS:
        raise DemoError(f"--sheets {options.sheets}: expected at least {SCAN_EVERY_SHEETS}")
    usual = 1.0 if options.interactive else scenario.time_factor
    factor = usual if options.time_factor is None else options.time_factor
    if not 0.1 <= factor <= 60.0:
        raise DemoError(f"--time-factor {factor}: expected 0.1 to 60")
    if scenario.speed_sph * factor > FASTEST_SPH:
        raise DemoError(
            f"--time-factor {factor}: at {scenario.speed_sph:g} sheets an hour expected at most "
            f"{FASTEST_SPH / scenario.speed_sph:.4g}, or the counter would show more than {FASTEST_SPH} an hour"
        )
    plan = Plan(
        scenario=scenario.model_copy(update={"time_factor": factor}),
        seed=options.seed,
        out=options.out.resolve(),
        broker=options.broker,
        wires=options.wires,
        interactive=options.interactive,
        factor=factor,
        sheets=options.sheets,
    )
    _make_folder(plan.out)
    plan.scenario_file.write_text(plan.scenario.to_json(), encoding="utf-8")
    return plan


def _make_folder(out: Path) -> None:
    """An empty folder; one that was not made by the demo is left alone."""
    mark = out / ".inksteward-demo"
    if out.exists() and any(out.iterdir()):
        if not mark.exists():
            raise DemoError(f"--out {out}: expected an empty folder or one that an earlier demo made")
        shutil.rmtree(out)
    out.mkdir(parents=True, exist_ok=True)
    mark.touch()


def write_operator(plan: Plan) -> str:
    """Make the operator's key and the operators file; returns the key's id."""
    key = new_key()
    write_private_key(plan.key_file, key)
    x = public_x(key)
    kid = thumbprint(x)
    data = {
        "operator": [
            {
                "id": OPERATOR,
                "name": OPERATOR_NAME,
                "pin": hash_pin(plan.page_pin),
                "key": [{"kid": kid, "x": x}],
            }
        ]
    }
    operators = plan.out / "operators.toml"
    operators.write_text(tomli_w.dumps(data), encoding="utf-8")
    operators.chmod(0o600)
    return kid


def write_config(plan: Plan, broker: str, ptys: dict[str, str]) -> None:
    """The service's configuration; ``ptys`` says where instruments hang: pseudo-terminals, ports."""
    usual = approval_of(plan.scenario)
    sections: dict[str, dict[str, Any]] = {
        "broker": {"url": broker},
        "approval": {
            "operators_file": "operators.toml",
            "expected_s": max(usual.expected_s / plan.factor, 1.0),
            "min_standing_s": max(usual.min_standing_s / plan.factor, LEAST_STANDING_S),
            "expires_s": max(usual.expires_s / plan.factor, 20.0),
            "expires_sheets": usual.expires_sheets,
        },
        "control": {"scan_interval_sheets": SCAN_EVERY_SHEETS},
        "journal": {"directory": "journal"},
        "page": {"serve": True, "port": plan.page_port},
    }
    data = configuration(plan.scenario, **sections)
    data.update(wired(plan.wires, plan.scenario, ptys, data))
    plan.config_file.write_text(tomli_w.dumps(data), encoding="utf-8")
