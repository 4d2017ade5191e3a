"""Mistakes in a configuration: where, what stood there, what was expected."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ConfigError:
    """One mistake. ``source`` names the file, ``key`` the path to the value, ``value`` what stood there."""

    source: str
    key: str
    value: str
    expected: str

    def __str__(self) -> str:
        return f"{self.source}: {self.key}: {self.value}: expected {self.expected}"


class ConfigErrors(Exception):
    """A configuration is not usable; ``errors`` holds every mistake that was found."""

    def __init__(self, errors: tuple[ConfigError, ...]) -> None:
        super().__init__("\n".join(str(error) for error in errors))
        self.errors = errors


class ConfigUnreadable(ConfigErrors):
    """The configuration file cannot be read at all: it is missing, not permitted, or not UTF-8."""
