"""One unit's inker, cell by cell: the rollers of `rollers.py` moved on by `nips.py`, used as a `RollerTrain` is."""

from __future__ import annotations

import numpy as np

from inksteward_simulators.press.arrays import Array
from inksteward_simulators.press.nips import Ink, Settings, geometry, level, pass_sheets
from inksteward_simulators.press.oscillation import swapped_parts
from inksteward_simulators.press.paper import Paper
from inksteward_simulators.press.rollers import (
    CELL_M,
    IMAGE_CELLS,
    PLATE_CELLS,
    STROKE_EVERY_SHEETS,
    Plan,
    lumped,
)
from inksteward_simulators.scenario_forms import Train

ROUND_SHEETS = 60
"""About so many sheets and the pattern of ductor stripes on the rollers comes round again."""
SETTLED_WITHIN = 2e-5
"""The film counts as settled when its mean over a round changes by less than this share of it."""
MOST_SHEETS = 20_000


class Inker:
    """Rollers, plate and blanket of one unit. Films in um of ink, lengths in m; (zones,) from zone 1 on."""

    def __init__(
        self, coverage: Array, plan: Plan, *, stroke_mm: float, pitch_mm: float, paper: Paper, train: Train
    ) -> None:
        zones = len(coverage)
        self.plan, self._train = plan, train
        self._geometry = geometry(plan)
        self._lumped = lumped(plan)
        self._coverage = np.ascontiguousarray(coverage, dtype=np.float64)[np.newaxis]
        self._spread = np.array([swapped_parts(plan, stroke_mm, pitch_mm)])
        self._ink = Ink(
            cells=np.zeros((1, plan.cells + 2 * PLATE_CELLS, zones)),
            turned=np.zeros(1, dtype=np.int64),
            on_blanket=np.zeros((1, zones)),
            fed=np.zeros((1, zones)),
        )
        self._film: Array = np.zeros(zones)
        self.paper = paper

    @property
    def film_um(self) -> Array:
        """Film on the sheet that was printed last, by zone."""
        return self._film

    @property
    def volume(self) -> Array:
        """Ink stored on rollers, plate and blanket, by zone (um m)."""
        rollers = self._ink.cells[0, : self.plan.cells].sum(axis=0)
        inked = self._ink.cells[0, self.plan.cells :].sum(axis=0) * self._coverage[0]
        stored: Array = (rollers + inked) * CELL_M
        return stored

    @property
    def fed(self) -> Array:
        """Ink taken from the fountain since the inker was made, less what went back, by zone (um m)."""
        taken: Array = self._ink.fed[0] * CELL_M
        return taken

    def wash(self) -> None:
        """Empty rollers, plate and blanket."""
        self._ink.cells[:] = 0.0
        self._ink.on_blanket[:] = 0.0
        self._film = np.zeros_like(self._film)

    def wash_blanket(self) -> None:
        """Take the ink off the blanket alone."""
        self._ink.cells[0, self.plan.cells + PLATE_CELLS :] = 0.0

    def level(self, turns: int) -> None:
        """Run for so many revolutions of the plate with forms and ductor off."""
        level(self._ink.cells[0], turns, self._geometry)

    def beta_m(self, sweep_pct: float) -> float:
        """Ductor feed per sheet at this sweep: half the stripe, spread over the sheets of a stroke."""
        return self._train.beta_ref_m * sweep_pct / self._train.sweep_ref_pct

    def sheets(self, metered_um: Array, factor: Array, sweep_pct: float) -> Array:
        """Print one sheet for each ``factor`` on the metered film, the sweep held; films of shape (sheets, zones)."""
        film = np.zeros((1, len(factor), len(metered_um)))
        settings = Settings(
            stripe=np.array([2.0 * STROKE_EVERY_SHEETS * self.beta_m(sweep_pct) / CELL_M]),
            feed=np.ascontiguousarray(metered_um)[np.newaxis],
            factor=np.ascontiguousarray(factor)[np.newaxis],
            coverage=self._coverage,
            paper=np.array([[self.paper.smooth, self.paper.held_um, self.paper.split]]),
            spread=self._spread,
        )
        pass_sheets(self._geometry, self._ink, settings, film)
        printed: Array = film[0]
        self._film = printed[-1].copy()
        return printed

    def settled_film_um(self, metered_um: Array, sweep_pct: float) -> Array:
        """Mean film of a round after very many sheets under these settings; this inker itself stays as it is.

        Raises ValueError when the film is still changing after 20,000 sheets.
        """
        trial = self._copy()
        before: Array = np.zeros_like(metered_um)
        for _ in range(MOST_SHEETS // ROUND_SHEETS):
            now: Array = trial.sheets(metered_um, np.ones(ROUND_SHEETS), sweep_pct).mean(axis=0)
            if np.all(np.abs(now - before) <= SETTLED_WITHIN * np.maximum(now, 1e-6)):
                return now
            before = now
        raise ValueError(f"film after {MOST_SHEETS} sheets: expected settled, it still changes")

    def _copy(self) -> Inker:
        twin = object.__new__(Inker)
        twin.__dict__.update(self.__dict__)
        ink = self._ink
        twin._ink = Ink(ink.cells.copy(), ink.turned.copy(), ink.on_blanket.copy(), ink.fed.copy())
        return twin

    def tau_sheets(self, sweep_pct: float) -> Array:
        """Lag of each zone by the lumped constants, in sheets."""
        coverage, beta_m, form = self._coverage[0], self.beta_m(sweep_pct), self._lumped
        stored = form.s0_m + form.s1_m * coverage
        spent = coverage * IMAGE_CELLS * CELL_M + beta_m * (form.c0 + form.c1 * coverage)
        lag: Array = stored / spent
        return lag
