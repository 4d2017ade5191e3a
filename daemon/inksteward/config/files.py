"""A file of the configuration, read as text; what goes wrong is one finding."""

from __future__ import annotations

from pathlib import Path

from inksteward.config.errors import ConfigError, ConfigUnreadable


def text_of(path: Path) -> str:
    """The file's text. Raises ConfigUnreadable if it is missing, not permitted, or not UTF-8."""
    try:
        return path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        finding = ConfigError(str(path), "file", str(reason), "a readable file in UTF-8")
        raise ConfigUnreadable((finding,)) from error
