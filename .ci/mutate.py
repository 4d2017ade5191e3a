"""Mutation testing: plant one fault after another and see that the tests notice.

    .ci/mutate.py                                the modules in TARGETS
    .ci/mutate.py --target SOURCE TESTS...       one module, with the test files that must catch its faults
    .ci/mutate.py --every 4                      every fourth of them

Every mutant runs in a process of its own that is forked from a warm one, stops at the first failing test, and has a
time limit; a mutant that runs into it counts as caught. The exit status is 1 when a mutant survived.
"""

import argparse
import importlib
import importlib.abc
import importlib.machinery
import importlib.util
import os
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from glob import glob
from itertools import islice
from pathlib import Path
from types import CodeType, ModuleType

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))
from mutants import Mutant, mutants

ROOT = Path(__file__).resolve().parent.parent
TARGETS = {
    "daemon/inksteward/interlock.py": ["tests/test_interlock*.py"],
    "daemon/inksteward/second_check.py": ["tests/test_guard_second_check*.py"],
    "daemon/inksteward/guard.py": ["tests/test_guard*.py"],
    "daemon/inksteward/keycommand.py": ["tests/test_guard*.py"],
    "daemon/inksteward/approval.py": ["tests/test_approval*.py"],
    "daemon/inksteward/authority.py": [
        "tests/test_authority.py",
        "tests/test_authority_operators.py",
        "tests/test_jws.py",
    ],
    "daemon/inksteward/journal.py": [
        *("tests/test_journal.py", "tests/test_journal_threads.py", "tests/test_journal_files.py"),
        *("tests/test_journal_room.py", "tests/test_journal_digest.py"),
    ],
}
# Mutants that change nothing, as "module: line after the change", each with the reason. It should stay empty.
ALLOWED: frozenset[str] = frozenset()

# Loaded before the first fork, so that no mutant waits for them.
WARM = (
    "asyncio",
    "hypothesis",
    "hypothesis.stateful",
    "numpy",
    "pydantic",
    "pytest_asyncio.plugin",
    "pytest_timeout",
)
PYTEST_OPTIONS = (
    *("-x", "-q", "-p", "no:cacheprovider"),
    *("-m", "not soak and not broker and not browser"),
    *("-W", "ignore::pytest.PytestAssertRewriteWarning"),  # the plugins in WARM are imported already
)
LEAST_LIMIT_S = 10.0
LIMIT_FACTOR = 5.0
POLL_S = 0.01
TESTS_FAILED = (pytest.ExitCode.TESTS_FAILED, pytest.ExitCode.INTERRUPTED)


class MutationError(Exception):
    """The run itself went wrong, so it says nothing about the tests."""


@dataclass(frozen=True, slots=True)
class Target:
    """A module under test: its source, its import name, the test files that must catch its faults, room for them.

    Each process has a folder of its own below `scratch`: in the one that pytest shares between runs, two that end
    at the same instant both tidy up, and the one that comes second ends with an internal error.
    """

    source: Path
    module: str
    tests: tuple[Path, ...]
    scratch: Path

    def folder_of(self, process: int) -> Path:
        """Where the tests in this process keep their temporary files."""
        return self.scratch / str(process)


@dataclass(slots=True)
class Score:
    """What became of the mutants of one module."""

    caught: int = 0
    timed_out: int = 0
    survivors: list[Mutant] = field(default_factory=list)


class PlantedLoader(importlib.abc.Loader, importlib.abc.MetaPathFinder):
    """Gives one module the planted code, and leaves every other import alone."""

    def __init__(self, target: Target, code: CodeType) -> None:
        self._target, self._code = target, code

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        """Answer for the target only."""
        if fullname != self._target.module:
            return None
        return importlib.util.spec_from_file_location(fullname, self._target.source, loader=self)

    def exec_module(self, module: ModuleType) -> None:
        """Run the planted code as the module's body."""
        exec(self._code, module.__dict__)  # noqa: S102 - running changed code is the purpose


def target_of(source: Path, patterns: list[str], scratch: Path) -> Target:
    """Find the module's import name and its test files; raises MutationError where there are none."""
    if not source.is_file():
        raise MutationError(f"{source}: no such file")
    tests = tuple(sorted({Path(path) for pattern in patterns for path in glob(str(ROOT / pattern))}))
    if not tests:
        raise MutationError(f"{source}: no test file matches {' '.join(patterns)}")
    names, folder = [source.stem], source.resolve().parent
    while (folder / "__init__.py").exists():
        names, folder = [folder.name, *names], folder.parent
    return Target(source.resolve(), ".".join(names), tests, scratch)


def run_tests(target: Target, code: CodeType, output: Path) -> int:
    """Run the target's tests on the planted code, in the forked process; return pytest's exit status."""
    sink = os.open(output, os.O_WRONLY | os.O_CREAT, 0o600)
    for stream in (1, 2):
        os.dup2(sink, stream)
    sys.meta_path.insert(0, PlantedLoader(target, code))
    places = ("-c", str(ROOT / "pyproject.toml"), f"--basetemp={target.folder_of(os.getpid())}")
    return int(pytest.main([*PYTEST_OPTIONS, *places, *map(str, target.tests)]))


def fork(target: Target, code: CodeType, output: Path = Path(os.devnull)) -> int:
    """Start a process that tests the planted code; return its id."""
    if target.module in sys.modules:
        raise MutationError(f"{target.module} was imported before a fault could be planted in it")
    sys.stdout.flush()
    child = os.fork()
    if child == 0:
        status = int(pytest.ExitCode.INTERNAL_ERROR)
        try:
            os.setpgid(0, 0)  # what a test started goes down with it
            status = run_tests(target, code, output)
        except BaseException:  # noqa: BLE001 - this copy of the process must end here, whatever happened
            traceback.print_exc()
        os._exit(status)
    return child


