"""What is trained on: a scenario by its name or drawn by seed, with further faults at given sheets."""

from __future__ import annotations

import random
from importlib import resources

from pydantic import ValidationError

from inksteward.demo.plan import DemoError, scenario_of
from inksteward_simulators.fault_plan import PlannedFault, check
from inksteward_simulators.payloads import shown
from inksteward_simulators.scenario import bundled_scenarios, load_scenario
from inksteward_simulators.scenario_forms import Scenario

DRAWN = "any"
PRESS = "press-training"
"""Every press has this name: its own would tell what goes wrong."""
NUMBERS = {"zone": int, "until": int, "value": float}
WORDS = ("unit", "name")
FORM = "SHEET KIND [unit=U] [zone=N] [value=X] [name=NAME] [until=SHEET]"


def told() -> list[tuple[str, str]]:
    """Every bundled scenario: its name and the first comment of its file."""
    folder = resources.files("inksteward_simulators") / "scenarios"
    found = []
    for name in bundled_scenarios():
        first = (folder / f"{name}.toml").read_text(encoding="utf-8").split("\n", 1)[0]
        found.append((name, first.removeprefix("#").strip()))
    return found


def chosen(name: str, seed: int) -> tuple[str, Scenario]:
    """Name and scenario, without its own operator; ``any`` draws one with faults by the seed. Raises DemoError."""
    if name == DRAWN:
        faulty = [each for each in bundled_scenarios() if load_scenario(each).fault]
        name = random.Random(f"{seed} scenario").choice(faulty)  # noqa: S311 -- which lesson, no secret
    return name, scenario_of(name).model_copy(update={"press": PRESS, "operator": None})


def with_faults(scenario: Scenario, words: list[str]) -> Scenario:
    """The scenario with the faults of ``--fault`` beside its own. Raises DemoError naming the option."""
    further = []
    for each in words:
        try:
            fault = _fault(each)
            check(fault, scenario)
        except ValidationError as error:
            rows = error.errors(include_url=False)
            what = "; ".join(
                f"{'.'.join(str(part) for part in row['loc']) or 'fault'} = {shown(row['input']):.60}: {row['msg']}"
                for row in rows
            )
            raise DemoError(f"--fault {each!r}: {what}") from error
        except ValueError as error:
            raise DemoError(f"--fault {each!r}: {error}") from error
        further.append(fault)
    return scenario.model_copy(update={"fault": (*scenario.fault, *further)})


def _fault(words: str) -> PlannedFault:
    """One ``--fault``. Raises ValueError and ValidationError."""
    parts = words.replace(",", " ").split()
    if len(parts) < 2 or not parts[0].isdecimal():
        raise ValueError(f"expected {FORM}")
    members: dict[str, object] = {"at_sheet": int(parts[0]), "kind": parts[1]}
    for part in parts[2:]:
        name, sign, value = part.partition("=")
        if not sign or name not in (*NUMBERS, *WORDS):
            raise ValueError(f"{part!r}: expected {FORM}")
        members["until_sheet" if name == "until" else name] = _value(name, value)
    return PlannedFault.model_validate(members)


def _value(name: str, text: str) -> object:
    if name in WORDS:
        return text
    try:
        return NUMBERS[name](text)
    except ValueError as error:
        raise ValueError(f"{name} = {text!r}: expected a number") from error
