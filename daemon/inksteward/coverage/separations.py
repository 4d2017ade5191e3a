"""Separations of a prepress file to the units that print them: nothing is guessed, nothing left out untold."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from inksteward.coverage.errors import CoverageError
from inksteward.model import Press, Unit

PROCESS = {"Cyan": "C", "Magenta": "M", "Yellow": "Y", "Black": "K"}
"""Names that XJDF, JDF and PPF give the process inks (from memory of the specifications), and the contract's."""
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Separation(Generic[T]):
    """One ink of one side of one sheet, as its file names it. ``side`` is front or back, None if the file says none."""

    sheet: str
    side: str | None
    name: str
    data: T

    def words(self) -> str:
        """Where it stands, in words."""
        side = f" of the {self.side}" if self.side else ""
        return f"separation {self.name!r}{side}{f' of sheet {self.sheet!r}' if self.sheet else ''}"


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the caller says.

    ``pairs``: separation and unit, as stated. ``without``: separations, and units of the job, to leave aside.
    ``inks``: unit -> ink of the job, None without a job. ``sheet``: None if there is but one. ``side``: the side of
    the file that all units print, None if each unit takes its own.
    """

    pairs: tuple[tuple[str, str], ...] = ()
    without: frozenset[str] = frozenset()
    inks: Mapping[str, str] | None = None
    sheet: str | None = None
    side: str | None = None


def matched(
    file: str, found: Sequence[Separation[T]], press: Press, wanted: Wanted
) -> tuple[list[tuple[Unit, Separation[T]]], list[str]]:
    """Unit and separation of each pair in the press's order, and notes on what was left aside.

    A separation belongs to the unit that ``pairs`` gives it, else to the one whose ink in the job has its name. Raises
    CoverageError for one that belongs nowhere or to two units, for two of one name, for a unit of the job without one,
    for a sheet that is not said, and for words that name nothing.
    """
    here = _of_sheet(file, found, wanted.sheet)
    _check_once(file, here)
    _check_words(file, here, press, wanted)
    pairs: dict[str, tuple[Unit, Separation[T]]] = {}
    notes = []
    for one in here:
        aside = _aside(one, press, wanted)
        if aside is not None:
            notes.append(f"{one.words()} is left aside: {aside}")
            continue
        unit = _unit(file, one, press, wanted)
        if unit.unit in pairs:
            both = f"{pairs[unit.unit][1].words()} and {one.words()}"
            raise CoverageError(file, f"{unit.unit} for {both}", "one separation for each unit")
        pairs[unit.unit] = (unit, one)
    _check_all(file, here, pairs, wanted)
    return [pairs[unit.unit] for unit in press.units if unit.unit in pairs], notes


def _of_sheet(file: str, found: Sequence[Separation[T]], sheet: str | None) -> list[Separation[T]]:
    sheets = {one.sheet for one in found}
    if sheet is None and len(sheets) > 1:
        raise CoverageError(file, f"{len(sheets)} sheets", f"--sheet with one of {_listed(sheets)}")
    if sheet is not None and sheet not in sheets:
        raise CoverageError("--sheet", sheet, f"a sheet of {file}: {_listed(sheets)}")
    return list(found) if sheet is None else [one for one in found if one.sheet == sheet]


def _check_once(file: str, here: Sequence[Separation[T]]) -> None:
    for number, one in enumerate(here):
        for other in here[:number]:
            if one.name == other.name and (one.side == other.side or None in (one.side, other.side)):
                raise CoverageError(file, f"{one.words()} stands twice", "one of each ink on a side")


def _check_words(file: str, here: Sequence[Separation[T]], press: Press, wanted: Wanted) -> None:
    """Raises CoverageError for a name in what the caller says that names nothing."""
    names = {one.name for one in here}
    for name, unit in wanted.pairs:
        if name not in names:
            raise CoverageError("--separation", name, f"a separation of {file}: {_listed(names)}")
        if press.unit(unit) is None:
            known = _listed(unit.unit for unit in press.units)
            raise CoverageError("--separation", f"{name}={unit}", f"a unit of {press.press}: {known}")
    unused = wanted.without - names - set(wanted.inks or ())
    if unused:
        raise CoverageError(
            "--without", _listed(unused), f"separations of {file} ({_listed(names)}) or units of the job"
        )


def _aside(one: Separation[T], press: Press, wanted: Wanted) -> str | None:
    """Why the separation is not wanted; None if it is."""
    if one.name in wanted.without:
        return "--without"
    if one.side is None:
        return None
    if wanted.side is not None:
        return None if one.side == wanted.side else f"--side {wanted.side}"
    return (
        None
        if any(unit.side == one.side for unit in press.units)
        else "no unit of the press prints that side"
    )


def _unit(file: str, one: Separation[T], press: Press, wanted: Wanted) -> Unit:
    """The unit that prints it. Raises CoverageError where there is none, or more than one."""
    stated = {unit for name, unit in wanted.pairs if name == one.name}
    ink = (one.name, PROCESS.get(one.name, one.name))
    by_ink = {unit for unit, name in (wanted.inks or {}).items() if name in ink}
    side = one.side if wanted.side is None else None
    units = [unit for unit in press.units if unit.unit in (stated or by_ink) and side in (None, unit.side)]
    if len(units) != 1:
        told = "no unit" if not units else " and ".join(unit.unit for unit in units)
        raise CoverageError(
            file,
            f"{one.words()} belongs to {told}",
            f"--separation {one.name}=UNIT, a --job where one unit of that side prints it, or --without {one.name}",
        )
    return units[0]


def _check_all(file: str, here: Sequence[Separation[T]], pairs: Mapping[str, object], wanted: Wanted) -> None:
    missing = set(wanted.inks or ()) - set(pairs) - wanted.without
    if missing or not pairs:
        told = (
            f"no separation for {_listed(missing)} of the job"
            if missing
            else "no separation that is wanted (--side, --without)"
        )
        names = _listed(one.words() for one in here)
        raise CoverageError(file, told, f"one for each unit (it has {names}), or --without UNIT")


def _listed(words: Iterable[str]) -> str:
    return ", ".join(sorted(words)) or "none"
