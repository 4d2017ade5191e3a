"""The project's own core replays its record to the same bytes: here, under other processor features, elsewhere."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from inksteward.config import Config, parse
from inksteward.journal import Journal
from inksteward.journal_verify import verify
from inksteward.model import Unit
from inksteward.replay import replay
from inksteward.replay.same import SAME_PLATFORM
from inksteward_simulators.link_messages import FaultKind
from tests.steward.floor import small
from tests.steward.recorded import SMALL_RESERVE, Recorded

MILLIONTH = 1.0 + 1e-6
RECORDS = ("makeready", "spring-blade")
ROOT = Path(__file__).resolve().parent.parent


def _record(folder: Path, name: str) -> tuple[Path, ...]:
    """A run with everything in it: moves, an OK sheet, a stuck key, a restart, a second file."""
    folder.mkdir()
    first, second = folder / f"{name}-1.journal", folder / f"{name}-2.journal"
    journal = Journal.create(first, reserve_bytes=SMALL_RESERVE)
    loop = Recorded(small(name, zones=10), journal, seed=31)
    loop.run(300)
    ask = {"operator": "op-anna", "request_id": "r-1", "kind": "ok_sheet"}
    assert loop.state.run is not None
    loop.receive("request", {**ask, "scan_id": loop.state.run.kept[-1].scan_id})
    loop.receive("request", {**ask, "request_id": "r-2", "kind": "event", "what": "wash"})
    loop.fault(FaultKind.STUCK, "u1", 3)
    loop.run(100)
    loop.start_again("bench-2")
    loop.run(100)
    loop.journal = journal.succeed(second)
    loop.start_again("bench-2")
    loop.receive("scan", {"scan_id": "s-1", "half": "\ud800"})
    loop.run(60)
    loop.journal.close()
    assert len(loop.ledger.outcomes) > 5
    return first, second


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, ...]]:
    """One record for each kind of blade."""
    folder = tmp_path_factory.mktemp("records")
    return {name: _record(folder / name, name) for name in RECORDS}


@pytest.mark.parametrize("name", RECORDS)
def test_the_core_replays_to_the_same_bytes(records: dict[str, tuple[Path, ...]], name: str) -> None:
    """Every effect of every event comes out byte for byte as it was stored, over a restart and a change of files."""
    report = replay(records[name])
    assert report.same, report.difference
    assert report.events > 150
    assert report.effects > report.events
    assert all(verify(path).sound for path in records[name])


def on_units(change: Callable[[Unit], Unit]) -> Callable[[Config], Config]:
    """A change of every unit of a configuration."""
    return lambda config: replace(
        config, press=replace(config.press, units=tuple(change(unit) for unit in config.press.units))
    )


def train(name: str) -> Callable[[Config], Config]:
    """One constant of the roller train, a millionth larger."""
    return on_units(
        lambda unit: replace(unit, train=replace(unit.train, **{name: getattr(unit.train, name) * MILLIONTH}))
    )


def control(name: str) -> Callable[[Config], Config]:
    """One setting of the control law, a millionth larger."""
    return lambda config: replace(
        config, control=replace(config.control, **{name: getattr(config.control, name) * MILLIONTH})
    )


def identification(name: str) -> Callable[[Config], Config]:
    """One constant of the estimator, a millionth larger."""

    def change(config: Config) -> Config:
        priors = config.control.identification
        priors = replace(priors, **{name: getattr(priors, name) * MILLIONTH})
        return replace(config, control=replace(config.control, identification=priors))

    return change


PLANTED: dict[str, Callable[[Config], Config]] = {
    **{f"train {name}": train(name) for name in ("image_m", "beta_m", "c0", "c1", "s0_m", "s1_m", "kappa", "metering")},
    **{f"control {name}": control(name) for name in ("lambda_share", "move_weight")},
    **{
        f"identification {name}": identification(name)
        for name in ("gain_common", "gain_zone", "lag_common", "start_film", "film_noise", "sheet_offset")
    },
    "instrument": lambda config: replace(
        config, measuring=replace(config.measuring, instrument_sigma=config.measuring.instrument_sigma * MILLIONTH)
    ),
}  # fmt: skip


@pytest.mark.parametrize("planted", PLANTED)
def test_a_coefficient_that_is_a_millionth_off_fails_replay(
    records: dict[str, tuple[Path, ...]], planted: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A relative change of 1e-6 in one coefficient of film model, estimator or control law fails replay, although no
    key target on its drive's grid shows it; dead bands and gates show where they are crossed."""
    change = PLANTED[planted]
    monkeypatch.setattr("inksteward.steward.starting.parse", lambda data, source: change(parse(data, source)))
    difference = replay(records["makeready"]).difference
    assert difference is not None
    assert (difference.kind, difference.place) == (SAME_PLATFORM, "state_sha256")


