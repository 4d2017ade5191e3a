"""An inker's steady state by a linear solve over all its cells: the rules of the rollers written down once more.

Equal splitting at a nip: e.g. Mill 1961; MacPhee, Fundamentals of Lithographic Printing, 1998 (both from memory).
The paper takes one share of any film, so that a round of sheets is linear in the films at its start.
"""

from functools import cache
from typing import NamedTuple

import numpy as np

from inksteward_simulators.press.rollers import CELL_M, TRANSFER_NOMINAL, Make, Plan, plan_of

PLATE, IMAGE, ROUND, BETA_M = 17, 14, 60, 0.015


class Balance(NamedTuple):
    """Of a steady round at a film of 1 um on the fountain roller: film printed (um), film that the ductor brings to
    its stroke and ink stored per um printed, sheets of the slowest mode, printed over fed."""

    printed_um: float
    met: float
    stored_m: float
    slowest_sheets: float
    printed_over_fed: float


class Cells:
    """Every cell as a row of numbers: a sum of the cells at the start of the round, and a constant at the end."""

    def __init__(self, plan: Plan, coverage: float) -> None:
        self.plan, self.coverage = plan, coverage
        self.sizes = [roller.cells for roller in plan.rollers]
        self.starts = np.cumsum([0, *self.sizes])
        self.plate = int(self.starts[-1])
        self.blanket = self.plate + PLATE
        self.count = self.plate + 2 * PLATE
        self.rows = np.eye(self.count + 1)
        self.counted = np.repeat([1.0, coverage, 0.0], [self.plate, 2 * PLATE, 1])
        self.printed, self.met, self.fed, self.stored = np.zeros((4, self.count + 1))

    def under(self, roller: int, place: int, step: int) -> int:
        """The cell that lies at a place of a roller."""
        return int(self.starts[roller]) + (step - place) % self.sizes[roller]

    def split(self, one: int, other: int, share: float = 1.0) -> None:
        mean = 0.5 * (self.rows[one] + self.rows[other])
        self.rows[one] = (1.0 - share) * self.rows[one] + share * mean
        self.rows[other] = mean

    def stroke(self) -> None:
        """A stripe of 4 beta, as strokes come every second sheet and half of a stripe is taken."""
        left = 4.0 * BETA_M / CELL_M
        for cell in range(int(np.ceil(left))):
            weight = 0.5 * min(left - cell, 1.0)
            taken = -weight * self.rows[cell]
            self.met -= taken
            taken[-1] += weight
            self.rows[cell] += taken
            self.fed += taken

    def turn(self, step: int, ductor_on: bool) -> None:
        """All surfaces go on by a cell."""
        for number, nip in enumerate(self.plan.nips):
            if number or ductor_on:
                self.split(self.under(nip.one, nip.at_one, step), self.under(nip.other, nip.at_other, step))
        for roller, place, at in self.plan.forms:
            if (step - at) % PLATE < IMAGE:
                cell = self.plate + (step - at) % PLATE
                self.split(self.under(roller, place, step), cell, self.coverage)
        cell = (step - 9) % PLATE
        if cell < IMAGE:
            self.split(self.plate + cell, self.blanket + cell)
        cell = (step - 13) % PLATE
        if cell < IMAGE:
            self.printed += TRANSFER_NOMINAL * self.rows[self.blanket + cell]
            self.rows[self.blanket + cell] *= 1.0 - TRANSFER_NOMINAL
        self.stored += self.counted @ self.rows


@cache
def balance(make: Make, coverage: float) -> Balance:
    """Solve for the cells that a round of sixty sheets gives back as they were; what the gap touches is left out."""
    cells = Cells(plan_of(make), coverage)
    for sheet in range(ROUND):
        if sheet % 2 == 0:
            cells.stroke()
        for step in range(PLATE * sheet, PLATE * (sheet + 1)):
            cells.turn(step, sheet % 2 == 0)
    live = [k for k in range(cells.count) if k < cells.plate or (k - cells.plate) % PLATE < IMAGE]
    over = cells.rows[np.ix_(live, live)]
    steady = np.zeros(cells.count + 1)
    steady[-1] = 1.0
    steady[live] = np.linalg.solve(np.eye(len(live)) - over, cells.rows[live, -1])
    printed = float(cells.printed @ steady) / (IMAGE * ROUND)
    stripes = ROUND / 2 * 2.0 * BETA_M / CELL_M
    return Balance(
        printed,
        float(cells.met @ steady) / stripes / printed,
        float(cells.stored @ steady) * CELL_M / (PLATE * ROUND) / printed,
        -ROUND / float(np.log(np.abs(np.linalg.eigvals(over)).max())),
        coverage * printed * IMAGE * ROUND / float(cells.fed @ steady),
    )
