"""Which settings are varied, between what, and the candidates that are tried."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields

import numpy as np

from inksteward.config import ControlSettings

DIGITS = 3
"""Significant digits of a candidate's values: nobody types more into a configuration."""


@dataclass(frozen=True, slots=True)
class Range:
    """A setting of ``[control]`` and the values it may take; ``by_factor``: spread evenly in its logarithm."""

    name: str
    low: float
    high: float
    by_factor: bool = False

    def __str__(self) -> str:
        return f"{self.name}={self.low:g}:{self.high:g}"


USUAL = (
    Range("dead_band", 0.1, 0.6),
    Range("noise_sigmas", 0.25, 2.5),
    Range("lambda_share", 0.15, 0.8),
    Range("move_weight", 0.002, 0.2, by_factor=True),
    Range("sweep_weight", 0.002, 0.2, by_factor=True),
)
"""What may be varied, and how far where nothing else is said."""

Settings = Mapping[str, float]


def ranges_of(words: Sequence[str]) -> tuple[Range, ...]:
    """Ranges as typed, ``name`` or ``name=low:high``; all usual ones for none. Raises ValueError."""
    if not words:
        return USUAL
    found: dict[str, Range] = {}
    for word in words:
        name, _, bounds = word.partition("=")
        usual = next((item for item in USUAL if item.name == name), None)
        if usual is None:
            names = ", ".join(item.name for item in USUAL)
            raise ValueError(f"--vary = {word!r}: expected one of {names}, alone or with =low:high")
        if name in found:
            raise ValueError(f"--vary = {word!r}: {name} is named twice")
        found[name] = _bounded(word, usual, bounds) if bounds else usual
    return tuple(found.values())


def _bounded(word: str, usual: Range, bounds: str) -> Range:
    try:
        low, high = (float(part) for part in bounds.split(":"))
    except ValueError as error:
        raise ValueError(f"--vary = {word!r}: expected {usual.name}=low:high, two numbers") from error
    if not 0.0 < low < high < float("inf"):
        raise ValueError(f"--vary = {word!r}: expected low above 0 and below high")
    return Range(usual.name, low, high, usual.by_factor)


def present(ranges: Sequence[Range]) -> dict[str, float]:
    """What the settings are without anybody's doing."""
    defaults = {item.name: item.default for item in fields(ControlSettings)}
    return {item.name: float(defaults[item.name]) for item in ranges}  # type: ignore[arg-type]


def candidates(ranges: Sequence[Range], count: int, seed: int) -> tuple[dict[str, float], ...]:
    """``count`` settings to try: the present ones, then a Latin hypercube over the ranges (McKay, Beckman and Conover,
    Technometrics 21, 1979, from memory): each range is cut in as many parts, and every part is tried once.

    The same for equal arguments, whoever asks.
    """
    if count < 1:
        raise ValueError(f"candidates = {count}: expected 1 or more")
    rng = np.random.default_rng([seed, 41])
    columns = {item.name: _column(item, count - 1, rng) for item in ranges}
    others = [{name: values[row] for name, values in columns.items()} for row in range(count - 1)]
    return (present(ranges), *others)


def _column(item: Range, count: int, rng: np.random.Generator) -> list[float]:
    shares = (rng.permutation(count) + rng.random(count)) / max(count, 1)
    if item.by_factor:
        values = item.low * (item.high / item.low) ** shares
    else:
        values = item.low + (item.high - item.low) * shares
    return [_rounded(float(value)) for value in values]


def _rounded(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")
