"""A proposal as a plain table, and the operator's typed word on it. Pure."""

from dataclasses import dataclass
from typing import Any

from inksteward_simulators.operator_deck import Card, Choice

HELP = """\
  y NUMBER                        approve as shown
  n NUMBER [reason]               reject
  e NUMBER ZONE=PCT ...           approve with another target for a zone
           ZONE=out ...           approve without that zone's move
           sweep=out              approve without the sweep
NUMBER may be left out while only one proposal stands. A proposal that nobody answers lapses."""

COLUMNS = ("zone", "from %", "to %", "change", "gap um", "measured", "aim", "next", "settled")

MOST_DIGITS = 9


class Unclear(ValueError):
    """The line typed is not understood; the text says what was expected."""


@dataclass(frozen=True, slots=True)
class Word:
    """What was typed: ``number`` of the proposal (None: the only one) and the choice."""

    number: int | None
    choice: Choice


def table(number: int, proposal: dict[str, Any]) -> str:
    """The proposal as lines: who and when, sweep, one row for each key with its reason, notes."""
    made = f"sheet {proposal['sheet']}, good for {proposal['expires_in_s']} s"
    lines = [f"[{number}] unit {proposal['unit']}, ink {proposal['ink']}: {proposal['origin']} at {made}"]
    sweep = proposal.get("sweep")
    if sweep is not None:
        lines.append(f"    sweep {sweep['from_pct']:.1f} -> {sweep['to_pct']:.1f} %  {sweep['why']}")
    if proposal["moves"]:
        lines.append("    " + "".join(f"{name:>9}" for name in COLUMNS) + "  why")
    for move in proposal["moves"]:
        cells = (
            str(move["zone"]),
            f"{move['from_pct']:.1f}",
            f"{move['to_pct']:.1f}",
            f"{move['to_pct'] - move['from_pct']:+.1f}",
            f"{move['gap_um_after']:.0f}",
            "-" if move["measured"] is None else f"{move['measured']:.2f}",
            f"{move['aim']:.2f}",
            f"{move['predicted_next']:.2f}",
            f"{move['predicted_settled']:.2f}",
        )
        limits = ", ".join(limit["code"].replace("_", " ") for limit in move.get("limited_by", ()))
        held = f" (held back by {limits})" if limits and "held back" not in move["why"] else ""
        lines.append("    " + "".join(f"{cell:>9}" for cell in cells) + f"  {move['why']}{held}")
    for note in proposal.get("notes", ()):
        lines.append(f"    note: {note['text']}")
        if note["remedy"]:
            lines.append(f"          what to do: {note['remedy']}")
    return "\n".join(lines)


def heard(what: str, facts: dict[str, Any]) -> str | None:
    """What the terminal says of an event of the seat, such as an outcome; None: nothing."""
    if what == "no_answer":
        return "the service did not answer: whether the decision counts, its outcome will say"
    if what != "outcome":
        return None
    code = f" ({str(facts['code']).replace('_', ' ')})" if facts["code"] else ""
    return f"unit {facts['unit']}: {facts['result']}{code}"


def understood(line: str) -> Word:
    """The typed line as a choice. Raises Unclear."""
    words = line.split()
    if not words or words[0] not in ("y", "n", "e"):
        raise Unclear("expected y, n or e; ? for help")
    rest = words[1:]
    number = int(rest.pop(0)) if rest and _is_number(rest[0]) else None
    if words[0] == "y":
        if rest:
            raise Unclear(f"{rest[0]!r}: expected nothing behind y and the number")
        return Word(number, Choice(Card.APPROVE))
    if words[0] == "n":
        return Word(number, Choice(Card.REJECT, reason=" ".join(rest)[:1000] or None))
    return Word(number, _edited(rest))


def _edited(edits: list[str]) -> Choice:
    leave: list[int] = []
    change: list[tuple[int, float]] = []
    leave_sweep = False
    for edit in edits:
        name, sign, value = edit.partition("=")
        if name == "sweep" and value == "out":
            leave_sweep = True
        elif sign and _is_number(name) and value == "out":
            leave.append(int(name))
        elif sign and _is_number(name):
            change.append((int(name), _percent(value)))
        else:
            raise Unclear(f"{edit!r}: expected ZONE=PCT, ZONE=out or sweep=out")
    if not edits:
        raise Unclear("expected at least one of ZONE=PCT, ZONE=out, sweep=out")
    return Choice(Card.EDIT, leave=tuple(leave), change=tuple(change), leave_sweep=leave_sweep)


def _is_number(word: str) -> bool:
    return word.isdecimal() and len(word) <= MOST_DIGITS


def _percent(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise Unclear(f"{text!r}: expected an opening from 0 to 100 %") from None
    if not 0.0 <= value <= 100.0:
        raise Unclear(f"{text}: expected an opening from 0 to 100 %")
    return value
