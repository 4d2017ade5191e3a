"""Which rollers an inker has, which of them touch, and what that comes to: its lumped constants.

A plan is geometry only. Every surface runs at the speed of the plate, so surfaces are cut into cells of one
length, ``CELL_M``, and rollers have whole numbers of cells. Plans are invented; their sizes are those usual for
one-metre presses (common practice, no source).

The lumped constants follow from equal splitting at every nip (e.g. Mill 1961; MacPhee, Fundamentals of
Lithographic Printing, 1998; both from memory) for films that do not vary along a surface between two nips. With
``a`` the coverage and y the film printed: film that the ductor meets per film printed ``c0 + c1 a``, ink stored
``s0 + s1 a`` (m).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import Literal, get_args

import numpy as np

CELL_M = 0.05
PLATE_CELLS = 17
IMAGE_CELLS = 14
BLANKET_AT, PAPER_AT = 9, 13
"""Where on its way round, in cells from the first form roller, the plate meets the blanket and its print the paper."""
STROKE_EVERY_SHEETS = 2
"""Plate revolutions from one stroke of the ductor to the next."""
TRANSFER_NOMINAL = 0.58
"""Share of the ink on the blanket that goes to coated paper at working films: Walker and Fetsko (`paper.py`)."""

Make = Literal["short", "middle", "long"]
MAKES: tuple[Make, ...] = get_args(Make)


@dataclass(frozen=True, slots=True)
class Roller:
    """A roller of ``cells`` around; one that oscillates also moves sideways."""

    name: str
    cells: int
    oscillates: bool = False


@dataclass(frozen=True, slots=True)
class Nip:
    """Two rollers (by number) that touch, each at a place counted in cells around it, in the sense of turning."""

    one: int
    at_one: int
    other: int
    at_other: int


@dataclass(frozen=True, slots=True)
class Plan:
    """An inker. Roller 0 is the ductor, which touches roller 1; ``forms``: roller on the plate, place, plate cell."""

    rollers: tuple[Roller, ...]
    nips: tuple[Nip, ...]
    forms: tuple[tuple[int, int, int], ...]

    @property
    def cells(self) -> int:
        """Cells of all rollers together, without plate and blanket."""
        return sum(roller.cells for roller in self.rollers)

    def scaled(self, factor: float) -> Plan:
        """The same inker with circumferences times ``factor``, to whole cells, at least 2: stores more or less ink."""
        rollers = tuple(
            replace(roller, cells=max(2, round(roller.cells * factor))) for roller in self.rollers
        )
        return _placed(
            rollers, tuple((nip.one, nip.other) for nip in self.nips), tuple(f[0] for f in self.forms)
        )


def _placed(rollers: tuple[Roller, ...], pairs: tuple[tuple[int, int], ...], forms: tuple[int, ...]) -> Plan:
    """Spread each roller's nips evenly around it, in the order in which they are named."""
    ends = [end for pair in pairs for end in pair] + list(forms)
    met = [0] * len(rollers)

    def place(roller: int) -> int:
        met[roller] += 1
        return (met[roller] - 1) * rollers[roller].cells // ends.count(roller)

    nips = tuple(Nip(one, place(one), other, place(other)) for one, other in pairs)
    plate = [2 * number for number in range(len(forms))]
    return Plan(
        rollers, nips, tuple((form, place(form), cell) for form, cell in zip(forms, plate, strict=True))
    )


_ROLLERS: dict[Make, tuple[str, str, str]] = {
    "short": (
        "ductor:4 first:5* upper:5 middle:5* form-1:4 form-2:5 rider:3",
        "ductor-first first-upper upper-middle middle-form_1 middle-form_2 middle-rider",
        "form_1 form_2",
    ),
    "middle": (
        "ductor:4 first:5* upper:5 centre:5* left:4 right:5 back:5* front:4* form-1:4 form-2:5 form-3:4 rider:3",
        "ductor-first first-upper upper-centre centre-left centre-right left-back right-front back-form_1 "
        "back-form_2 front-form_3 centre-rider",
        "form_1 form_2 form_3",
    ),
    "long": (
        "ductor:4 first:5* upper:5 second:4 centre:6* left:5 right:5 back:5* front:5* lower:5 low:4* "
        "form-1:4 form-2:5 form-3:5 form-4:4 rider-1:3 rider-2:3 rider-3:3",
        "ductor-first first-upper upper-second second-centre centre-left centre-right left-back right-front "
        "back-form_1 back-form_2 front-lower lower-low low-form_3 low-form_4 centre-rider_1 back-rider_2 front-rider_3",
        "form_1 form_2 form_3 form_4",
    ),
}


@cache
def plan_of(make: Make) -> Plan:
    """The named inker: ``short`` has two form rollers, ``middle`` three, ``long`` four."""
    named, touching, forms = _ROLLERS[make]
    rollers = []
    for word in named.split():
        name, cells = word.rsplit(":", 1)
        rollers.append(Roller(name, int(cells.rstrip("*")), cells.endswith("*")))
    numbers = {roller.name.replace("-", "_"): number for number, roller in enumerate(rollers)}
    pairs = tuple(
        (numbers[one], numbers[other]) for one, other in (pair.split("-") for pair in touching.split())
    )
    return _placed(tuple(rollers), pairs, tuple(numbers[name] for name in forms.split()))


