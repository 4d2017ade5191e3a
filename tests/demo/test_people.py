"""The demo on a scenario that says who decides."""

import argparse
import tomllib
from pathlib import Path

import pytest

from inksteward.config import Approval
from inksteward.demo.audience import Spectator
from inksteward.demo.plan import Plan, plan_of, write_config


def planned(folder: Path, scenario: str) -> Plan:
    """The plan of a demo on this scenario, ten press seconds in one."""
    return plan_of(
        argparse.Namespace(
            scenario=scenario,
            seed=3,
            out=folder / "out",
            broker=None,
            wires="mqtt",
            interactive=False,
            time_factor=10.0,
            sheets=600,
        )
    )


@pytest.mark.parametrize(("scenario", "every_kind"), [("makeready", True), ("late-decisions", False)])
def test_every_kind_of_decision_is_asked_of_the_demos_own_operator_only(
    tmp_path: Path, scenario: str, every_kind: bool
) -> None:
    """A scenario's operator decides in his own way, and the demo ends as soon as everything is right."""
    plan = planned(tmp_path, scenario)
    assert plan.every_kind == every_kind
    looking = Spectator(plan)
    looking.record.good_scans = 3
    assert looking.record.reached
    assert looking.enough() != every_kind


def test_a_slow_operator_finds_the_proposal_still(tmp_path: Path) -> None:
    """It stands for one and a half of the 50 s that a decision takes there, told in the demo's quicker time."""
    plan = planned(tmp_path, "slow-operator")
    write_config(plan, "mqtt://127.0.0.1:1883", {})
    approval = tomllib.loads(plan.config_file.read_text())["approval"]
    assert (approval["expected_s"], approval["min_standing_s"]) == (5.0, 7.5)
    assert approval["expires_sheets"] > Approval().expires_sheets
