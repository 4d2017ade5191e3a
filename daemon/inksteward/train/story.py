"""The faults of a run: when each was made, when the service first spoke of it, when the person acted. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from inksteward.train.fates import decided
from inksteward.train.record import Row, Run
from inksteward.train.signs import SIGNS, Signs
from inksteward_simulators.fault_plan import PlannedFault
from inksteward_simulators.link_messages import Patch


@dataclass(frozen=True, slots=True)
class Told:
    """Something that was said or done: the sheet and the words. ``named``: a word for a fault of this kind, and not
    only a proposal that answers it."""

    sheet: int
    words: str
    named: bool = True


@dataclass(frozen=True, slots=True)
class Story:
    """One fault that was made. ``spoke`` and ``acted``: None where nobody did; ``silent``: nothing is to be said."""

    fault: PlannedFault
    spoke: Told | None
    acted: Told | None
    silent: bool


def stories(
    run: Run, faults: Sequence[PlannedFault], strip: Sequence[Patch], inks: dict[str, str]
) -> list[Story]:
    """Faults whose sheet was printed, in their order; ``strip`` as it is laid, ``inks`` unit -> ink."""
    made = sorted(
        (fault for fault in faults if fault.at_sheet < run.printed), key=lambda fault: fault.at_sheet
    )
    return [_story(run, fault, strip, inks) for fault in made]


def _story(run: Run, fault: PlannedFault, strip: Sequence[Patch], inks: dict[str, str]) -> Story:
    signs = SIGNS[fault.kind]
    if signs.silent:
        return Story(fault, None, None, silent=True)
    dirty = _patches(fault, strip, inks)
    place, spoke = next(_words(run, fault, signs, dirty), (None, None))
    acted = None if place is None else next(_acts(run, place, fault.unit), None)
    return Story(fault, spoke, acted, silent=False)


def _patches(fault: PlannedFault, strip: Sequence[Patch], inks: dict[str, str]) -> set[int] | None:
    """Indices of the solids of the fault's unit; None for a fault that belongs to no unit: any patch."""
    if fault.unit is None:
        return None
    solid = ("solid", (inks[fault.unit],))
    return {index for index, patch in enumerate(strip) if (patch.kind, patch.inks) == solid}


def _words(
    run: Run, fault: PlannedFault, signs: Signs, patches: set[int] | None
) -> Iterator[tuple[int, Told]]:
    """What the service said of it with the place in the rows: words that name it; if there are none, a proposal."""
    found = list(_naming(run, fault, signs, patches))
    if not found and signs.proposal:
        found = list(_answering(run, fault))
    yield from found


def _naming(
    run: Run, fault: PlannedFault, signs: Signs, patches: set[int] | None
) -> Iterator[tuple[int, Told]]:
    stood: set[tuple[Any, ...]] = set()
    for place, row in enumerate(run.rows):
        after = row.sheet >= fault.at_sheet
        if row.topic == "alarm" and row.data:
            alarms = {_key(each): each for each in row.data["alarms"]}
            for key in alarms.keys() - stood if after else ():
                if _is_alarm_of(alarms[key], fault, signs):
                    yield place, Told(row.sheet, f"alarm: {alarms[key]['text']}")
            stood = set(alarms)
        elif row.topic == "reading" and row.data and row.data["sheet"] >= fault.at_sheet:
            yield from (
                (place, Told(row.sheet, words)) for words in _reading(row.data, fault, signs, patches)
            )
        elif _is_proposal(row, fault):
            yield from ((place, Told(row.sheet, words)) for words in _notes(row.data["notes"], fault, signs))


def _key(alarm: dict[str, Any]) -> tuple[Any, ...]:
    return alarm["code"], alarm["unit"], alarm["zone"], alarm["since"], alarm["count"]


def _is_alarm_of(alarm: dict[str, Any], fault: PlannedFault, signs: Signs) -> bool:
    same_unit = fault.unit is None or alarm["unit"] in (None, fault.unit)
    same_zone = fault.zone is None or alarm["zone"] in (None, fault.zone)
    return alarm["code"] in signs.alarms and same_unit and same_zone


def _reading(
    data: dict[str, Any], fault: PlannedFault, signs: Signs, patches: set[int] | None
) -> Iterator[str]:
    yield from _notes(data.get("notes", ()), fault, signs)
    for name, unit in data["units"].items():
        if fault.unit not in (None, name):
            continue
        if unit["no_proposal"] in signs.none:
            yield f"{name}: no proposal, {unit['no_proposal'].replace('_', ' ')}"
        if signs.unread and fault.zone is not None and unit["patches"][fault.zone - 1] == 0:
            yield f"{name}: zone {fault.zone} not read"
    aside = [row for row in data["set_aside"] if row["code"] in signs.set_aside]
    yield from (
        f"patch set aside: {row['text']}" for row in aside if patches is None or row["index"] in patches
    )


def _notes(notes: Sequence[dict[str, Any]], fault: PlannedFault, signs: Signs) -> Iterator[str]:
    for note in notes:
        here = fault.zone is None or not note["zones"] or fault.zone in note["zones"]
        if note["code"] in signs.notes and here:
            yield f"note: {note['text']}"


def _is_proposal(row: Row, fault: PlannedFault) -> bool:
    """A proposal for the fault's unit that rests on a sheet printed with it."""
    if not row.topic.startswith("proposal/") or not row.data or row.data["sheet"] < fault.at_sheet:
        return False
    return fault.unit in (None, row.data["unit"])


def _answering(run: Run, fault: PlannedFault) -> Iterator[tuple[int, Told]]:
    for place, row in enumerate(run.rows):
        if _is_proposal(row, fault):
            words = f"proposal for {row.data['unit']}, by which it answers what it reads"
            yield place, Told(row.sheet, words, named=False)


def _acts(run: Run, place: int, unit: str | None) -> Iterator[Told]:
    """What the person did from this place in the rows on that concerns this unit, or the press."""
    units = {row.data["proposal_id"]: row.data["unit"] for row in run.of("proposal/")}
    for row in run.rows[place:]:
        if row.topic == "request" and row.data.get("unit") in (None, unit):
            code = f" {row.data['code']}" if row.data.get("code") else ""
            yield Told(row.sheet, f"{row.data['kind']}{code}")
        elif row.topic == "decision" and unit in (None, units.get(row.data["proposal_id"])):
            yield Told(row.sheet, f"{units.get(row.data['proposal_id'], 'proposal')}: {decided(row.data)}")
