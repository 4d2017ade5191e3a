"""Each scan is held against those before it: what is found that keys cannot cure, and which moves it forbids."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from inksteward.contract.codes import NoteCode
from inksteward.contract.inputs import Scan
from inksteward.contract.outputs import Note
from inksteward.diagnosis import Finding, Place, diagnose
from inksteward.model import Unit
from inksteward.reading import ScanReading
from inksteward.steward.shadow import seen
from inksteward.steward.sighting import accepted_grey, sighting
from inksteward.steward.state import Course, Run
from inksteward.steward.turn import Turn

TOLD_SURE = 0.8
"""Surety from which a finding is told: a false one costs the operator a walk to the press."""
HELD_SURE = 0.95
"""Surety from which a finding keeps keys from moving."""
OWN_RULES = frozenset({NoteCode.NO_RESPONSE, NoteCode.TRAP_DOWN})
"""What watching.py finds by rules of its own, from executed moves and from solids on aim."""
FORGET = {
    "wash": "wash",
    "ink": "ink",
    "paper": "paper",
    "water": "water",
    "plate": "plate",
    "speed": "stop",
    "blade": "stop",
}
"""What the diagnosis forgets after an event that an operator tells of."""
PATIENCE = {NoteCode.WATER_HIGH: 2, NoteCode.COMMON_LOSS: 2}
"""Scans in a row for which a finding holds keys, where keys may yet be what is left to do: until then somebody has
looked at the press."""
NEVER_HOLDS = frozenset({NoteCode.SHORTAGE, NoteCode.WHOLE_FORM_FULL, NoteCode.SLOW_DRIFT})
"""Findings that are told and left to the control law: it has a sweep to mend them with."""


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What one scan gives reason to suspect, and the places whose keys are left alone for it."""

    findings: tuple[Finding, ...] = ()
    held: frozenset[Place] = frozenset()

    def holds(self, unit: str) -> bool:
        """Whether every key of the unit is left alone."""
        return (unit, None) in self.held

    def doubted(self, unit: Unit) -> tuple[bool, ...]:
        """Zones whose keys are left alone."""
        return tuple((unit.unit, zone + 1) in self.held for zone in range(unit.zones))

    def notes(self, said: Mapping[str, frozenset[NoteCode]]) -> list[Note]:
        """The findings as notes, without those that another rule has told of the same unit (``said``: by unit)."""
        return [
            _note(finding)
            for finding in self.findings
            if not any(_code(finding) in said.get(unit, ()) for unit in finding.units)
        ]


NONE = Diagnosis()


def _code(finding: Finding) -> NoteCode:
    return NoteCode(finding.code.value)


def _note(finding: Finding) -> Note:
    return Note(
        code=_code(finding),
        zones=finding.zones,
        text=f"{finding.seen} (sure to {100.0 * finding.sure:.0f} %)",
        remedy=finding.check,
    )


def diagnosed(
    turn: Turn, run: Run, scan: Scan, sheet: int, read: ScanReading, units: list[Unit]
) -> Diagnosis:
    """Judge a scan of the whole strip and remember it; a hand-held reading or a part of a strip is not compared."""
    if scan.extent != "full" or scan.instrument.kind == "hand":
        return NONE
    course = run.course.get(scan.side, Course())
    sight = sighting(turn, course, scan, sheet, read, units)
    memory, found = diagnose(course.memory, sight)
    told = tuple(
        finding for finding in found if finding.sure >= TOLD_SURE and _code(finding) not in OWN_RULES
    )
    again = {_name(finding): course.told.get(_name(finding), 0) + 1 for finding in told}
    fresh = Course(memory, (), course.grey, accepted_grey(read) or course.last_grey, again)
    turn.put_run(replace(run, course={**run.course, scan.side: fresh}))
    for unit in units:
        state = turn.unit(unit.unit)
        if state.shadow is not None:
            turn.put(replace(state, shadow=seen(state.shadow)))
    held = [finding.suppresses for finding in told if _holds(finding, again[_name(finding)])]
    return Diagnosis(told, frozenset().union(*held))


def _name(finding: Finding) -> str:
    return "/".join((finding.code.value, *finding.units, *(str(zone) for zone in finding.zones)))


def _holds(finding: Finding, times: int) -> bool:
    """Whether a finding keeps keys from moving that was told so many scans in a row."""
    code = _code(finding)
    patient = times <= PATIENCE.get(code, times)
    return finding.sure >= HELD_SURE and code not in NEVER_HOLDS and patient


def happened(turn: Turn, kind: str, unit: str | None = None) -> None:
    """Something happened at the press that the diagnosis has to know of at the next scan of each side."""
    run = turn.run
    if run is None:
        return
    event = f"{kind}:{unit}" if unit else kind
    sides = {item.side.value for item in turn.config.press.units}
    course = {side: run.course.get(side, Course()) for side in sorted(sides)}
    told = {
        side: item if event in item.events else replace(item, events=(*item.events, event))
        for side, item in course.items()
    }
    turn.put_run(replace(run, course=told))


def accepted(turn: Turn) -> None:
    """The operator accepted a sheet: its grey patches are the measure from now on."""
    happened(turn, "ok_sheet")
    run = turn.run
    if run is not None:
        course = {side: replace(item, grey=item.last_grey) for side, item in run.course.items()}
        turn.put_run(replace(run, course=course))
