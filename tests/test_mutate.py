"""The mutation tester itself: it plants what it says, and tells a strong test file from a weak one."""

import importlib.util
import os
import re
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

CI = Path(__file__).resolve().parent.parent / ".ci"

MODULE = '''"""A gap and its limit."""


def permitted(gap_nm: int, limit_nm: int) -> bool:
    """Say whether the gap is at or above its limit."""
    return gap_nm >= limit_nm


def widened(gap_nm: int) -> int:
    """Take off a play of 20 nm, over and over until it is below 20."""
    while gap_nm >= 20:
        gap_nm -= 20
    return gap_nm
'''
NO_LOOP = MODULE.split("\n\n\ndef widened", maxsplit=1)[0] + "\n"
"""The limit alone: no fault in it runs for ever, so that no time limit is waited for."""
STRONG = '''
from {package}.gap import permitted, widened

def test_permitted():
    """At the limit and one unit to either side."""
    assert [permitted(gap, 20) for gap in (19, 20, 21)] == [False, True, True]

def test_widened():
    """At a step and one unit to either side."""
    assert [widened(gap) for gap in (19, 20, 39, 40)] == [19, 0, 19, 0]
'''
WEAK = """
from {package}.gap import permitted

def test_permitted():
    assert [permitted(gap, 20) for gap in (19, 21)] == [False, True]
"""


def load_mutants() -> ModuleType:
    """Import .ci/mutants.py, whose folder is no package."""
    spec = importlib.util.spec_from_file_location("mutants", CI / "mutants.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["mutants"] = module  # its dataclass looks itself up here
    spec.loader.exec_module(module)
    return module


def mutate(
    tmp_path: Path, tests: str, module: str = MODULE, every: str = "1"
) -> subprocess.CompletedProcess[str]:
    """Run the mutation tester on a module of its own with the given tests."""
    package = tmp_path / "planted_package"
    package.mkdir()
    (package / "__init__.py").touch()
    (package / "gap.py").write_text(module, "utf-8")
    (tmp_path / "test_gap.py").write_text(tests.format(package=package.name), "utf-8")
    options = [
        "--jobs",
        "2",
        "--limit-s",
        "2",
        "--every",
        every,
        "--target",
        str(package / "gap.py"),
        str(tmp_path / "test_gap.py"),
    ]
    env = {**os.environ, "PYTHONPATH": str(tmp_path)}
    command = [sys.executable, str(CI / "mutate.py"), *options]
    return subprocess.run(command, env=env, capture_output=True, text=True, check=False, timeout=110)


def test_planted_survivor_is_reported(tmp_path: Path) -> None:
    """A fault that the tests let pass is shown with its place, and the run fails."""
    result = mutate(tmp_path, WEAK, NO_LOOP)
    assert result.returncode == 1, result.stdout + result.stderr
    assert "gap.py:6\n    -return gap_nm >= limit_nm\n    +return gap_nm > limit_nm\n" in result.stdout
    assert result.stdout.endswith("mutate: 1 survived\n")


def test_nothing_survives_strong_tests(tmp_path: Path) -> None:
    """Where tests look at the limit and either side every fault is caught, an endless loop by its time limit."""
    result = mutate(tmp_path, STRONG)
    assert result.returncode == 0, result.stdout + result.stderr
    counts = re.search(r"gap: 11 mutants, (\d+) caught, (\d+) ran out of time, 0 survived", result.stdout)
    assert counts is not None, result.stdout
    assert int(counts[1]) + int(counts[2]) == 11
    assert int(counts[2]) >= 2  # the loop with its test or its step turned round


def test_every_so_many_faults(tmp_path: Path) -> None:
    """Every fourth of eleven are the first, the fifth and the ninth; none at all is refused."""
    result = mutate(tmp_path, STRONG, every="4")
    assert result.returncode == 0, result.stdout + result.stderr
    assert "gap: 3 mutants," in result.stdout
    command = [sys.executable, str(CI / "mutate.py"), "--every", "0"]
    refused = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert refused.returncode == 2
    assert "--every 0: expected 1 or more" in refused.stderr


def test_failing_tests_say_nothing(tmp_path: Path) -> None:
    """Tests that fail on the untouched module end the run with a status of its own: they would 'catch' everything."""
    result = mutate(tmp_path, STRONG, MODULE.replace(">= limit_nm", "> limit_nm"))
    assert result.returncode == 2
    assert "fail on the module as it is" in result.stderr
    assert "survived" not in result.stdout


@pytest.mark.parametrize(
    ("source", "planted"),
    [
        ("x = a < b", ["x = a <= b", "x = a >= b"]),
        ("x = 0 <= a", ["x = 1 <= a", "x = -1 <= a", "x = 0 < a", "x = 0 > a"]),
        ("x = a is None", ["x = a is not None"]),
        ("x = a and b", ["x = a or b", "x = a", "x = b"]),
        ("with a:\n    x = b", ["if True:\n    x = b"]),
        ("with a as c:\n    x = b", []),
        (
            "try:\n    x = a\nexcept A:\n    x = b\nfinally:\n    x = c",
            ["try:\n    x = a\nfinally:\n    x = c", "try:\n    x = a\nexcept A:\n    x = b"],
        ),
        ("x = not a", ["x = a"]),
        ("x = True", ["x = False"]),
        ("x: int = 5", ["x: int = 6", "x: int = 4"]),
        ("x = a // b - c", ["x = a // b + c", "x = a * b - c"]),
        ("x += a", ["x -= a"]),
        ("x = min(a)", ["x = max(a)"]),
        ("x = all(a)", ["x = any(a)"]),
        ("x = {a: b, c: d}", ["x = {c: d}", "x = {a: b}"]),
        ("x = {a, b}", ["x = {b}", "x = {a}"]),
        ("x = [a for a in b if c]", ["x = [a for a in b]"]),
        ("x = a if b else c", ["x = a if not b else c"]),
        ("commit(a)", ["pass"]),
    ],
)
def test_faults_planted(source: str, planted: list[str]) -> None:
    """Each kind of statement gets the faults that belong to it, whose code can be run."""
    found = list(load_mutants().mutants(source, "planted.py"))
    assert sorted(mutant.after for mutant in found) == sorted(planted)


@pytest.mark.parametrize(
    "source",
    [
        '"""A text of 3 words."""',
        "x = f'{a / 1000:.1f} um'",
        "x: Literal[3]",
        "def f(a: Literal[3]) -> Literal[4]: ...",
        "@dataclass(frozen=True)\nclass A: ...",
        "x = zip(a, b, strict=True)",
        "if TYPE_CHECKING:\n    x = 1",
    ],
)
def test_faults_not_planted(source: str) -> None:
    """Texts, annotations, decorators and checks of equal length are no behaviour and stay as they are."""
    assert list(load_mutants().mutants(source, "planted.py")) == []


def test_return_and_raise_are_changed() -> None:
    """A result becomes None and an error is not raised."""
    source = "def f(a):\n    if a:\n        raise a\n    return b"
    lines = [mutant.diff.splitlines() for mutant in load_mutants().mutants(source, "planted.py")]
    assert ["-if a:", "+if not a:"] in lines
    assert ["-raise a", "+pass"] in lines
    assert ["-return b", "+return None"] in lines
    assert len(lines) == 3