@dataclass(frozen=True, slots=True)
class Lumped:
    """Constants of the one-capacitance model; lengths in m, see the head of this module."""

    c0: float
    c1: float
    s0_m: float
    s1_m: float


def lumped(plan: Plan, transfer: float = TRANSFER_NOMINAL) -> Lumped:
    """The inker's lumped constants: its steady state at two coverages, which fixes two straight lines."""
    (film_0, store_0), (film_1, store_1) = _steady(plan, 0.0, transfer), _steady(plan, 1.0, transfer)
    return Lumped(film_0, film_1 - film_0, store_0, store_1 - store_0)


def _steady(plan: Plan, coverage: float, transfer: float) -> tuple[float, float]:
    """Film on the first roller as it comes to the ductor, and ink stored (um m), while 1 um is printed.

    Unknown are the films that leave each nip. Two surfaces leave a nip alike, but a form roller touches the plate on
    ``share`` of its surface only. The ductor is one with the first roller: it has given up its ink when it comes again.
    """
    share = coverage * IMAGE_CELLS / PLATE_CELLS
    first_form, forms = len(plan.nips), len(plan.forms)
    rows, comes = _Rows(first_form + 2 * forms), _coming(plan)
    rows.add({0: 1.0, comes[0, 1]: -1.0}, share)
    for number, nip in enumerate(plan.nips[1:], 1):
        rows.add({number: 1.0}, 0.0, {comes[number, nip.one]: -0.5}, {comes[number, nip.other]: -0.5})
    for form, (roller, _, _) in enumerate(plan.forms):
        leaves, plate = first_form + form, first_form + forms + form
        met = comes[leaves, roller]
        # the first form meets what the blanket left on the plate, which is the film of both
        known_um, before = (0.0, {plate - 1: -0.5}) if form else (1.0 / transfer, {})
        rows.add({plate: 1.0}, 0.5 * known_um, {met: -0.5}, before)
        rows.add({leaves: 1.0, plate: -share}, 0.0, {met: share - 1.0})
    rows.add({first_form + 2 * forms - 1: 1.0}, (1.0 + transfer) / transfer)
    films = rows.solved()
    return films[comes[0, 1]], _stored(plan, films, coverage, transfer)


class _Rows:
    """Linear equations gathered one by one; what stands in several parts is added up."""

    def __init__(self, unknowns: int) -> None:
        self._unknowns = unknowns
        self._left: list[list[float]] = []
        self._right: list[float] = []

    def add(self, left: dict[int, float], right: float, *more: dict[int, float]) -> None:
        """One equation: sum of factors times unknowns equals ``right``."""
        row = [0.0] * self._unknowns
        for part in (left, *more):
            for unknown, factor in part.items():
                row[unknown] += factor
        self._left.append(row)
        self._right.append(right)

    def solved(self) -> list[float]:
        """The unknowns. Ink is conserved, so one equation follows from the others: least squares, no remainder."""
        found, *_ = np.linalg.lstsq(np.array(self._left), np.array(self._right), rcond=None)
        return [float(value) for value in found]


def _passages(plan: Plan) -> dict[int, list[tuple[int, int]]]:
    """Per roller its nips in the order of turning: (place, number); form nips are numbered after the others."""
    order: dict[int, list[tuple[int, int]]] = {number: [] for number in range(len(plan.rollers))}
    for number, nip in enumerate(plan.nips):
        order[nip.one].append((nip.at_one, number))
        order[nip.other].append((nip.at_other, number))
    for number, (roller, place, _) in enumerate(plan.forms):
        order[roller].append((place, len(plan.nips) + number))
    return {roller: sorted(found) for roller, found in order.items()}


def _coming(plan: Plan) -> dict[tuple[int, int], int]:
    """(nip, roller) -> the nip that this roller's surface left last before it."""
    return {
        (number, roller): found[index - 1][1]
        for roller, found in _passages(plan).items()
        for index, (_, number) in enumerate(found)
    }


def _stored(plan: Plan, films: list[float], coverage: float, transfer: float) -> float:
    total = 0.0
    for roller, found in _passages(plan).items():
        for index, (place, number) in enumerate(found):
            following = found[(index + 1) % len(found)][0]
            cells = (following - place) % plan.rollers[roller].cells or plan.rollers[roller].cells
            total += cells * films[number]
    plate = [films[len(plan.nips) + len(plan.forms) + form] for form in range(len(plan.forms))]
    places = [cell for *_, cell in plan.forms] + [BLANKET_AT]
    on_plate = sum(film * (b - a) for film, a, b in zip(plate, places, places[1:], strict=False))
    on_plate += (1.0 / transfer) * (PLATE_CELLS - BLANKET_AT + places[0])
    left = PAPER_AT - BLANKET_AT
    on_blanket = (left + (PLATE_CELLS - left) * (1.0 - transfer)) / transfer
    return (total + coverage * IMAGE_CELLS / PLATE_CELLS * (on_plate + on_blanket)) * CELL_M
