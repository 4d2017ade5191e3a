"""Printing conditions in files of their own: laid under [[condition]] when the configuration is read."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from inksteward.config.errors import ConfigError, ConfigErrors
from inksteward.config.files import text_of

SECTION, ENTRY = "conditions", "condition"


def with_conditions(data: dict[str, Any], config_file: Path) -> dict[str, Any]:
    """The configuration's data with the content of each of ``conditions.files`` as one more [[condition]], so that the
    run record holds what was read. Names count from the configuration's folder. What is not a list of names is left
    for the forms to refuse. Raises ConfigUnreadable or ConfigErrors for a file that is no TOML.
    """
    section = data.get(SECTION)
    names = section.get("files") if isinstance(section, dict) else None
    own = data.get(ENTRY, [])
    if (
        not isinstance(names, list)
        or not all(isinstance(name, str) for name in names)
        or not isinstance(own, list)
    ):
        return data
    rest = {name: value for name, value in data.items() if name != SECTION}
    return {**rest, ENTRY: [*own, *(_content(config_file.parent / name) for name in names)]}


def _content(path: Path) -> dict[str, Any]:
    text = text_of(path)
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # TOMLDecodeError is a ValueError
        finding = ConfigError(str(path), "file", str(error)[:80], "TOML with one printing condition")
        raise ConfigErrors((finding,)) from error
