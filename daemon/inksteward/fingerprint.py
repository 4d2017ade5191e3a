"""What effects may depend on besides our own code: replay promises byte identity only where this is equal."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

_PACKAGES = ("numpy", "daqp", "pydantic", "pydantic_core")
"""The first two calculate; the others word what is wrong with an input, and their words stand in answers."""
_CPU = Path("/proc/cpuinfo")


def fingerprint(cpu_file: Path = _CPU) -> str:
    """One line: interpreter, machine, C library, whether the processor multiplies and adds in one rounding
    (the C library's exp and log choose by it), and the versions of the packages that numbers and words come from.

    The same on every call on one machine; imports none of the packages.
    """
    libc, libc_version = platform.libc_ver()
    parts = [
        f"{platform.python_implementation().lower()}-{platform.python_version()}",
        platform.machine() or "machine-unknown",
        platform.system().lower() or "system-unknown",
        f"{libc or 'libc'}-{libc_version or 'unknown'}",
        _fused(cpu_file),
        *(f"{name}-{_version(name)}" for name in _PACKAGES),
    ]
    return " ".join(parts)


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "absent"


def _fused(cpu_file: Path) -> str:
    try:
        text = cpu_file.read_text(encoding="ascii", errors="replace")
    except OSError:
        return "fma-unknown"
    for line in text.splitlines():
        name, _, flags = line.partition(":")
        if name.strip() == "flags":
            return "fma" if "fma" in flags.split() else "no-fma"
    return "fma-unknown"