def stop(child: int) -> None:
    """Kill the process and all that it started, and collect it."""
    try:
        os.killpg(child, signal.SIGKILL)
    except ProcessLookupError:  # it has not made its group yet
        os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)


def baseline_s(target: Target) -> float:
    """Run the tests on the module as it is; return how long they took. Raises MutationError when they fail."""
    code = compile(target.source.read_text("utf-8"), str(target.source), "exec", dont_inherit=True)
    with tempfile.NamedTemporaryFile("r", encoding="utf-8") as log:
        started = time.monotonic()
        status = os.waitstatus_to_exitcode(os.waitpid(fork(target, code, Path(log.name)), 0)[1])
        if status != pytest.ExitCode.OK:
            raise MutationError(f"{target.module}: its tests fail on the module as it is:\n{log.read()}")
        return time.monotonic() - started


def book(target: Target, mutant: Mutant, status: int, score: Score) -> None:
    """Book how the tests ended on one mutant; a negative status is the signal that ended the interpreter."""
    if status == pytest.ExitCode.OK:
        score.survivors.append(mutant)
    elif status in TESTS_FAILED or status < 0:
        score.caught += 1
    else:
        raise MutationError(
            f"{target.module}, line {mutant.line}: pytest ended with status {status}\n{mutant.diff}"
        )


def reap(target: Target, running: dict[int, tuple[Mutant, float]], score: Score) -> None:
    """Take out of `running` whatever has ended or run out of time."""
    for child, (mutant, deadline) in list(running.items()):
        ended, wait_status = os.waitpid(child, os.WNOHANG)
        if not ended and time.monotonic() <= deadline:
            continue
        del running[child]
        if ended:
            book(target, mutant, os.waitstatus_to_exitcode(wait_status), score)
        else:
            stop(child)
            score.timed_out += 1
        shutil.rmtree(target.folder_of(child), ignore_errors=True)


def score_of(target: Target, limit_s: float, jobs: int, every: int) -> Score:
    """Run every so many mutants of the target, `jobs` at a time, each for `limit_s` at most."""
    score, running = Score(), dict[int, tuple[Mutant, float]]()
    try:
        for mutant in islice(mutants(target.source.read_text("utf-8"), str(target.source)), 0, None, every):
            running[fork(target, mutant.code)] = mutant, time.monotonic() + limit_s
            while len(running) >= jobs:
                reap(target, running, score)
                time.sleep(POLL_S)
        while running:
            reap(target, running, score)
            time.sleep(POLL_S)
    finally:
        for child in running:
            stop(child)
    return score


def survivors_of(target: Target, least_limit_s: float, jobs: int, every: int) -> int:
    """Test one module and print what came out; return how many mutants survived that are not allowed to."""
    limit_s = max(least_limit_s, LIMIT_FACTOR * baseline_s(target))
    started = time.monotonic()
    score = score_of(target, limit_s, jobs, every)
    bad = [mutant for mutant in score.survivors if f"{target.module}: {mutant.after.strip()}" not in ALLOWED]
    total = score.caught + score.timed_out + len(score.survivors)
    if not total:
        raise MutationError(f"{target.module}: nothing in it to change")
    print(
        f"{target.module}: {total} mutants, {score.caught} caught, {score.timed_out} ran out of time,"
        f" {len(bad)} survived, {len(score.survivors) - len(bad)} allowed, {time.monotonic() - started:.0f} s"
    )
    for mutant in bad:
        print(f"  survived: {target.source}:{mutant.line}\n    " + mutant.diff.replace("\n", "\n    "))
    return len(bad)


def run(wanted: Mapping[str, list[str]], limit_s: float, jobs: int, scratch: Path, every: int) -> int:
    """Test the wanted modules; return the exit status."""
    try:
        targets = [target_of(Path(source), patterns, scratch) for source, patterns in wanted.items()]
        survived = sum(survivors_of(target, limit_s, jobs, every) for target in targets)
    except MutationError as error:
        print(f"mutate: {error}", file=sys.stderr)
        return 2
    print(f"mutate: {survived} survived")
    return 1 if survived else 0


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; return the exit status: 0 all caught, 1 some survived, 2 the run went wrong."""
    parser = argparse.ArgumentParser(description="Plant faults and see that the tests notice.")
    parser.add_argument(
        "--target", nargs="+", metavar=("SOURCE", "TESTS"), help="one module and its test files"
    )
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes at a time")
    parser.add_argument("--limit-s", type=float, default=LEAST_LIMIT_S, help="least time limit of a mutant")
    parser.add_argument("--every", type=int, default=1, help="only every so many mutants of a module")
    options = parser.parse_args(arguments)
    if options.every < 1:
        parser.error(f"--every {options.every}: expected 1 or more")
    wanted = {options.target[0]: options.target[1:]} if options.target else TARGETS
    os.chdir(ROOT)
    os.environ["HYPOTHESIS_PROFILE"] = "mutate"
    for name in WARM:
        importlib.import_module(name)
    with tempfile.TemporaryDirectory() as compiled, tempfile.TemporaryDirectory() as scratch:
        # the first run leaves the compiled tests here for all that follow
        sys.pycache_prefix, sys.dont_write_bytecode = compiled, False
        return run(wanted, options.limit_s, options.jobs, Path(scratch), options.every)


if __name__ == "__main__":
    sys.exit(main())
