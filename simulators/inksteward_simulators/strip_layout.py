"""Where the patches of a strip lie. The strip's own pitch differs from the keys', as on a real colour bar."""

from collections.abc import Iterable, Iterator
from math import ceil
from pathlib import Path
from typing import Annotated, Protocol

from pydantic import Field, TypeAdapter, ValidationError

from inksteward_simulators.link_messages import Patch, Side, State
from inksteward_simulators.scenario import load_scenario
from inksteward_simulators.scenario_forms import Job

WIDEST_PATCH_MM = 5.5
CYCLE_PER_PITCH = 0.74
"""Length over which every ink's solid comes once, per key pitch: 24 mm for keys of 32.5 mm."""

Layout = Annotated[tuple[Patch, ...], Field(min_length=1, max_length=2000)]


class Inked(Protocol):
    """What a strip asks of a unit: of a scenario's, or of a press that runs."""

    @property
    def unit(self) -> str:
        """Its name; solids come in the order of names."""
        ...

    @property
    def ink(self) -> str:
        """What it prints."""
        ...

    @property
    def zones(self) -> int:
        """How many keys it has."""
        ...

    @property
    def pitch_mm(self) -> float:
        """From key to key."""
        ...

    @property
    def first_edge_mm(self) -> float:
        """Where its first zone begins."""
        ...


def cycle_layout(units: Iterable[Inked], job: Job | None = None) -> tuple[Patch, ...]:
    """Solids of every ink in turn and changing control fields, patch beside patch over the whole width.

    Every ink's solid comes once in 0.74 key pitches, with one control field: four inks on keys of 32.5 mm give patches
    of 4.8 mm and a solid of each ink every 24 mm. Where the ``job`` says ``strip_cycle_mm``, that is the length, more
    control fields keep patches below 5.5 mm, and the strip lies on the sheet from edge to edge. Raises ValueError when
    there is no unit.
    """
    printed = sorted(units, key=lambda unit: unit.unit)
    if not printed:
        raise ValueError("units = none: expected at least one unit that prints this side")
    first = printed[0]
    inks = tuple(unit.ink for unit in printed)
    fields = len(inks) + 1
    if job is None or job.strip_cycle_mm is None:
        width_mm = min(WIDEST_PATCH_MM, CYCLE_PER_PITCH * first.pitch_mm / fields)
        begin_mm, length_mm = first.first_edge_mm, first.zones * first.pitch_mm
    else:
        fields = max(fields, ceil(job.strip_cycle_mm / WIDEST_PATCH_MM))
        width_mm = job.strip_cycle_mm / fields
        begin_mm, length_mm = job.left_edge_mm, job.sheet_width_mm
    return tuple(_row(inks, fields, width_mm, begin_mm, int(length_mm / width_mm)))


def _row(inks: tuple[str, ...], fields: int, width_mm: float, begin_mm: float, count: int) -> Iterator[Patch]:
    """So many patches from ``begin_mm`` on; behind the solids of each cycle come its control fields."""
    controls, more = _controls(inks), fields - len(inks)
    for index in range(count):
        cycle, place = divmod(index, fields)
        kind, printed_inks, tone_pct = (
            ("solid", (inks[place],), 100.0)
            if place < len(inks)
            else controls[(cycle * more + place - len(inks)) % len(controls)]
        )
        x_mm = round(begin_mm + (index + 0.5) * width_mm, 2)
        patch = {"x_mm": x_mm, "width_mm": width_mm, "kind": kind, "inks": printed_inks, "tone_pct": tone_pct}
        yield Patch.model_validate(patch)


def _controls(inks: tuple[str, ...]) -> list[tuple[str, tuple[str, ...], float]]:
    fields: list[tuple[str, tuple[str, ...], float]] = [("paper", (), 0.0)]
    fields += [("tint", (ink,), tone_pct) for tone_pct in (50.0, 75.0) for ink in inks]
    pairs = [pair for pair in (("M", "Y"), ("C", "Y"), ("C", "M")) if set(pair) <= set(inks)]
    fields += [("overprint", pair, 100.0) for pair in pairs]
    if {"C", "M", "Y"} <= set(inks):
        fields.append(("grey", ("C", "M", "Y"), 45.0))
    return fields


def layout_of(name: str, state: State, side: Side, scenario: str | None) -> tuple[Patch, ...]:
    """``cycle``, ``scenario`` (that scenario's strip) or a JSON file with an array of patches.

    A scenario that is named with ``cycle`` says how long the strip's cycle is. Raises ValueError or ScenarioError.
    """
    if name == "cycle":
        job = None if scenario is None else load_scenario(scenario).job
        return cycle_layout((unit for unit in state.units if unit.side == side), job)
    if name == "scenario":
        if scenario is None:
            raise ValueError("scenario = none: expected its name with layout scenario")
        return load_scenario(scenario).strip(side)
    try:
        return TypeAdapter(Layout).validate_json(Path(name).read_bytes())
    except OSError as error:
        raise ValueError(
            f"layout = {name!r}: expected cycle, scenario or a readable JSON file ({error})"
        ) from error
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        field = ".".join(str(part) for part in first["loc"])
        raise ValueError(f"layout {name}: {field} = {first['input']!r:.80}: {first['msg']}") from error
