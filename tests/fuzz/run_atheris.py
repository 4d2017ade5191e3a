"""The long run over every parser, guided by coverage of our packages: `make fuzz`, part of `make soak`.

Each target runs in a process of its own from its valid samples on, until it has had its inputs. A fault is an exception
that the parser does not document, a broken promise, an input that takes more than a minute, or memory that grows: by
more than MOST_GROWTH_MIB from the tenth part of the inputs to the end. The fuzzer has its own corpus and tables in
that, so what grew is played again without a fuzzer: what the inputs found together, over and over.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from contextlib import redirect_stdout
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

OURS = ["inksteward", "inksteward_drivers"]
RUNS = 1_000_000
MOST_GROWTH_MIB = 64.0
AGAIN, MOST_GROWTH_AGAIN_MIB = 20_000, 8.0
"""Inputs that are played again where memory grew, and by how much that may make it grow, after the first quarter."""
INPUT_S = 60
EVERY_S = 0.5
IN_MEMORY = Path("/dev/shm")
"""Where targets keep the files that they read, if there is such a place."""
LEAST_BYTES = 4096
"""Inputs may become this long, or twice as long as the longest sample."""
ROOT = Path(__file__).resolve().parents[2]
HEAD = ("target", "inputs", "inputs/s", "MiB at 10 %", "MiB at end", "verdict")


@dataclass
class Count:
    """What a run has come to, written again and again: the fuzzer ends its process without a last word."""

    inputs: int = 0
    seconds: float = 0.0
    early_mib: float = 0.0
    late_mib: float = 0.0


def resident_mib() -> float:
    """Memory of this process that is in RAM."""
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def fuzz(name: str, runs: int, seconds: int, folder: Path) -> None:
    """Fuzz one target in this process; does not return."""
    import atheris

    tempfile.tempdir = str(folder)  # the fuzzer ends this process as it stands: whoever started it clears up
    with atheris.instrument_imports(include=OURS):
        from tests.fuzz.mutations import mutated
        from tests.fuzz.targets import TARGETS
    target = TARGETS[name]
    samples = target.samples()
    corpus = folder / "corpus"
    corpus.mkdir()
    for number, sample in enumerate(samples):
        (corpus / f"sample-{number}").write_bytes(sample)
    count, begun = Count(), time.monotonic()

    def one(data: bytes) -> None:
        target.call(data)
        count.inputs += 1
        now = time.monotonic() - begun
        if now - count.seconds < EVERY_S and count.inputs < runs:
            return
        count.seconds, count.late_mib = now, resident_mib()
        first_tenth = count.inputs <= runs // 10 and (not seconds or now <= seconds / 10)
        if first_tenth or not count.early_mib:
            count.early_mib = count.late_mib
        (folder / "count.json").write_text(json.dumps(asdict(count)))

    def changed(data: bytes, most: int, seed: int) -> bytes:
        dice = random.Random(seed)
        return bytes(atheris.Mutate(data, most)) if dice.random() < 0.7 else mutated(data, dice)[:most]

    longest = max(LEAST_BYTES, 2 * max(map(len, samples)))
    flags = [f"-runs={runs}", f"-max_total_time={seconds}", f"-max_len={longest}", f"-timeout={INPUT_S}"]
    flags += [f"-artifact_prefix={folder}/", "-verbosity=0", "-rss_limit_mb=4096", str(corpus)]
    with Path(os.devnull).open("w") as nowhere, redirect_stdout(nowhere):
        atheris.Setup(["fuzz", *flags], one, custom_mutator=changed)
        atheris.Fuzz()


def play(name: str, corpus: Path) -> float:
    """Give a target the corpus over and over, without a fuzzer; MiB by which memory grew after the first quarter."""
    from tests.fuzz.targets import TARGETS

    inputs = [path.read_bytes() for path in sorted(corpus.iterdir())]
    early = 0.0
    for number in range(AGAIN):
        TARGETS[name].call(inputs[number % len(inputs)])
        if number == AGAIN // 4:
            early = resident_mib()
    return resident_mib() - early


def played_again(name: str, corpus: Path) -> str:
    """What is to be said of a target whose fuzzing took more and more memory."""
    own = [sys.executable, "-m", "tests.fuzz.run_atheris", "--play", str(corpus), "--only", name]
    done = subprocess.run(own, cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        return f"FAULT (played again: {done.stderr.strip()[-200:]})"
    grew = float(done.stdout)
    return (
        "good"
        if grew <= MOST_GROWTH_AGAIN_MIB
        else f"GREW by {grew:.0f} MiB over {AGAIN} inputs without the fuzzer"
    )


def verdict(count: Count, ended: int, options: argparse.Namespace) -> str:
    """What is to be said of a target's run: ``good``, or what is wrong."""
    if ended != 0 or (count.inputs < options.runs and (not options.seconds or not count.inputs)):
        return f"FAULT (ended with {ended})"
    if count.late_mib - count.early_mib > MOST_GROWTH_MIB:
        return f"GREW by {count.late_mib - count.early_mib:.0f} MiB"
    return "good" if count.inputs >= options.runs else "good, cut short"


