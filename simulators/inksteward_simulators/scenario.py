"""Scenarios: read one from a TOML file or take a bundled one, and draw the true press from it."""

import tomllib
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from inksteward_simulators.payloads import shown
from inksteward_simulators.press.nominal import nominal_openings
from inksteward_simulators.press.truth import TrueUnit, Truth, draw_truth
from inksteward_simulators.scenario_forms import Scenario, Unit
from inksteward_simulators.scenario_vary import Vary, merged, varied

Form = TypeVar("Form", bound=BaseModel)

__all__ = [
    "Scenario", "ScenarioError", "TrueUnit", "Truth", "Unit",
    "bundled_scenarios", "draw_truth", "load_scenario", "nominal_openings", "scenario_from_toml",
]  # fmt: skip


class ScenarioError(Exception):
    """A scenario that cannot be used: lists every field that is wrong, its value and what was expected."""


def _bundled(name: str) -> str:
    file = resources.files("inksteward_simulators") / "scenarios" / f"{name}.toml"
    return file.read_text(encoding="utf-8")


def bundled_scenarios() -> tuple[str, ...]:
    """Names of the scenarios that come with the package."""
    folder = resources.files("inksteward_simulators") / "scenarios"
    return tuple(
        sorted(file.name.removesuffix(".toml") for file in folder.iterdir() if file.name.endswith(".toml"))
    )


def load_scenario(name_or_path: str | Path) -> Scenario:
    """A bundled scenario by its name, or one from a TOML (or, by its ending, JSON) file."""
    if str(name_or_path) in bundled_scenarios():
        return scenario_from_toml(_bundled(str(name_or_path)), str(name_or_path))
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
    if "base" in tables:
        tables = _over_its_base(tables, origin)
    return _checked(lambda: Scenario.model_validate(tables), origin)


def _over_its_base(tables: dict[str, Any], origin: str) -> dict[str, Any]:
    """The tables of a scenario that is told as another one with changes."""
    name, vary = tables.pop("base"), tables.pop("vary", {})
    if name not in bundled_scenarios():
        known = ", ".join(bundled_scenarios())
        raise ScenarioError(f"{origin}:\n  base = {name!r}: expected a bundled scenario: {known}")
    base = tomllib.loads(_bundled(str(name)))
    if "base" in base:
        raise ScenarioError(f"{origin}:\n  base = {name!r}: expected one that has no base itself")
    whole = merged(base, tables)
    return varied(whole, _checked(lambda: Vary.model_validate(vary), f"{origin}: vary"))


def _checked(build: Callable[[], Form], origin: str) -> Form:
    try:
        return build()
    except ValidationError as error:
        lines = [
            f"  {'.'.join(str(part) for part in item['loc']) or 'scenario'} = {shown(item['input']):.80}: {item['msg']}"
            for item in error.errors(include_url=False)
        ]
        raise ScenarioError("\n".join([f"{origin}:", *lines])) from error