@pytest.mark.parametrize(("module", "name"), [("qp", "RIDGE"), ("learning", "LOOSENED_FILM")])
def test_a_constant_of_the_code_that_is_a_millionth_off_fails_replay(
    records: dict[str, tuple[Path, ...]], module: str, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same for constants that stand in the code and in no configuration."""
    import importlib

    where = importlib.import_module(f"inksteward.control.{module}")
    monkeypatch.setattr(where, name, getattr(where, name) * MILLIONTH)
    assert not replay(records["makeready"]).same


AGAIN = """
import json, math, sys
import numpy as np
from pathlib import Path
from inksteward.replay import replay
xs = [math.sin(n) * 5.0 for n in range(20000)]
library = [sum(map(math.exp, xs)), float(np.exp(np.array(xs)).sum()), float(np.log(np.abs(np.array(xs)) + 1e-9).sum())]
square = np.array(xs[:10000]).reshape(100, 100)
library.append(float((square @ square).sum()))
reports = [replay(tuple(Path(each) for each in paths)) for paths in json.loads(sys.argv[1])]
print(json.dumps({
    "same": [report.same for report in reports],
    "events": [report.events for report in reports],
    "difference": [str(report.difference) for report in reports],
    "library": [number.hex() for number in library],
}))
"""


def again(records: dict[str, tuple[Path, ...]], folder: Path, **environment: str) -> dict[str, Any]:
    """What replay says in a process of its own."""
    paths = [[str(path) for path in records[name]] for name in RECORDS]
    done = subprocess.run(
        [sys.executable, "-c", AGAIN, json.dumps(paths)],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), **environment},
        cwd=folder,
        capture_output=True,
        text=True,
        check=True,
    )
    return dict(json.loads(done.stdout))


def masks() -> dict[str, str]:
    """An environment in which C library, numpy and its linear algebra do without this processor's newer features."""
    found: Any = np.show_config(mode="dicts")
    off = "-AVX2,-FMA,-FMA4,-AVX512F,-AVX2_Usable,-FMA_Usable,-FMA4_Usable,-AVX512F_Usable"
    return {
        "GLIBC_TUNABLES": f"glibc.cpu.hwcaps={off}",
        "NPY_DISABLE_CPU_FEATURES": " ".join(found["SIMD Extensions"]["found"]),
        "OPENBLAS_CORETYPE": "Prescott",
    }


def test_other_processor_features_give_the_same_bytes(
    records: dict[str, tuple[Path, ...]], tmp_path: Path
) -> None:
    """Without the processor's newer features the libraries' functions give other numbers, the core gives the same."""
    plain, masked = again(records, tmp_path), again(records, tmp_path, **masks())
    assert masked["same"] == [True, True], masked["difference"]
    assert plain["same"] == [True, True], plain["difference"]
    assert masked["events"] == plain["events"]
    if masked["library"] == plain["library"]:
        pytest.skip("this machine has no features to mask: the libraries' numbers are the same as well")


@pytest.mark.parametrize("environment", [
    {"TZ": "Pacific/Chatham", "LC_ALL": "C", "PYTHONHASHSEED": "0"},
    {"TZ": "America/St_Johns", "LC_ALL": "C.UTF-8", "PYTHONHASHSEED": "4711", "PYTHONOPTIMIZE": "1"},
])  # fmt: skip
def test_time_zone_language_and_hash_seed_do_not_matter(
    records: dict[str, tuple[Path, ...]], tmp_path: Path, environment: dict[str, str]
) -> None:
    """In another time zone, language and directory, with another seed of hashes, replay gives the same bytes."""
    found = again(records, tmp_path, **environment)
    assert found["same"] == [True, True], found["difference"]
    assert ROOT not in tmp_path.parents
