"""What makes an image, a statement about it, or a job unusable."""

from __future__ import annotations


class CoverageError(Exception):
    """Coverage cannot be told; the text names the field, its value and what was expected."""

    def __init__(self, name: str, value: object, expected: str) -> None:
        super().__init__(f"{name}: {value}: expected {expected}")
