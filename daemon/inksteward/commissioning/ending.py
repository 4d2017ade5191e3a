"""What a finished session says: calibration, drives, strip; and the new configuration beside the old one."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from inksteward.commissioning import plan, strip
from inksteward.commissioning.drives import (
    Interval,
    Telegram,
    full_travel_s,
    lost_motion_pct,
    repeatability_pct,
    wider,
)
from inksteward.commissioning.plan import NotPossible, Settings
from inksteward.commissioning.result import UnitResult, reading, table_um, worked_out
from inksteward.commissioning.session import Session
from inksteward.commissioning.written import NotWritten, Section, difference, rewritten
from inksteward.commissioning.zero import Doubt
from inksteward.config import ConfigErrors, load
from inksteward.model import Unit

OFF_SHARE = 0.5
"""Densities per zone tell where the strip lies to this share of a pitch: each ink has about one patch in a zone."""
BACKLASH_MOST_PCT = 10.0


@dataclass(frozen=True, slots=True)
class Found:
    """Everything that the session's evidence says. None: that step was left out, or says nothing."""

    result: UnitResult
    repeatability: Interval | None
    lost_motion: Interval | None
    travel_s: Interval | None
    strip: strip.Lies | strip.Unclear | None


def found(session: Session, unit: Unit, doubt: Doubt, settings: Settings) -> Found:
    """Work everything out. Raises NotPossible for zones whose readings cannot be used."""
    gauged: dict[int, list[tuple[float, float]]] = {}
    for number in range(settings.levels):
        for row in plan.gauged(session, f"level:{number}") or ():
            gauged.setdefault(int(row["zone"]), []).append((row["pct"], row["gauge_um"]))
    result = worked_out(unit, gauged, doubt)
    if not isinstance(result, UnitResult):
        raise NotPossible("; ".join(f"zone {zone}: {misfit.text}" for zone, misfit in result.items()))
    return Found(
        result,
        _repeatability(session, unit, settings),
        _lost(session, unit, result, doubt, settings),
        _travel(session),
        _strip(session, unit),
    )


def widest(session: Session, doubt: Doubt) -> Doubt:
    """The half-widths that hold for every reading of the session: the widest that was stated."""
    rows = session.of("gauge")
    return Doubt(
        max([doubt.gauge_um, *(row["gauge_um"] for row in rows)]),
        max([doubt.feel_um, *(row["feel_um"] for row in rows)]),
        doubt.resolution_pct,
    )


def _repeatability(session: Session, unit: Unit, settings: Settings) -> Interval | None:
    runs = [
        row["read_back_pct"]
        for number in range(1, settings.repeats + 1)
        for row in session.of("move")
        if row["purpose"] == f"reference:open:{number}" and row["done"]
    ]
    if len(runs) < 2:
        return None
    return wider([repeatability_pct(list(values), unit.resolution_pct) for values in zip(*runs, strict=True)])


def _lost(
    session: Session, unit: Unit, result: UnitResult, doubt: Doubt, settings: Settings
) -> Interval | None:
    closed = plan.gauged(session, "lost:closed")
    if closed is None:
        return None
    opened = {row["zone"]: row for row in plan.gauged(session, f"level:{settings.levels - 1}") or ()}
    found = []
    for row in closed:
        zone = int(row["zone"])
        slope = result.keys[zone - 1].scale * table_um(unit.calibration.keys[zone - 1], row["pct"])[1]
        half = doubt.half_um(reading(unit, zone, row["pct"], row["gauge_um"]))
        moved = (row["pct"] - opened[zone]["pct"]) * slope
        found.append(
            lost_motion_pct(
                opened[zone]["gauge_um"], row["gauge_um"] - moved, slope, half, unit.resolution_pct
            )
        )
    return wider(found)


def _travel(session: Session) -> Interval | None:
    rows = [row for row in session.of("move") if row["purpose"] == "lost:open" and row.get("telegrams")]
    return full_travel_s([Telegram(**each) for each in rows[-1]["telegrams"]]) if rows else None


def _strip(session: Session, unit: Unit) -> strip.Lies | strip.Unclear | None:
    scans = {row["purpose"]: row["density"] for row in session.of("scan")}
    first, last = plan.strip_zones(unit)
    if not {"strip:before", f"strip:{first}", f"strip:{last}"} <= set(scans):
        return None
    answers = {}
    for zone, before, after in (
        (first, "strip:before", f"strip:{first}"),
        (last, f"strip:{first}", f"strip:{last}"),
    ):
        centre = strip.centre(scans[before], scans[after])
        if isinstance(centre, strip.Unclear):
            return centre
        answers[zone] = centre
    return strip.laid(answers, unit.zones, unit.pitch_mm)


