"""What a person typed, judged: a value, or what was expected, so that it is asked again."""

from __future__ import annotations

from dataclasses import dataclass

GAUGE_LEAST_UM, GAUGE_MOST_UM = 5.0, 1000.0


@dataclass(frozen=True, slots=True)
class Again:
    """The answer cannot be used; the text says what is expected."""

    text: str


def one_of(said: str, *words: str) -> str | Again:
    """One of these words, whole."""
    word = said.strip().lower()
    return word if word in words else Again(f"{said.strip()!r}: expected {' or '.join(words)}")


def thickness_um(said: str) -> float | Again:
    """A gauge's thickness in um; thickness in mm, as gauges are marked, is told apart by its size."""
    try:
        value = float(said.strip().replace(",", "."))
    except ValueError:
        return Again(f"{said.strip()!r}: expected a thickness in um, such as 60")
    if 0.0 < value < 1.0:
        return Again(f"{said.strip()}: expected um, not mm: 0.06 mm is 60")
    if not GAUGE_LEAST_UM <= value <= GAUGE_MOST_UM:
        return Again(f"{said.strip()}: expected {GAUGE_LEAST_UM:g} to {GAUGE_MOST_UM:g} um")
    return value


def key_and_way(said: str, zones: int) -> tuple[int, str] | Again:
    """Which key was seen to move, counted from zone 1, and whether it opened or closed: ``7 opened``; (0, "none")."""
    words = said.strip().lower().split()
    expected = Again(
        f"{said.strip()!r}: expected a key from 1 to {zones} and opened or closed, such as 7 opened; or none"
    )
    if words == ["none"]:
        return 0, "none"
    if (
        len(words) != 2
        or words[1] not in ("opened", "closed")
        or not words[0].isascii()
        or not words[0].isdigit()
    ):
        return expected
    key = int(words[0])
    return (key, words[1]) if 1 <= key <= zones else expected


def zones_of(said: str, among: tuple[int, ...]) -> tuple[int, ...] | Again:
    """yes (nothing to be gauged again), or the zones that are."""
    words = said.replace(",", " ").lower().split()
    if words == ["yes"]:
        return ()
    known = {str(zone): zone for zone in among}
    if not words or any(word not in known for word in words):
        return Again(f"{said.strip()!r}: expected yes, or the numbers of the zones to be gauged again")
    return tuple(dict.fromkeys(known[word] for word in words))


def direction_fault(zone: int, zones: int, seen: int, way: str) -> str | None:
    """What is wrong when key ``zone`` was told to open, and what to change; None if nothing is."""
    if way == "none":
        return (
            f"no key moved when key {zone} was told to open: its motor, its wiring, or the unit's number in the key "
            "bank's settings"
        )
    if way == "closed":
        return (
            f"key {seen} closed when key {zone} was told to open: the sense of this drive is reversed. DANGER: "
            "nothing here protects blade and roller until that is set right at the key cabinet (motor leads, or the "
            "sense of its read-back)"
        )
    if seen == zone:
        return None
    if seen == zones + 1 - zone:
        return (
            f"key {seen} moved in place of key {zone}: the keys are counted from the other end. Turn their order at "
            "the key cabinet, or state zone 1 and first_edge_mm for the other end"
        )
    where = "in the wiring or in the key cabinet's settings"
    return f"key {seen} moved in place of key {zone}: these two are exchanged {where}"