def run(name: str, options: argparse.Namespace) -> tuple[str, ...]:
    """One target in a process of its own: its row of the table. What made it fail is kept beside the findings."""
    folder = Path(
        tempfile.mkdtemp(prefix="inksteward-fuzz-run-", dir=IN_MEMORY if IN_MEMORY.is_dir() else None)
    )
    own = [sys.executable, "-m", "tests.fuzz.run_atheris", "--child", str(folder), "--only", name]
    limits = ["--runs", str(options.runs), "--seconds", str(options.seconds)]
    with (folder / "log").open("wb") as log:
        ended = subprocess.run([*own, *limits], cwd=ROOT, stdout=log, stderr=log, check=False).returncode
    written = folder / "count.json"
    count = Count(**json.loads(written.read_text())) if written.exists() else Count()
    said = verdict(count, ended, options)
    if said.startswith("GREW"):
        said = played_again(name, folder / "corpus")
    if not said.startswith("good"):
        kept = options.findings / name
        shutil.rmtree(kept, ignore_errors=True)
        kept.mkdir(parents=True)
        for file in folder.iterdir():
            if file.is_file():
                shutil.copy(file, kept)
        said += f", see {kept}"
    shutil.rmtree(folder)
    rate = count.inputs / count.seconds if count.seconds else 0.0
    numbers = (f"{count.inputs}", f"{rate:.0f}", f"{count.early_mib:.0f}", f"{count.late_mib:.0f}")
    return name, *numbers, said


def line(cells: tuple[str, ...]) -> str:
    """A row of the table."""
    return f"{cells[0]:<26}" + "".join(f"{cell:>13}" for cell in cells[1:-1]) + f"  {cells[-1]}"


def main(argv: list[str] | None = None) -> int:
    """Fuzz every target, or those that are named; 1 if anything was found, 2 if there is nothing to fuzz with."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz.run_atheris", description=__doc__)
    parser.add_argument("--runs", type=int, default=RUNS, help="inputs for each target (default %(default)s)")
    parser.add_argument("--seconds", type=int, default=0, help="longest time for each target (default: none)")
    parser.add_argument("--only", nargs="+", metavar="TARGET", help="these targets only")
    parser.add_argument("--findings", type=Path, default=ROOT / "fuzz-findings", help="where faults are kept")
    parser.add_argument("--child", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--play", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args(argv)
    if options.play is not None:
        sys.stdout.write(f"{play(options.only[0], options.play):.3f}\n")
        return 0
    if options.child is not None:
        fuzz(options.only[0], options.runs, options.seconds, options.child)
    names = chosen(options.only)
    sys.stdout.write(line(HEAD) + "\n")
    found = 0
    for name in names:
        sys.stdout.flush()
        row = run(name, options)
        found += not row[-1].startswith("good")
        sys.stdout.write(line(row) + "\n")
    sys.stdout.write(f"{len(names)} targets, {found} with faults\n")
    return 1 if found else 0


def chosen(only: list[str] | None) -> list[str]:
    """The targets that are asked for, all of them if none is named. Ends the program when there is no such thing."""
    try:
        import atheris
    except ImportError as error:
        raise SystemExit(f"fuzz: {error}: expected atheris, see .ci/lock/fuzz.txt") from error
    del atheris
    from tests.fuzz.targets import TARGETS

    unknown: list[Any] = [name for name in only or () if name not in TARGETS]
    if unknown:
        raise SystemExit(f"fuzz: {unknown[0]}: expected one of {', '.join(TARGETS)}")
    return only or list(TARGETS)


if __name__ == "__main__":
    sys.exit(main())
