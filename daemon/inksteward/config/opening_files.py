"""The model file that [opening] names: its content takes the name's place when the configuration is read."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from inksteward.config.errors import ConfigError, ConfigErrors
from inksteward.config.files import text_of

SECTION, KEY = "opening", "model"
EXPECTED = "a model file in JSON, as teach-opening writes it"


def with_opening_model(data: dict[str, Any], config_file: Path) -> dict[str, Any]:
    """The configuration's data with the content of the file ``opening.model``, so that the run record holds what was
    read. The name counts from the configuration's folder; what is no name is left for the forms to refuse. Raises
    ConfigUnreadable or ConfigErrors for a file that is no JSON object.
    """
    section = data.get(SECTION)
    name = section.get(KEY) if isinstance(section, dict) else None
    if not isinstance(section, dict) or not isinstance(name, str):
        return data
    return {**data, SECTION: {**section, KEY: content_of(config_file.parent / name)}}


def content_of(path: Path) -> dict[str, Any]:
    """The object that a JSON file holds; raises as with_opening_model does."""
    text = text_of(path)
    try:
        content = json.loads(text)
    except (ValueError, RecursionError) as error:  # JSONDecodeError is a ValueError
        raise ConfigErrors((ConfigError(str(path), "file", str(error)[:80], EXPECTED),)) from error
    if not isinstance(content, dict):
        raise ConfigErrors((ConfigError(str(path), "file", type(content).__name__, EXPECTED),))
    return content
