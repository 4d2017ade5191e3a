"""The shape of the source: sizes, which room imports which, what the locks hold. Each check is shown a fault."""

import ast
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
SOURCE_FOLDERS = ("daemon", "drivers", "simulators", "tests", ".ci")
MAX_FILE_LINES = 300
MAX_FUNCTION_LINES = 40

STANDARD_LIBRARY = frozenset(sys.stdlib_module_names)
OURS = frozenset({"inksteward", "inksteward_drivers", "inksteward_simulators"})

# What a room may import of ours. Where third_party is False, nothing but the standard library comes on top.
ALLOWED_IMPORTS = {
    "daemon/inksteward/colour": (False, {"inksteward.colour"}),
    "daemon/inksteward/model": (False, {"inksteward.model"}),
    "daemon/inksteward/interlock.py": (False, {"inksteward.model"}),
    "daemon/inksteward/second_check.py": (False, {"inksteward.model"}),
    "daemon/inksteward/guard.py": (
        False,
        {
            *("inksteward.canonical", "inksteward.contract", "inksteward.events", "inksteward.interlock"),
            *("inksteward.keycommand", "inksteward.model", "inksteward.ports", "inksteward.second_check"),
        },
    ),
    "drivers/inksteward_drivers": (
        True,
        {"inksteward_drivers", "inksteward.contract", "inksteward.model", "inksteward.ports"},
    ),
    "simulators/inksteward_simulators": (True, {"inksteward_simulators"}),
}

LOCKS = ("runtime", "demo", "dev", "fuzz")
PIN = re.compile(r"^([a-z0-9][a-z0-9._-]*)==(\S+)", re.MULTILINE)


def python_files(root: Path) -> list[Path]:
    """Every source file of ours below `root`."""
    return sorted(path for folder in SOURCE_FOLDERS for path in (root / folder).rglob("*.py"))


@cache
def tree_of(text: str) -> ast.Module:
    """The text of a source file, parsed once."""
    return ast.parse(text)


def function_lines(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines from `def` to the last statement, without the docstring: a formula's source costs nothing."""
    assert node.end_lineno is not None
    lines = node.end_lineno - node.lineno + 1
    first = node.body[0]
    if (
        isinstance(first, ast.Expr)
        and isinstance(first.value, ast.Constant)
        and isinstance(first.value.value, str)
    ):
        assert first.end_lineno is not None
        lines -= first.end_lineno - first.lineno + 1
    return lines


def functions(tree: ast.AST) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    """Every function and method, nested ones too."""
    return (node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef))


def oversized(root: Path) -> list[str]:
    """Files and functions that are too long, as `path: name is N lines`."""
    found = []
    for path in python_files(root):
        text, name = path.read_text("utf-8"), path.relative_to(root)
        if (lines := len(text.splitlines())) > MAX_FILE_LINES:
            found.append(f"{name}: {lines} lines")
        for node in functions(tree_of(text)):
            if (lines := function_lines(node)) > MAX_FUNCTION_LINES:
                found.append(f"{name}: {node.name} is {lines} lines")
    return found


def untold_tests(root: Path) -> list[str]:
    """Tests without a docstring."""
    return [
        f"{path.relative_to(root)}: {node.name}"
        for path in (root / "tests").rglob("test_*.py")
        for node in functions(tree_of(path.read_text("utf-8")))
        if node.name.startswith("test_") and ast.get_docstring(node) is None
    ]


