"""Which patch of the strip a row is, where the strip's order says it. Pure."""

from __future__ import annotations

import re
from typing import Any

CYCLE = re.compile(r"(?P<inks>[A-Za-z][A-Za-z0-9._-]*?(?:\+[A-Za-z][A-Za-z0-9._-]*?)*)(?P<tone>[0-9]{1,3})?")
GREY = ("C", "M", "Y")
ODD = ("grey", "paper")


def cycle_fault(name: str) -> str | None:
    """Why this is no patch of a cycle, or None."""
    match = CYCLE.fullmatch(name)
    if match is None or (match["tone"] is not None and not 1 <= int(match["tone"]) <= 100):
        return f"cycle = {name!r}: expected C, C50 (1 to 100), C+M, grey or paper"
    return None


def placed(name: str, x_mm: float) -> dict[str, Any]:
    """The patch of that name at that place, in the contract's form."""
    if name in ODD:
        inks = list(GREY) if name == "grey" else []
        return {"x_mm": x_mm, "kind": name, "inks": inks, "tone_pct": 0.0 if name == "paper" else 100.0}
    match = CYCLE.fullmatch(name)
    if match is None:
        raise AssertionError("the settings were checked")
    inks, tone = match["inks"].split("+"), match["tone"]
    kind = "overprint" if len(inks) > 1 else "tint" if tone and int(tone) < 100 else "solid"
    return {"x_mm": x_mm, "kind": kind, "inks": inks, "tone_pct": float(tone or 100)}


def place_mm(first_mm: float, pitch_mm: float, at: int) -> float:
    """Where the patch stands that is counted ``at`` from 1."""
    return round(first_mm + (at - 1) * pitch_mm, 6)