def summary(found: Found, unit: Unit) -> Iterator[str]:
    """What was found, in lines."""
    result = found.result
    scatter = f"{result.scatter.sigma_um:.1f} um ({result.scatter.freedom} degrees of freedom)"
    yield f"travel_um {result.travel_um:g}; scatter of readings {scatter}"
    for key in result.keys:
        yield (
            f"zone {key.zone}: gap at 0 % {key.gap_at_closed_um:g} um, within {key.uncertainty_um:g} um "
            f"(combined standard uncertainty {key.standard_um:g} um), {key.scale:g} of the present table"
        )
    rows = (
        ("repeatability of the read-back", found.repeatability, "% of travel"),
        ("lost motion", found.lost_motion, "% of travel"),
        ("time from end to end", found.travel_s, "s"),
    )
    for name, interval, measure in rows:
        told = (
            "not measured"
            if interval is None
            else f"{interval.value:.2f}, between {interval.low:.2f} and {interval.high:.2f} {measure}"
        )
        yield f"{name}: {told}"
    yield from _compared(found, unit)
    yield from _strip_told(found.strip, unit)


def _strip_told(lies: strip.Lies | strip.Unclear | None, unit: Unit) -> Iterator[str]:
    if not isinstance(lies, strip.Lies):
        yield f"strip on zones: {'not measured' if lies is None else lies.text}"
        return
    pitch = f"pitch as read {lies.pitch_mm:g} mm (configured {unit.pitch_mm:g})"
    half = OFF_SHARE * unit.pitch_mm
    yield f"strip on zones: {lies.offset_mm:+g} mm along x, give or take {half:g} mm, {pitch}"
    if abs(lies.offset_mm) > half:
        would = unit.first_edge_mm + lies.offset_mm
        yield f"first_edge_mm would be {would:g} instead of {unit.first_edge_mm:g}: check with a rule, then set it"


def _compared(found: Found, unit: Unit) -> Iterator[str]:
    """Where what was measured contradicts what is configured."""
    if found.travel_s is not None and not found.travel_s.low <= unit.full_travel_s <= found.travel_s.high:
        yield f"full_travel_s is {unit.full_travel_s:g}: that contradicts what was measured, set it"
    raised = backlash_pct(found, unit)
    if raised is not None:
        yield f"backlash_pct is raised to {raised:g}: the configured one is too small for what was measured"


def backlash_pct(found: Found, unit: Unit) -> float | None:
    """The backlash to be written: none where the configured one can be right (it is never lowered here), else the
    worst. Raises NotPossible for more than a drive may have.
    """
    configured = max(key.backlash_mpct for key in unit.calibration.keys) / 1000.0
    measured = found.lost_motion
    if measured is None or measured.low <= configured:
        return None
    if measured.high > BACKLASH_MOST_PCT:
        raise NotPossible(
            f"lost motion may be {measured.high:.1f} % of travel, at most 10 can be said: mend the drive"
        )
    return round(measured.high + 0.005, 2)


def section(
    session: Session, unit: Unit, found: Found, doubt: Doubt, today: date, valid_days: int
) -> Section:
    """What the configuration will say, with who measured and how."""
    people = sorted({name for entry in session.entries for name in entry.operators})
    signed = sorted({name for entry in session.entries if entry.step == "gauge" for name in entry.operators})
    levels = len({row["purpose"] for row in session.of("gauge") if row["purpose"].startswith("level:")})
    return Section(
        unit=unit.unit,
        blade_id=session.blade_id,
        calibrated_on=today,
        expires_on=today + timedelta(days=valid_days),
        result=found.result,
        backlash_pct=backlash_pct(found, unit),
        remarks=(
            f"Commissioned {today.isoformat()} by {', '.join(people)}; readings signed by {', '.join(signed)}.",
            f"Feeler gauges at {levels} openings, opened last; half-widths: gauge {doubt.gauge_um:g} um, "
            f"drag {doubt.feel_um:g} um.",
            "uncertainty_um holds from the least gap to full travel, worst case. Last entry of the session:",
            f"{session.entries[-1].before}",
        ),
    )


def written(config: Path, out: Path, made: Section) -> tuple[Path, Path]:
    """Write the new configuration and the difference, both new files beside the old one; their paths.

    Raises NotWritten; then neither is there.
    """
    old = config.read_text("utf-8")
    new = rewritten(old, made)
    diff = out.with_name(out.name + ".diff")
    for path in (out, diff):
        if path.exists():
            raise NotWritten(f"{path} exists: nothing is overwritten, name another with --out")
    draft = out.with_name(f".{out.name}.{os.getpid()}")
    try:
        draft.write_text(new, "utf-8")
        load(draft)
        os.link(draft, out)
        with diff.open("x", encoding="utf-8") as file:
            file.write(difference(old, new, config.name, out.name))
    except ConfigErrors as errors:
        raise NotWritten(f"the new configuration would not be accepted:\n{errors}") from errors
    except OSError as error:
        raise NotWritten(f"{out}: {error.strerror}") from error
    finally:
        draft.unlink(missing_ok=True)
    return out, diff
