"""What comes over the broker, as lines for a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from inksteward.terminal.wire import Heard


def lines(heard: Heard) -> list[str]:
    """The lines of one message; none for what tells a person nothing."""
    if heard.data is None:
        unit = heard.topic.removeprefix("proposal/")
        return [f"{unit}: the proposal has ended"] if heard.topic.startswith("proposal/") else []
    if heard.topic.startswith("proposal/"):
        return proposal(heard.data)
    tell = {"status": _status, "reading": _reading, "alarm": _alarms, "outcome": _outcome}.get(heard.topic)
    return list(tell(heard.data)) if tell is not None else []


def errors(answer: dict[str, Any]) -> str:
    """What an answer says is wrong, in one line."""
    return "; ".join(
        f"{row['field']}: {row['value']}: expected {row['expected']}" for row in answer["errors"]
    )


def _status(data: dict[str, Any]) -> Iterator[str]:
    reason = f": {data['reason']}" if data["reason"] else ""
    yield f"service {data['state']}{reason}, run {data['run_id'] or 'none'}, {data['phase'] or 'no phase'}"


def _reading(data: dict[str, Any]) -> Iterator[str]:
    yield f"sheet {data['sheet']} read"
    for unit, row in data["units"].items():
        out = [zone for zone, flag in enumerate(row["in_tolerance"], 1) if flag is False]
        told = f"out in zones {', '.join(map(str, out))}" if out else "in tolerance"
        none = f"; nothing proposed: {_plain(row['no_proposal'])}" if row["no_proposal"] else ""
        yield f"  {unit} {row['ink']}: {told}{none}"
    yield from (f"  {note['text']}; {note['remedy']}" for note in data.get("notes", ()))


def _alarms(data: dict[str, Any]) -> Iterator[str]:
    for row in data["alarms"]:
        where = f" {row['unit']}" if row["unit"] else ""
        yield f"ALARM {_plain(row['code'])}{where}: {row['text']}. What to do: {row['remedy']}"


def proposal(data: dict[str, Any]) -> list[str]:
    """The ledger of a proposal, the largest error first."""
    found = [f"{data['unit']} {data['ink']}: proposal {data['proposal_id']}, digest {data['digest']}"]
    if data["sweep"]:
        found.append(f"  sweep {_move(data['sweep'])}: {data['sweep']['why']}")
    for row in sorted(data["moves"], key=lambda row: -abs((row["measured"] or row["aim"]) - row["aim"])):
        way = "opens" if row["to_pct"] > row["from_pct"] else "closes"
        found.append(f"  zone {row['zone']} {way} {_move(row)}: {row['why']}")
        settles = f"{row['predicted_settled']:.2f} by sheet {row['settled_by_sheet']}"
        found.append(
            f"    next {row['predicted_next']:.2f}, settles at {settles}, shows from {row['seen_from_sheet']}"
        )
    if data["left"]:
        found.append(f"  left alone: zones {', '.join(str(row['zone']) for row in data['left'])}")
    found += [f"  {note['text']}; {note['remedy']}" for note in data["notes"]]
    found.append(f"  stands {data['expires_in_s']} s, to sheet {data['expires_sheet']}")
    return found


def _outcome(data: dict[str, Any]) -> Iterator[str]:
    who = f" by {data['operator']}" if data["operator"] else ""
    code = f" ({_plain(data['code'])})" if data["code"] else ""
    keys = f", {len(data['moved'])} keys read back" if data["moved"] else ""
    yield f"{data['unit']}: {data['result']}{who}{code}{keys}"
    yield from (f"  {row['text']}" for row in data["refusals"])


def _move(row: dict[str, Any]) -> str:
    return f"{row['from_pct']:.1f} to {row['to_pct']:.1f} %"


def _plain(code: str) -> str:
    return code.replace("_", " ")
