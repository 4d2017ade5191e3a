"""What people are told at the press, cautions first."""

from __future__ import annotations

from collections.abc import Mapping

STEPS = {"reference": "the reference run", "lost": "the lost motion", "strip": "the strip on the zones"}
CAUTION = (
    "CAUTION: Ink keys move seconds after a yes. The blade is sharp, keys pinch, rollers draw in at every nip.",
    "Before anybody reaches in, stop the press and isolate the unit according to your site's lockout procedure and the",
    "press maker's manual. Work on keys, blade and wiring is for qualified persons, licensed where local codes ask for",
    "it. What this program and the interlock do is a process limit, not a certified safety function.",
)
CLEAR = (
    "CAUTION: keys are about to be free to move. Hands, gauges and tools out of the fountain, all clear.",
)
BEGIN_ANEW = (
    "A reading at another opening was wrong, or the key's table has another shape: look at the key, then begin anew "
    "with another session file"
)


def count(unit: str, zones: int, openings: list[float]) -> list[str]:
    """Before the keys are counted."""
    span = f"between {min(openings):g} and {max(openings):g} %"
    return [
        f"Unit {unit}: {zones} keys are configured and {len(openings)} are read back, {span}.",
        "Count the keys on the fountain. Do not reach in.",
    ]


def isolate(unit: str) -> list[str]:
    """Before gauges are used."""
    return [
        f"The service is on hold: nothing of it moves a key now. That does not replace isolation of unit {unit}.",
        "It stays on hold when you stop here; the same command asks before it releases it.",
        "CAUTION: sharp blade, in-running nips. Stop the press, isolate the unit according to your site's lockout",
        "procedure and the press maker's manual, and try that it stays still. Turn rollers only as the manual says.",
        "Gauge clean metal: no ink between blade and fountain roller, in the middle of each key.",
    ]


def confirm(name: str, readings: Mapping[int, float]) -> list[str]:
    """For the second person."""
    rows = [f"  zone {zone}: {um:g} um" for zone, um in readings.items()]
    return ["Readings:", *rows, f"{name}: try them yourself, at least where you doubt."]


def scan(purpose: str) -> list[str]:
    """Before a sheet is scanned."""
    first = "Bring the unit to print with even solids in the strip, by the job's own opening, and let the film settle."
    after = "Let the film settle after the key's move (some hundreds of sheets where coverage is light)."
    return [first if purpose == "strip:before" else after, "Then pull a sheet and scan it."]


def too_low(zones: list[int]) -> str:
    """Keys that must stand wider before anything is tried."""
    where = ", ".join(map(str, zones))
    return (
        f"keys {where} stand too near to the roller to be tried: were a drive reversed, a step could bring the blade "
        "onto it. Open them at the press, then start again"
    )
