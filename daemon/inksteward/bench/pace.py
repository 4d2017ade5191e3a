"""How fast people and instruments are in a closed loop without wires."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Pace:
    """Sheets between scans, from pulling a sheet to its reading, and from proposal to decision.

    The last is not used where the scenario's operator says how long decisions take.
    """

    scan_every: int = 60
    scan_delay: int = 25
    approval_delay: int = 20
