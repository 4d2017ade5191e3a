"""A small valid configuration as plain data, and how to change one thing in it."""

from copy import deepcopy
from typing import Any

import pytest

from inksteward.config import Config, ConfigErrors, parse

ABSENT = object()
"""As a value: take the key out."""

SMALL: dict[str, Any] = {
    "press": {"id": "press-test", "simulated": True},
    "unit_defaults": {
        "side": "front",
        "zones": 8,
        "pitch_mm": 32.5,
        "blade": "spring",
        "calibration": {"calibrated_on": "2026-01-05", "expires_on": "2026-12-31", "uncertainty_um": 2.0},
    },
    "unit": [
        {"unit": "u1", "calibration": {"blade_id": "b-1"}},
        {"unit": "u2", "calibration": {"blade_id": "b-2"}, "blade": "segmented"},
    ],
    "key_bank": [{"name": "cabinet", "driver": "mqtt", "units": ["u1", "u2"]}],
}
"""Two units, everything else by default."""


def changed(*changes: tuple[str, Any]) -> dict[str, Any]:
    """SMALL with values put at dotted places (``unit.0.zones``); tables on the way are made, ABSENT removes."""
    data = deepcopy(SMALL)
    for path, value in changes:
        *above, last = path.split(".")
        container: Any = data
        for part in above:
            container = (
                container[int(part)] if isinstance(container, list) else container.setdefault(part, {})
            )
        if value is ABSENT:
            del container[int(last) if isinstance(container, list) else last]
        elif isinstance(container, list) and int(last) == len(container):
            container.append(value)
        else:
            container[int(last) if isinstance(container, list) else last] = value
    return data


def built(*changes: tuple[str, Any]) -> Config:
    """The configuration after the changes."""
    return parse(changed(*changes), "test.toml")


def mistakes(*changes: tuple[str, Any]) -> list[tuple[str, str, str]]:
    """Key, value and what was expected of every mistake after the changes; at least one."""
    with pytest.raises(ConfigErrors) as raised:
        built(*changes)
    return [(error.key, error.value, error.expected) for error in raised.value.errors]


def keys(*changes: tuple[str, Any]) -> list[str]:
    """Only the keys of the mistakes."""
    return [key for key, _, _ in mistakes(*changes)]


def key(place: str) -> str:
    """The place as it is shown: units by their names."""
    return place.replace("unit.0.", "unit[u1].").replace("unit.1.", "unit[u2].")
