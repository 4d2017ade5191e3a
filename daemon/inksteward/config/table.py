"""The table of limits and their defaults, in Markdown, made from the forms."""

from __future__ import annotations

from inksteward.config.unit_forms import MakereadyForm, OpeningForm, RunForm, SweepForm, UnitForm
from inksteward.contract.codes import LimitCode

ROWS = (
    ("step_pct", LimitCode.STEP, "% of key travel", "change of one key in one proposal"),
    (
        "adjacent_um",
        LimitCode.ADJACENT,
        "um",
        "difference of gap between neighbouring keys, spring blade only",
    ),
    (
        "interaction_ln",
        LimitCode.INTERACTION,
        "natural log of film",
        "what the other keys together change in one zone",
    ),
    (
        "total_pct",
        LimitCode.TOTAL_TRAVEL,
        "% of key travel, mean over the unit's zones",
        "travel of all keys in one proposal",
    ),
    (
        "accumulated_key_pct",
        LimitCode.ACCUMULATED_KEY,
        "% of key travel",
        "travel of one key over the last 1,000 sheets",
    ),
    (
        "accumulated_unit_pct",
        LimitCode.ACCUMULATED_UNIT,
        "% of key travel, mean over the unit's zones",
        "travel of all keys over the last 1,000 sheets",
    ),
    ("sweep_step_pct", LimitCode.SWEEP_STEP, "points of sweep", "change of the sweep in one proposal"),
)
"""Key, code in a proposal's ``limited_by``, unit, what is limited."""


def limits_table() -> str:
    """Markdown table: limit, unit, default in the opening, in makeready and in the run, key, code."""
    phases = (OpeningForm(), MakereadyForm(), RunForm())
    lines = [
        "| At most | Unit | Opening | Makeready | Run | Key under `[unit.limits.…]` | `limited_by` |",
        "|---|---|---:|---:|---:|---|---|",
    ]
    for key, code, unit, text in ROWS:
        shown = " | ".join(f"{getattr(phase, key):g}" for phase in phases)
        lines.append(f"| {text} | {unit} | {shown} | `{key}` | `{code}` |")
    return "\n".join([*lines, "", *_always()]) + "\n"


def _always() -> list[str]:
    """Limits that do not depend on the phase."""
    fields, sweep = UnitForm.model_fields, SweepForm()
    rows = (
        ("gap at every place of the blade line, at least", "um", "min_gap_um", LimitCode.MIN_GAP),
        ("gap that a move may leave at a place below that already, at least", "um", "hard_floor_um", None),
    )
    lines = [
        "| In every phase | Unit | Default | Key under `[[unit]]` | `limited_by` |",
        "|---|---|---:|---|---|",
    ]
    for text, unit, key, code in rows:
        shown = f"`{code}`" if code else ""
        lines.append(f"| {text} | {unit} | {fields[key].default:g} | `{key}` | {shown} |")
    lines += [
        f"| opening, from and to | % of key travel | 0 to 100 |  | `{LimitCode.TRAVEL}` |",
        f"| sweep, from and to | points of sweep | {sweep.min_pct:g} to {sweep.max_pct:g} "
        f"| `sweep.min_pct`, `sweep.max_pct` | `{LimitCode.SWEEP_RANGE}` |",
    ]
    return lines
