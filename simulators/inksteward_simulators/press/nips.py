"""Ink from nip to nip, cell by cell: the inner loop of the physical press.

At a nip two surfaces meet and part with half of the ink of both (equal film splitting, e.g. Mill 1961; MacPhee,
Fundamentals of Lithographic Printing, 1998; both from memory). Between plate and form roller this happens on the inked
share of the surface only. What the blanket gives to the paper is a share of its film that `paper.py` works out.
No ink is made or lost: fed = printed + gain of what is stored, to rounding.

Compiled by numba, because numpy would spend its time in calls: some 300 nips a sheet work on 32 numbers each.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numba
import numpy as np
from numpy.typing import NDArray

from inksteward_simulators.press.arrays import Array
from inksteward_simulators.press.rollers import (
    BLANKET_AT,
    IMAGE_CELLS,
    PAPER_AT,
    PLATE_CELLS,
    STROKE_EVERY_SHEETS,
    Plan,
)

Whole = NDArray[np.int64]
MOST_SWAPPED = 0.25
"""More at once than half of their difference, and neighbours would change places instead of coming nearer."""


class Geometry(NamedTuple):
    """What touches what. ``rollers`` (rollers, 2): where a roller's cells begin and how many they are; ``nips``
    (nips, 4): roller and its shift, twice; ``forms`` (forms, 3): roller, its shift, the plate's; a stroke of the ductor
    comes ``every`` so many sheets.

    A place p around a roller of n cells sees cell (t - p) mod n at surface step t; its shift is n - p.
    """

    rollers: Whole
    nips: Whole
    forms: Whole
    every: int


class Ink(NamedTuple):
    """Where the ink of many inkers is; changed by printing. ``cells`` (inkers, cells, zones) films in um, rollers
    first, then plate and blanket; ``turned`` (inkers,) sheets so far; ``on_blanket`` (inkers, zones) mean film that lay
    before the last impression; ``fed`` (inkers, zones) taken from the fountain, um times cells."""

    cells: Array
    turned: Whole
    on_blanket: Array
    fed: Array


class Settings(NamedTuple):
    """What is set at each inker. ``stripe`` (inkers,) cells a stroke; ``feed`` (inkers, zones) um on the fountain
    roller, times ``factor`` (inkers, sheets); ``coverage`` (inkers, zones); ``paper`` (inkers, 3) as in `paper.py`;
    ``spread`` (inkers, rollers) parts of their difference that neighbouring zones swap in a sheet."""

    stripe: Array
    feed: Array
    factor: Array
    coverage: Array
    paper: Array
    spread: Array


def geometry(plan: Plan) -> Geometry:
    """The plan as the loops below take it."""
    sizes = [roller.cells for roller in plan.rollers]
    starts = np.concatenate(([0], np.cumsum(sizes)[:-1]))
    nips = [
        (nip.one, sizes[nip.one] - nip.at_one, nip.other, sizes[nip.other] - nip.at_other)
        for nip in plan.nips
    ]
    forms = [(roller, sizes[roller] - place, PLATE_CELLS - cell) for roller, place, cell in plan.forms]
    return Geometry(
        np.column_stack((starts, sizes)).astype(np.int64),
        np.array(nips, dtype=np.int64),
        np.array(forms, dtype=np.int64),
        STROKE_EVERY_SHEETS,
    )


def _split(cells: Array, one: int, other: int) -> None:
    for zone in range(cells.shape[1]):
        mean = 0.5 * (cells[one, zone] + cells[other, zone])
        cells[one, zone] = mean
        cells[other, zone] = mean


def _split_share(cells: Array, one: int, other: int, share: Array) -> None:
    """``one`` touches on a share of its surface; ``other`` is counted on that share alone."""
    for zone in range(cells.shape[1]):
        mean = 0.5 * (cells[one, zone] + cells[other, zone])
        cells[one, zone] += share[zone] * (mean - cells[one, zone])
        cells[other, zone] = mean


def _stroke(cells: Array, start: int, size: int, stripe: float, feed: Array, fed: Array) -> None:
    """The ductor takes a stripe off the fountain roller, ``stripe`` cells long, and leaves it half of both films."""
    cell = 0
    while stripe > 0.0:
        weight = 0.5 * min(stripe, 1.0)
        row = start + cell % size
        for zone in range(cells.shape[1]):
            taken = weight * (feed[zone] - cells[row, zone])
            cells[row, zone] += taken
            fed[zone] += taken
        stripe -= 1.0
        cell += 1


def _spread(cells: Array, first: int, last: int, part: float, kept: Array) -> None:
    """Neighbouring zones of cells ``first`` up to ``last`` swap ``part`` of their difference; ends are closed."""
    end = cells.shape[1] - 1
    for row in range(first, last):
        for zone in range(end + 1):
            kept[zone] = cells[row, zone]
        for zone in range(1, end):
            cells[row, zone] += part * (kept[zone - 1] - 2.0 * kept[zone] + kept[zone + 1])
        cells[row, 0] += part * (kept[1] - kept[0])
        cells[row, end] += part * (kept[end - 1] - kept[end])


class Paper(NamedTuple):
    """One sheet, by zone: share of the film that it takes, film taken so far (mean over the image), what lay ready."""

    share: Array
    film: Array
    offered: Array


def _give(cells: Array, row: int, paper: Paper) -> None:
    for zone in range(cells.shape[1]):
        there = cells[row, zone]
        given = paper.share[zone] * there
        cells[row, zone] = there - given
        paper.film[zone] += given / IMAGE_CELLS
        paper.offered[zone] += there / IMAGE_CELLS


def _walker_fetsko(film: Array, paper: Array, share: Array) -> None:
    """Shares given, by zone, for mean films on the blanket (um); see `paper.py` for formula and source."""
    smooth, held, split = paper[0], paper[1], paper[2]
    for zone in range(film.shape[0]):
        on_blanket = film[zone]
        if on_blanket <= 0.0:
            share[zone] = 0.0
            continue
        contact = 1.0 - np.exp(-smooth * on_blanket)
        bound = held * (1.0 - np.exp(-on_blanket / held))
        share[zone] = contact * (bound + split * (on_blanket - bound)) / on_blanket


def _places(step: int, shape: Geometry, at: Whole, form_at: Whole) -> None:
    """Which cells lie in each nip at this surface step, made into ``at`` (nips, 2) and ``form_at`` (forms, 2)."""
    rollers, nips, forms = shape.rollers, shape.nips, shape.forms
    for nip in range(nips.shape[0]):
        at[nip, 0] = (step + nips[nip, 1]) % rollers[nips[nip, 0], 1]
        at[nip, 1] = (step + nips[nip, 3]) % rollers[nips[nip, 2], 1]
    for form in range(forms.shape[0]):
        form_at[form, 0] = (step + forms[form, 1]) % rollers[forms[form, 0], 1]
        form_at[form, 1] = (step + forms[form, 2]) % PLATE_CELLS


def _train(cells: Array, first: int, shape: Geometry, at: Whole) -> None:
    """All nips from number ``first`` on meet once; then all surfaces move on by a cell."""
    rollers, nips = shape.rollers, shape.nips
    for nip in range(nips.shape[0]):
        one, other = nips[nip, 0], nips[nip, 2]
        if nip >= first:
            _split(cells, rollers[one, 0] + at[nip, 0], rollers[other, 0] + at[nip, 1])
        # no division here: it would take as long as the ink
        at[nip, 0] = at[nip, 0] + 1 if at[nip, 0] + 1 < rollers[one, 1] else 0
        at[nip, 1] = at[nip, 1] + 1 if at[nip, 1] + 1 < rollers[other, 1] else 0


def _ink_plate(cells: Array, shape: Geometry, at: Whole, coverage: Array) -> None:
    """All form rollers meet the plate once; then all surfaces move on by a cell."""
    rollers, forms = shape.rollers, shape.forms
    plate = cells.shape[0] - 2 * PLATE_CELLS
    for form in range(forms.shape[0]):
        roller = forms[form, 0]
        if at[form, 1] < IMAGE_CELLS:
            _split_share(cells, rollers[roller, 0] + at[form, 0], plate + at[form, 1], coverage)
        at[form, 0] = at[form, 0] + 1 if at[form, 0] + 1 < rollers[roller, 1] else 0
        at[form, 1] = at[form, 1] + 1 if at[form, 1] + 1 < PLATE_CELLS else 0


def _print_sheet(
    cells: Array, step: int, ductor_on: bool, shape: Geometry, coverage: Array, paper: Paper
) -> None:
    """One revolution of the plate from surface step ``step`` on; what the paper takes is added to its film."""
    at = np.empty((shape.nips.shape[0], 2), dtype=np.int64)
    form_at = np.empty((shape.forms.shape[0], 2), dtype=np.int64)
    _places(step, shape, at, form_at)
    plate = cells.shape[0] - 2 * PLATE_CELLS
    for cell in range(PLATE_CELLS):
        _train(cells, 0 if ductor_on else 1, shape, at)
        _ink_plate(cells, shape, form_at, coverage)
        place = (cell + PLATE_CELLS - BLANKET_AT) % PLATE_CELLS
        if place < IMAGE_CELLS:
            _split(cells, plate + place, plate + PLATE_CELLS + place)
        place = (cell + PLATE_CELLS - PAPER_AT) % PLATE_CELLS
        if place < IMAGE_CELLS:
            _give(cells, plate + PLATE_CELLS + place, paper)


def _print_on_one(shape: Geometry, ink: Ink, settings: Settings, film: Array, inker: int) -> None:
    """`pass_sheets` for one inker."""
    cells, feed, rollers = ink.cells[inker], settings.feed[inker], shape.rollers
    share, offered = np.empty(len(feed)), np.empty(len(feed))
    for sheet in range(film.shape[1]):
        _walker_fetsko(ink.on_blanket[inker], settings.paper[inker], share)
        ink.on_blanket[inker, :] = 0.0
        turned = ink.turned[inker] + sheet
        ductor_on = turned % shape.every == 0
        if ductor_on:
            for zone in range(len(feed)):
                offered[zone] = feed[zone] * settings.factor[inker, sheet]
            _stroke(cells, 0, rollers[0, 1], settings.stripe[inker], offered, ink.fed[inker])
        paper = Paper(share, film[inker, sheet], ink.on_blanket[inker])
        _print_sheet(cells, turned * PLATE_CELLS, ductor_on, shape, settings.coverage[inker], paper)
        for roller in range(rollers.shape[0]):
            first, part = rollers[roller, 0], settings.spread[inker, roller]
            times = np.ceil(part / MOST_SWAPPED) if len(feed) > 1 else 0
            for _ in range(times):
                _spread(cells, first, first + rollers[roller, 1], part / times, offered)
    ink.turned[inker] += film.shape[1]


def _pass_sheets(shape: Geometry, ink: Ink, settings: Settings, film: Array) -> None:
    """Print sheets on inkers that know nothing of each other, into ``film`` (inkers, sheets, zones; um; zeros)."""
    for inker in numba.prange(ink.cells.shape[0]):
        print_on_one(shape, ink, settings, film, inker)


def _level(cells: Array, turns: int, shape: Geometry) -> None:
    """Rollers run without plate and feed, forms off: what they hold levels out over ``turns`` plate revolutions."""
    at = np.zeros((shape.nips.shape[0], 2), dtype=np.int64)
    for _ in range(turns * PLATE_CELLS):
        _train(cells, 1, shape, at)


def _compiled(function: Any, *, parallel: bool = False) -> Any:
    return numba.njit(cache=True, error_model="numpy", parallel=parallel)(function)


_split = _compiled(_split)
_split_share = _compiled(_split_share)
_stroke = _compiled(_stroke)
_spread = _compiled(_spread)
_give = _compiled(_give)
_walker_fetsko = _compiled(_walker_fetsko)
_places = _compiled(_places)
_train = _compiled(_train)
_ink_plate = _compiled(_ink_plate)
_print_sheet = _compiled(_print_sheet)
print_on_one = _compiled(_print_on_one)
pass_sheets = _compiled(_pass_sheets)
pass_sheets_on_all_cores = _compiled(_pass_sheets, parallel=True)
level = _compiled(_level)
