"""Diagnosis: faults that ink keys cannot cure, found from scanned strips."""

from inksteward.diagnosis.causes import Cause, Finding, Place
from inksteward.diagnosis.judge import diagnose
from inksteward.diagnosis.memory import FORGETS, Memory
from inksteward.diagnosis.seen import Filters, Grey, Seen, SeenUnit, Tint, Trap

__all__ = [
    "FORGETS",
    "Cause",
    "Filters",
    "Finding",
    "Grey",
    "Memory",
    "Place",
    "Seen",
    "SeenUnit",
    "Tint",
    "Trap",
    "diagnose",
]