def imported(path: Path, package: str) -> Iterator[str]:
    """Full names of the modules that the file imports, at any depth of its code."""
    for node in ast.walk(tree_of(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            parents = package.split(".")[: len(package.split(".")) - node.level + 1] if node.level else []
            base = ".".join([*parents, *([node.module] if node.module else [])])
            # 'from inksteward import control' names a module of ours only behind the 'import'
            yield from [f"{base}.{alias.name}" for alias in node.names] if base in OURS else [base]


def forbidden_imports(root: Path) -> list[str]:
    """Imports that ALLOWED_IMPORTS does not grant, as `path: module`."""
    found = []
    for place, (third_party, allowed) in ALLOWED_IMPORTS.items():
        start = root / place
        for path in [start] if start.suffix == ".py" else sorted(start.rglob("*.py")):
            package = ".".join(path.relative_to(root).parent.parts[1:])
            for module in imported(path, package) if path.exists() else ():
                top = module.partition(".")[0]
                granted = top in STANDARD_LIBRARY or (third_party and top not in OURS)
                if not granted and not any(f"{module}.".startswith(f"{room}.") for room in allowed):
                    found.append(f"{path.relative_to(root)}: {module}")
    return found


def lock_faults(folder: Path) -> list[str]:
    """What is wrong with the lock files: foreign addresses, missing build tools, pins that differ."""
    texts = {name: (folder / f"{name}.txt").read_text("utf-8") for name in LOCKS}
    pins = {name: set(PIN.findall(text)) for name, text in texts.items()}
    found = [
        f"{name}: {line}"
        for name, text in texts.items()
        for line in text.splitlines()
        if re.search("//| /", line)
    ]
    for name in LOCKS:
        found += [f"{name}: no {tool}" for tool in ("hatchling", "editables") if tool not in dict(pins[name])]
    for smaller, larger in (("runtime", "demo"), ("demo", "dev"), ("demo", "fuzz")):
        found += [f"{smaller}: {pin} is not in {larger}" for pin in sorted(pins[smaller] - pins[larger])]
    return found


def copy_source(target: Path) -> Path:
    """A copy of the packages and their configuration that a fault can be planted in."""
    for folder in ("daemon", "drivers", "simulators"):
        shutil.copytree(ROOT / folder, target / folder, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", target)
    return target


def lint_imports(root: Path) -> subprocess.CompletedProcess[str]:
    """Run the import contracts of `root` on the packages of `root`."""
    program = Path(sys.executable).with_name("lint-imports")
    paths = os.pathsep.join(str(root / folder) for folder in ("daemon", "drivers", "simulators"))
    return subprocess.run(
        [program, "--no-cache"],
        cwd=root,
        env={**os.environ, "PYTHONPATH": paths},
        capture_output=True,
        text=True,
        check=False,
    )


def plant(path: Path, text: str) -> None:
    """Write a file, with the folders it needs."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, "utf-8")


def test_sizes() -> None:
    """No source file is longer than 300 lines and no function longer than 40."""
    found = oversized(ROOT)
    assert not found, "\n".join(found)


@pytest.mark.parametrize(("extra", "faults"), [(0, []), (1, ["daemon/a.py: 301 lines"])])
def test_long_file_is_found(tmp_path: Path, extra: int, faults: list[str]) -> None:
    """A file of 300 lines passes, one of 301 is reported."""
    plant(tmp_path / "daemon/a.py", "x = 1\n" * (MAX_FILE_LINES + extra))
    assert oversized(tmp_path) == faults


@pytest.mark.parametrize(("extra", "faults"), [(0, []), (1, [".ci/a.py: f is 41 lines"])])
def test_long_function_is_found(tmp_path: Path, extra: int, faults: list[str]) -> None:
    """A method of 40 lines besides its docstring passes, one of 41 is reported."""
    body = "        x = 1\n" * (MAX_FUNCTION_LINES - 1 + extra)
    plant(tmp_path / ".ci/a.py", f'class A:\n    async def f():\n        """Two\n\n        lines."""\n{body}')
    assert oversized(tmp_path) == faults


def test_every_test_says_what_it_requires() -> None:
    """Every test has a docstring: the requirement in one sentence."""
    found = untold_tests(ROOT)
    assert not found, "\n".join(found)


def test_untold_test_is_found(tmp_path: Path) -> None:
    """A test without a docstring is reported."""
    plant(tmp_path / "tests/deep/test_a.py", 'def test_a():\n    """Told."""\n\ndef test_b():\n    pass\n')
    assert untold_tests(tmp_path) == ["tests/deep/test_a.py: test_b"]


def test_rooms_import_what_they_may() -> None:
    """The model, the interlock, the guard, the drivers and the simulators import nothing but what they are granted."""
    found = forbidden_imports(ROOT)
    assert not found, "\n".join(found)


@pytest.mark.parametrize(
    ("place", "line", "module"),
    [
        ("daemon/inksteward/interlock.py", "import numpy", "numpy"),
        ("daemon/inksteward/interlock.py", "from . import control", "inksteward.control"),
        (
            "daemon/inksteward/interlock.py",
            "def f():\n    from inksteward.contract import base",
            "inksteward.contract",
        ),
        ("daemon/inksteward/model/press.py", "from pydantic import BaseModel", "pydantic"),
        ("daemon/inksteward/model/press.py", "from ..control import law", "inksteward.control"),
        ("daemon/inksteward/guard.py", "import inksteward.steward", "inksteward.steward"),
        ("drivers/inksteward_drivers/a.py", "import inksteward.service.loop", "inksteward.service.loop"),
        ("simulators/inksteward_simulators/a.py", "import inksteward.model", "inksteward.model"),
        ("simulators/inksteward_simulators/a.py", "import inksteward_drivers", "inksteward_drivers"),
    ],
)
def test_forbidden_import_is_found(tmp_path: Path, place: str, line: str, module: str) -> None:
    """An import that a room is not granted is reported, wherever in the file it stands."""
    plant(tmp_path / place, f"import math\n{line}\n")
    assert forbidden_imports(tmp_path) == [f"{place}: {module}"]


def test_import_contracts_hold(tmp_path: Path) -> None:
    """The import contracts hold in an untouched copy, so that what fails in the next test is the planted fault."""
    result = lint_imports(copy_source(tmp_path))
    assert result.returncode == 0, result.stdout + result.stderr


@pytest.mark.parametrize(
    ("place", "line"),
    [
        ("daemon/inksteward/interlock.py", "import numpy"),
        ("daemon/inksteward/interlock.py", "import inksteward.second_check"),
        ("daemon/inksteward/guard.py", "import inksteward.control"),
        ("daemon/inksteward/control/planted.py", "import inksteward.service"),
        ("daemon/inksteward/control/planted.py", "import time"),
        ("daemon/inksteward/service/planted.py", "import inksteward_drivers"),
        ("daemon/inksteward/service/planted.py", "import inksteward_simulators"),
        ("drivers/inksteward_drivers/planted.py", "import inksteward.control"),
        ("simulators/inksteward_simulators/planted.py", "import inksteward.model"),
    ],
)
def test_import_contracts_find_a_planted_import(tmp_path: Path, place: str, line: str) -> None:
    """An import against the direction of the arrows fails the import contracts."""
    with (copy_source(tmp_path) / place).open("a") as file:
        file.write(f"\n{line}\n")
    result = lint_imports(tmp_path)
    assert result.returncode == 1, result.stdout + result.stderr
    assert "BROKEN" in result.stdout, result.stdout


def test_locks() -> None:
    """The locks name no address and no path, hold the build tools, and each is part of the next."""
    assert lock_faults(ROOT / ".ci/lock") == []


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        (
            "--index-url https://registry.invalid/simple",
            "runtime: --index-url https://registry.invalid/simple",
        ),
        ("# made with -o /home/user/runtime.txt", "runtime: # made with -o /home/user/runtime.txt"),
        ("numpy==0.0.1 \\", "runtime: ('numpy', '0.0.1') is not in demo"),
    ],
)
def test_faulty_lock_is_found(tmp_path: Path, line: str, fault: str) -> None:
    """An address, a path or a pin of its own in a lock is reported."""
    shutil.copytree(ROOT / ".ci/lock", tmp_path, dirs_exist_ok=True)
    with (tmp_path / "runtime.txt").open("a") as file:
        file.write(f"{line}\n")
    assert lock_faults(tmp_path) == [fault]
