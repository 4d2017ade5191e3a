"""A configuration file whose drivers a test chooses."""

from pathlib import Path
from typing import Any

import tomli_w

from tests.config_samples import changed

BANK = [{"name": "cabinet", "driver": "mqtt", "units": ["u1", "u2"]}]


def write_press(
    folder: Path, *, url: str = "mqtt://127.0.0.1:1", press: str = "press-wiring", **tables: Any
) -> Path:
    """Two units; ``tables`` are strip_reader, key_bank and sheet_counter."""
    data = changed(("broker", {"url": url}), ("press.id", press), ("key_bank", tables.pop("key_bank", BANK)))
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "press.toml"
    path.write_text(tomli_w.dumps({**data, **tables}))
    return path


def reader(driver: str, **settings: Any) -> list[dict[str, Any]]:
    """One strip reader of the name ``strip``."""
    return [{"name": "strip", "driver": driver, "settings": settings}]
