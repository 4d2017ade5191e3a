"""Live progress in the terminal: density error per ink across the zones, proposals, decisions."""

from __future__ import annotations

from collections import Counter
from typing import Any

MARKS = (
    "one mark a zone: . in tolerance   + above   # far above   - below   = far below   o not read\n"
    "(far: by more than twice the tolerance; # also: too dark to be told)"
)
NO_PROPOSAL = {
    "within_noise": "too uncertain to act on",
    "unconfirmed_move": "waiting for its last move",
    "not_a_key_fault": "not for the keys to mend",
    "infeasible": "no move within the limits",
    "held": "on hold",
    "suspended": "stopped by an alarm",
    "no_positions": "key positions unknown",
    "no_counter": "sheet counter silent",
    "stopped": "job stopped",
}
"""Why there is no proposal, where the contract's word does not say it to a press operator."""


def lane(unit: dict[str, Any]) -> str:
    """One character a zone."""
    if unit["aim"] is None:
        return "not controlled"
    marks = []
    for i, density in enumerate(unit["density"]):
        inside = unit["in_tolerance"][i]
        if density is None:
            marks.append("#" if inside is False else "o")
            continue
        error = density - unit["aim"][i]
        width = unit["high"][i] - unit["aim"][i] if error > 0 else unit["aim"][i] - unit["low"][i]
        if inside:
            marks.append(".")
        elif error > 0:
            marks.append("#" if error > 2 * width else "+")
        else:
            marks.append("=" if -error > 2 * width else "-")
    return "".join(marks)


def reading(data: dict[str, Any]) -> list[str]:
    """A scan: one line per ink."""
    lines = [f"sheet {data['sheet']:>5}"]
    for name, unit in sorted(data["units"].items()):
        errors = [
            abs(density - aim)
            for density, aim in zip(unit["density"], unit["aim"] or (), strict=False)
            if density is not None
        ]
        worst = f"worst {max(errors):.2f} D" if errors else ""
        out = sum(value is False for value in unit["in_tolerance"])
        what = "proposal" if unit["proposal_id"] else _why_none(unit["no_proposal"] or "")
        lines.append(f"  {name} {unit['ink']:<2} {lane(unit)}  {out:>2} out  {worst:<12}  {what}")
    if data["set_aside"]:
        codes = Counter(patch["code"] for patch in data["set_aside"])
        told = ", ".join(f"{count} {_plain(code)}" for code, count in codes.items())
        lines.append(f"  patches set aside: {told}")
    lines += [f"  note: {note['text']}" for note in data.get("notes", ())]
    return lines


def proposal(data: dict[str, Any]) -> str:
    """A proposal in one line: how much it moves and its largest move."""
    sweep = data["sweep"]
    parts = []
    if sweep:
        parts.append(f"sweep {sweep['from_pct']:.1f} to {sweep['to_pct']:.1f} %")
    if data["moves"]:
        most = max(data["moves"], key=lambda row: abs(row["to_pct"] - row["from_pct"]))
        parts.append(
            f"{_keys(len(data['moves']))}, most in zone {most['zone']}: "
            f"{most['from_pct']:.1f} to {most['to_pct']:.1f} %"
        )
    return f"    {data['unit']} {data['ink']}: proposed " + ", ".join(parts)


def outcome(data: dict[str, Any], kind: str) -> str:
    """How a proposal ended, in one line."""
    who = f" by {data['operator']}" if data["operator"] else ""
    code = f" ({_plain(data['code'])})" if data["code"] else ""
    moved = f", {_keys(len(data['moved']))} read back" if data["moved"] else ""
    return f"    {data['unit']}: {kind}{who}{code}{moved}"


def alarm(row: dict[str, Any]) -> str:
    """An alarm in one line, with its code and unit as an acknowledgement names them."""
    ack = " ".join(filter(None, (row["code"], row["unit"])))
    how = f" (ack {ack})" if row["latched"] else ""
    return f"    ALARM {row['text']}: {row['remedy']}{how}"


def _keys(count: int) -> str:
    return f"{count} key{'' if count == 1 else 's'}"


def _plain(code: str) -> str:
    return code.replace("_", " ")


def _why_none(code: str) -> str:
    return NO_PROPOSAL.get(code, _plain(code))
