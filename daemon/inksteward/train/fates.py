"""What became of each proposal: what the person did with it, and what the press did afterwards. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median
from typing import Any

from inksteward.train.record import Row, Run

SCANS_LATER = 2
"""After so many further scans it is told what the press did."""


@dataclass(frozen=True, slots=True)
class Fate:
    """One proposal. ``did``: the person's word on it; ``ended``: result and code of its outcome, empty while it
    stood at the end. ``shown`` and ``decided`` are sheets, ``decided`` None if no word came. ``late``: a word came
    after it had ended. ``followed``: approved as it was."""

    proposal: dict[str, Any]
    did: str
    ended: str
    shown: int
    decided: int | None
    late: bool
    followed: bool


def fates(run: Run) -> list[Fate]:
    """Every proposal once, in the order in which they were shown."""
    first: dict[str, Row] = {}
    for row in run.of("proposal/"):
        first.setdefault(row.data["proposal_id"], row)
    ends = {outcome["proposal_id"]: outcome for outcome in run.outcomes}
    said: dict[str, list[Row]] = {}
    for row in run.of("decision"):
        if row.data["decision_id"] not in [
            each.data["decision_id"] for each in said.get(row.data["proposal_id"], [])
        ]:
            said.setdefault(row.data["proposal_id"], []).append(row)
    too_late = {row.data["id"] for row in run.of("answer") if row.data.get("stands") is False}
    return [_fate(row, ends.get(name), said.get(name, []), too_late) for name, row in first.items()]


def _fate(shown: Row, end: dict[str, Any] | None, said: list[Row], too_late: set[str]) -> Fate:
    counted = None if end is None else end["decision_id"]
    word = next((row for row in said if row.data["decision_id"] == counted), None)
    late = word is None and any(row.data["decision_id"] in too_late for row in said)
    ended = "" if end is None else end["result"] + (f" ({_plain(end['code'])})" if end["code"] else "")
    did = "nobody answered" if word is None else decided(word.data)
    if late:
        did = f"too late: {decided(said[-1].data)}"
    return Fate(
        proposal=shown.data,
        did=did,
        ended=ended,
        shown=shown.sheet,
        decided=word.sheet if word is not None else said[-1].sheet if late else None,
        late=late,
        followed=word is not None and decided(word.data) == "approved",
    )


def decided(decision: dict[str, Any]) -> str:
    """A decision in words."""
    reason = f" ({decision['reason']})" if decision.get("reason") else ""
    if decision["verdict"] == "reject":
        return f"rejected{reason}"
    parts = []
    if decision.get("leave"):
        parts.append("without zone " + ", ".join(str(zone) for zone in decision["leave"]))
    if decision.get("leave_sweep"):
        parts.append("without the sweep")
    parts += [f"zone {row['zone']} to {row['to_pct']:.1f} %" for row in decision.get("change", ())]
    return "approved" + (f" {', '.join(parts)}{reason}" if parts else "")


def said_of(proposal: dict[str, Any]) -> str:
    """What a proposal said: how much it would have moved, its largest move, why, and what it expected."""
    parts = []
    if proposal["sweep"]:
        parts.append(f"sweep {proposal['sweep']['from_pct']:.1f} to {proposal['sweep']['to_pct']:.1f} %")
    most = largest(proposal)
    if most:
        count = len(proposal["moves"])
        parts.append(
            f"{count} key{'' if count == 1 else 's'}, most in zone {most['zone']}: {most['from_pct']:.1f} to "
            f"{most['to_pct']:.1f} % for {most['predicted_settled']:.2f} D at an aim of {most['aim']:.2f}"
        )
    why = most["why"] if most else proposal["sweep"]["why"] if proposal["sweep"] else ""
    return ", ".join(parts) + (f'; it said: "{why}"' if why else "")


def largest(proposal: dict[str, Any]) -> dict[str, Any] | None:
    """The move with the longest way; None of a proposal without moves."""
    found: dict[str, Any] | None = max(
        proposal["moves"], key=lambda row: abs(row["to_pct"] - row["from_pct"]), default=None
    )
    return found


def afterwards(run: Run, proposal: dict[str, Any]) -> str:
    """What the press did: zones of this ink that read out, and the density of the largest move's zone, at the
    proposal's scan and ``SCANS_LATER`` scans on."""
    readings, unit = run.readings, proposal["unit"]
    place = next((i for i, each in enumerate(readings) if each["scan_id"] == proposal["scan_id"]), None)
    if place is None or unit not in readings[place]["units"]:
        return "no scan belongs to it"
    later = min(place + SCANS_LATER, len(readings) - 1)
    if later == place:
        return "no scan came after it"
    now, then = (readings[i]["units"][unit] for i in (place, later))
    text = f"{_zones_out(now)} zones out then, {_zones_out(then)} at sheet {readings[later]['sheet']}"
    most = largest(proposal)
    if most:
        before, after = (_density(each, most["zone"]) for each in (now, then))
        text += f"; zone {most['zone']} read {before}, then {after}"
    return text


def _zones_out(unit: dict[str, Any]) -> int:
    return sum(flag is False for flag in unit["in_tolerance"])


def _density(unit: dict[str, Any], zone: int) -> str:
    value = unit["density"][zone - 1]
    return "nothing" if value is None else f"{value:.2f} D"


def sheets_to_decide(found: list[Fate]) -> float | None:
    """Median of sheets from a proposal to the word on it; None without words."""
    waits = [fate.decided - fate.shown for fate in found if fate.decided is not None and not fate.late]
    return float(median(waits)) if waits else None


def _plain(words: str) -> str:
    return words.replace("_", " ")
