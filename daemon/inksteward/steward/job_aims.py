"""The aims of a job: its own, or those of the printing condition that it names, for wet sheets."""

from __future__ import annotations

from dataclasses import dataclass

from inksteward.config import aim_errors
from inksteward.contract.base import FieldError, shown
from inksteward.contract.inputs import Job, JobUnit
from inksteward.model import Condition, ConditionInk, DensityBasis, Ink, Unit
from inksteward.steward.turn import Turn


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a job asks of a unit: an aim for each zone (D, as wet sheets read), None: not controlled; low and high end
    of the tolerance, D about the aim.
    """

    aims: tuple[float, ...] | None
    tolerance: tuple[float, float]


def condition_of(turn: Turn, job: Job, errors: list[FieldError]) -> Condition | None:
    """The printing condition that the job names. One that is unknown, or whose densities are of another basis, is an
    error.
    """
    if job.condition is None:
        return None
    found = turn.config.condition(job.condition)
    if found is None:
        names = ", ".join(item.condition for item in turn.config.conditions) or "none is configured"
        errors.append(
            FieldError("condition", shown(job.condition), f"a configured printing condition: {names}")
        )
        return None
    if found.basis is not None:
        _same_basis(job, found.basis, found.condition, errors)
    return found


def _same_basis(job: Job, basis: DensityBasis, name: str, errors: list[FieldError]) -> None:
    for member in ("status", "polarised", "paper_relative", "dry"):
        got, wanted = getattr(job.basis, member), getattr(basis, member)
        if got != wanted:
            words = f"{shown(wanted)}, the basis of printing condition {name}"
            errors.append(FieldError(f"basis.{member}", shown(got), words))


def wanted_of(
    turn: Turn, job: Job, row: JobUnit, unit: Unit, ink: Ink, where: str, errors: list[FieldError]
) -> Wanted:
    """Aims and tolerance of a row of the job. What the row does not name comes from the printing condition; an aim that
    is null is no aim. Aims of dry sheets are raised by the ink's dry-back, and refused where it was not measured.
    """
    condition = None if job.condition is None else turn.config.condition(job.condition)
    said = condition.of(row.ink) if condition is not None else None
    tolerance = (
        row.tolerance or (said.tolerance if said is not None else None) or turn.config.control.tolerance
    )
    if not tolerance[0] < 0.0 < tolerance[1]:
        expected = "a low end below 0 and a high end above 0"
        errors.append(FieldError(f"{where}.tolerance", shown(tolerance), expected))
    aim = _aim(row, said)
    if aim is None and condition is not None and "aim" not in row.model_fields_set:
        words = (
            f"an aim, or null: printing condition {condition.condition} states no density of ink {row.ink}"
        )
        errors.append(FieldError(f"{where}.aim", "missing", words))
    if aim is None:
        return Wanted(None, tolerance)
    more = _dry_back(turn, job, row, where, errors)
    aim = tuple(value + more for value in aim) if isinstance(aim, tuple) else aim + more
    aims = aim if isinstance(aim, tuple) else (aim,) * unit.zones
    if len(aims) != unit.zones:
        errors.append(FieldError(f"{where}.aim", f"{len(aims)} values", f"one value or {unit.zones}"))
    errors.extend(aim_errors(aim, ink, f"{where}.aim"))
    return Wanted(tuple(float(value) for value in aims), tolerance)


def _aim(row: JobUnit, said: ConditionInk | None) -> float | tuple[float, ...] | None:
    if "aim" in row.model_fields_set or said is None:
        return row.aim
    return said.density


def _dry_back(turn: Turn, job: Job, row: JobUnit, where: str, errors: list[FieldError]) -> float:
    """How much higher than a dry one a wet sheet must read, D: only what was measured counts."""
    if not job.basis.dry:
        return 0.0
    measured = turn.config.dry_back.get(row.ink)
    if measured is None:
        words = f"aims of wet sheets (basis.dry false), or a measured dry_back_d of ink {row.ink} in the configuration"
        errors.append(FieldError(f"{where}.aim", "an aim of dry sheets", words))
        return 0.0
    return measured
