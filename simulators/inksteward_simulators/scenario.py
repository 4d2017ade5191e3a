"""Scenarios: read one from a TOML file or take a bundled one, and draw the true press from it."""

import tomllib
from collections.abc import Callable
from importlib import resources
from pathlib import Path

from pydantic import ValidationError

from inksteward_simulators.payloads import shown
from inksteward_simulators.press.nominal import nominal_openings
from inksteward_simulators.press.truth import TrueUnit, Truth, draw_truth
from inksteward_simulators.scenario_forms import Scenario, Unit

__all__ = [
    "Scenario", "ScenarioError", "TrueUnit", "Truth", "Unit",
    "bundled_scenarios", "draw_truth", "load_scenario", "nominal_openings", "scenario_from_toml",
]  # fmt: skip


class ScenarioError(Exception):
    """A scenario that cannot be used: lists every field that is wrong, its value and what was expected."""


def bundled_scenarios() -> tuple[str, ...]:
    """Names of the scenarios that come with the package."""
    folder = resources.files("inksteward_simulators") / "scenarios"
    return tuple(
        sorted(file.name.removesuffix(".toml") for file in folder.iterdir() if file.name.endswith(".toml"))
    )


def load_scenario(name_or_path: str | Path) -> Scenario:
    """A bundled scenario by its name, or one from a TOML (or, by its ending, JSON) file."""
    if str(name_or_path) in bundled_scenarios():
        file = resources.files("inksteward_simulators") / "scenarios" / f"{name_or_path}.toml"
        return scenario_from_toml(file.read_text(encoding="utf-8"), str(name_or_path))
    path = Path(name_or_path)
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        known = ", ".join(bundled_scenarios())
        raise ScenarioError(
            f"scenario = {str(path)!r}: expected a readable file in UTF-8 or one of {known}"
        ) from error
    if path.suffix == ".json":
        return _checked(lambda: Scenario.model_validate_json(text), str(path))
    return scenario_from_toml(text, str(path))


def scenario_from_toml(text: str, origin: str = "scenario") -> Scenario:
    """Build a scenario from TOML; `origin` is named in errors. Raises ScenarioError."""
    try:
        tables = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # TOMLDecodeError, or a number too long for an integer
        raise ScenarioError(f"{origin}: {error}") from error
    return _checked(lambda: Scenario.model_validate(tables), origin)


def _checked(build: Callable[[], Scenario], origin: str) -> Scenario:
    try:
        return build()
    except ValidationError as error:
        lines = [
            f"  {'.'.join(str(part) for part in item['loc']) or 'scenario'} = {shown(item['input']):.80}: {item['msg']}"
            for item in error.errors(include_url=False)
        ]
        raise ScenarioError("\n".join([f"{origin}:", *lines])) from error
