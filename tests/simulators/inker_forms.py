"""Inkers roller by roller for tests: only what differs from a usual one is said."""

import numpy as np

from inksteward_simulators.press.inker import Inker
from inksteward_simulators.press.paper import PAPERS, PaperKind
from inksteward_simulators.press.press import Press
from inksteward_simulators.press.reveal import truth
from inksteward_simulators.press.rollers import CELL_M, IMAGE_CELLS, Make, lumped, plan_of
from inksteward_simulators.scenario_forms import Train

SWEEP = 50.0
IMAGE_M = IMAGE_CELLS * CELL_M
UNEVEN = (0.05, 0.12, 0.25, 0.4, 0.6, 1.0)
ROUND = 60


def inker_of(
    coverage: tuple[float, ...] = UNEVEN,
    make: Make = "middle",
    *,
    stroke_mm: float = 20.0,
    paper: PaperKind = "coated",
    scale: float = 1.0,
    train: Train | None = None,
) -> Inker:
    """An empty inker; zones are 32.5 mm wide."""
    return Inker(
        np.array(coverage),
        plan_of(make).scaled(scale),
        stroke_mm=stroke_mm,
        pitch_mm=32.5,
        paper=PAPERS[paper],
        train=train or Train(),
    )


def needed_um(inker: Inker, coverage: float, film_um: float = 1.0) -> np.ndarray:
    """Film on the fountain roller for this film on paper by the lumped constants, same in all zones."""
    form = lumped(inker.plan)
    each = film_um * (coverage * IMAGE_M / inker.beta_m(SWEEP) + form.c0 + form.c1 * coverage)
    return np.full(len(inker.volume), each)


def running(coverage: float, make: Make = "middle", sheets: int = 3000, scale: float = 1.0) -> Inker:
    """An even inker of three zones that has settled near 0.8 um."""
    inker = inker_of((coverage,) * 3, make, scale=scale)
    inker.sheets(needed_um(inker, coverage, 0.8), np.ones(sheets), SWEEP)
    return inker


def shown(press: Press) -> str:
    return truth(press).model_dump_json() + repr(press.pull().patch(("C",), 100.0, 50.0, 5.0))
