"""The generator of faults: independent of the rules, the same for the same seed, and true to what it says."""

from __future__ import annotations

import ast
import math
from pathlib import Path
from random import Random
from statistics import fmean, pstdev

import pytest

import inksteward.diagnosis
from tests.diagnosis.generator import numbers as n
from tests.diagnosis.generator.faults import KINDS, SOLID_D
from tests.diagnosis.generator.life import healthy, struck
from tests.diagnosis.generator.press import answer, draw_press
from tests.diagnosis.generator.strip import Upset, scan

GENERATOR = Path(__file__).parent / "generator"
ROOM = Path(inksteward.diagnosis.__file__).parent


def imports(folder: Path) -> set[str]:
    """Names of all modules that the files of a folder import."""
    found: set[str] = set()
    for path in folder.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Import):
                found.update(alias.name for alias in node.names)
            elif isinstance(node, ast.ImportFrom) and node.module:
                found.add(node.module)
    return found


def test_rules_and_generator_know_nothing_of_each_other() -> None:
    """The generator imports the standard library and itself, the rules the standard library, the contract's codes and
    themselves: no number of one is a number of the other."""
    assert not [name for name in imports(GENERATOR) if name.startswith("inksteward")]
    ours = {name for name in imports(ROOM) if name.split(".")[0] in {"inksteward", "tests", "numpy"}}
    assert {name for name in ours if not name.startswith("inksteward.diagnosis")} == {
        "inksteward.contract.codes"
    }


def test_same_seed_same_run() -> None:
    """A seed draws the same run every time, another seed another."""
    assert struck(5, "water") == struck(5, "water")
    assert struck(5, "water") != struck(6, "water")
    assert list(healthy(5, 3)) == list(healthy(5, 3))


@pytest.mark.parametrize(("coverage", "share"), [(0.02, 0.17), (0.30, 0.70), (1.00, 0.83)])
def test_elasticity_of_the_sweep(coverage: float, share: float) -> None:
    """The part of a sweep change that reaches the film: a Li / (a Li + beta (c0 + c1 a)) of a reference roller train,
    by hand 0.014 / 0.0831, 0.21 / 0.3016 and 0.7 / 0.8478."""
    assert n.elasticity(coverage) == pytest.approx(share, abs=0.005)


def test_noise_has_the_size_it_says() -> None:
    """Zones of one sheet after another scatter by the two parts of the noise together, 0.0168 D, within a tenth."""
    press = draw_press(Random(3))
    press.common_share = 0.0
    rows = [scan(press, answer(press), Upset(), [])["units"][1]["density"] for _ in range(200)]
    spread = fmean(pstdev(column) for column in zip(*rows, strict=True))
    assert spread == pytest.approx(math.hypot(n.INSTRUMENT_D, n.SHEET_D), rel=0.1)


def test_tone_values_come_back() -> None:
    """Tints read without noise give their true tone values: Murray-Davies there and back."""
    press = draw_press(Random(4))
    tints = [scan(press, answer(press), Upset(), [])["units"][1]["tints"] for _ in range(60)]
    for place in range(len(tints[0])):
        read = fmean(row[place]["tone_pct"] for row in tints)
        first, unit = tints[0][place], press.units[1]
        share = 1.0 if first["nominal_pct"] < 60 else 0.6
        true = unit.tone_pct[first["nominal_pct"]] + unit.tone_bump[first["zone"], first["nominal_pct"]]
        assert read == pytest.approx(true + share * 6.0 * unit.film[first["zone"]], abs=0.8)


@pytest.mark.parametrize("kind", list(KINDS))
def test_runs_end_with_scans_that_show(kind: str) -> None:
    """A run that a fault strikes has at least eight healthy scans and ends with four that show it, or is empty."""
    for seed in range(3):
        told = struck(seed, kind)
        assert not told or [one.shown for one in told] == [False] * (len(told) - 4) + [True] * 4
        assert not told or len(told) >= 12


def test_a_fault_shows_when_its_effect_is_over_two_sigma() -> None:
    """A sweep fault is said to show only when the unit's mean is off by more than 0.0335 D without noise."""
    assert pytest.approx(0.03354, abs=1e-5) == SOLID_D
    press = draw_press(Random(9))
    fault = KINDS["sweep"](Random(10), press)
    unit = press.units[fault.units[0]]
    film = fault.upset(1.0).film[fault.units[0]]
    size = abs(fmean(unit.aim * (unit.factor(value) - 1.0) for value in film))
    assert fault.shown(1.0) == (size > SOLID_D)
    assert not fault.shown(0.9 * SOLID_D / size)
