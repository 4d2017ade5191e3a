"""Trap of a whole strip against the definition and against what printers were found to have.

Preucil, apparent trap: T = 100 (Dop - D1) / D2, all through the filter of the ink printed second, relative to
paper (TAGA 1958; form and year from memory). Densities of the strip: usual values of coated paper, from memory.
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from tests.reading.bar import lane, paper, read
from tests.reading.test_trap import CYAN, MAGENTA, YELLOW, one, over

PAPER = "0.07"
OVERPRINTS = {
    ("M", "Y"): {"C": 0.15, "M": 1.48, "Y": 1.52},
    ("C", "Y"): {"C": 1.44, "M": 0.55, "Y": 1.10},
    ("C", "M"): {"C": 1.50, "M": 1.53, "Y": 0.80},
}
ALONE = {"C": CYAN, "M": MAGENTA, "Y": YELLOW}
AVERAGES = {("M", "Y"): 76.0, ("C", "Y"): 89.0, ("C", "M"): 72.0}
"""Averages of 107 samples from 35 plants, red, green and blue (TAGA paper T990389, abstract at
printing.org/publication/t990389)."""


@pytest.mark.parametrize("relative", [True, False])
@pytest.mark.parametrize("pair", list(OVERPRINTS))
def test_trap_of_red_green_and_blue(pair: tuple[str, str], relative: bool) -> None:
    """Each pair has Preucil's trap of its densities, worked here in exact fractions, on either basis; it lies within
    4 points of the published average of its colour."""
    base = 0.0 if relative else float(PAPER)
    patches = [
        one(10.0 * number + 10.0, ink, {name: value + base for name, value in there.items()})
        for number, (ink, there) in enumerate(ALONE.items())
    ]
    both = {name: value + base for name, value in OVERPRINTS[pair].items()}
    rows = [*patches, over(45.0, pair, both), paper(50.0, base)]
    found = read(rows, *(lane(ink) for ink in "CMY"), instrument={"paper_relative": relative})
    first, second = pair
    on, under, alone = (
        Fraction(str(value))
        for value in (OVERPRINTS[pair][second], ALONE[first][second], ALONE[second][second])
    )
    (trap,) = found.traps[f"u-{second}"]
    assert trap.trap_pct == pytest.approx(float(100 * (on - under) / alone), abs=1e-6)
    assert abs(trap.trap_pct - AVERAGES[pair]) < 4.0
