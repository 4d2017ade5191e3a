"""The platform's fingerprint."""

from __future__ import annotations

import platform
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pydantic
import pydantic_core
import pytest

from inksteward.fingerprint import fingerprint


def test_same_machine_same_fingerprint() -> None:
    """Another process on this machine has the same fingerprint."""
    code = "from inksteward.fingerprint import fingerprint; print(fingerprint())"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == fingerprint() + "\n"


def test_what_effects_depend_on_is_named() -> None:
    """Interpreter, machine, system, C library, fused arithmetic, numpy, daqp and pydantic are named, in order."""
    assert re.fullmatch(
        rf"\w+-{re.escape(platform.python_version())} {platform.machine()} linux \S+-\S+ "
        rf"(fma|no-fma|fma-unknown) numpy-{re.escape(np.__version__)} daqp-\S+ "
        rf"pydantic-{re.escape(pydantic.VERSION)} pydantic_core-{re.escape(pydantic_core.__version__)}",
        fingerprint(),
    )


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("processor : 0\nflags : fpu fma sse\n", "fma"),
        ("flags\t\t: fpu fma4 sse\n", "no-fma"),
        ("Features : fp asimd\n", "fma-unknown"),
        (None, "fma-unknown"),
    ],
)
def test_fused_arithmetic_is_read_from_the_processor(tmp_path: Path, text: str | None, word: str) -> None:
    """Whether the processor has fused multiply-add is told, or that nobody knows."""
    if text is not None:
        (tmp_path / "cpuinfo").write_text(text)
    assert word in fingerprint(tmp_path / "cpuinfo").split()


def test_package_that_is_not_there_is_said_to_be_absent(monkeypatch: pytest.MonkeyPatch) -> None:
    """A missing package is part of the fingerprint, not an error."""
    monkeypatch.setattr("inksteward.fingerprint._PACKAGES", ("no-such-package",))
    assert fingerprint().endswith(" no-such-package-absent")
