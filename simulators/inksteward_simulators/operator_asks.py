"""What a person at the terminal may ask for besides decisions, and a script of such words. Pure."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from inksteward_simulators.operator_table import MOST_DIGITS, Unclear, understood

HELP = """\
  hold, release                   no proposals, and proposals again
  ack CODE [UNIT]                 an alarm has been looked into
  end                             leave"""
END = "end"


def asked(line: str) -> dict[str, Any] | None:
    """The members of the request that a typed line stands for; None: the line is no request. Raises Unclear."""
    word, *rest = line.split() or [""]
    if word in ("hold", "release"):
        if rest:
            raise Unclear(f"{rest[0]!r}: expected nothing behind {word}")
        return {"kind": word}
    if word != "ack":
        return None
    if not 1 <= len(rest) <= 2:
        raise Unclear("expected ack CODE or ack CODE UNIT, as the alarm says them")
    return {"kind": "acknowledge", "code": rest[0]} | ({"unit": rest[1]} if rest[1:] else {})


def heard_of_request(facts: dict[str, Any]) -> str:
    """What the terminal says of a request that was answered."""
    if facts["accepted"]:
        return f"{facts['kind']}: done"
    faults = [
        f"{row.get('field')} = {row.get('value')}: expected {row.get('expected')}" for row in facts["errors"]
    ]
    return f"{facts['kind']} refused: {'; '.join(faults) or 'no reason given'}"


class Turn(StrEnum):
    """When a line of a script has its turn."""

    PROPOSAL = "proposal"  # it is the word on the next proposal that is shown
    LEAVE = "pass"  # the next proposal that is shown gets no word
    REST = "rest"  # it is the word on every proposal from here on
    UNTIL = "until"  # goes on once this sheet has been read
    NOW = "now"  # at once: a request, or the end


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a script: when, and the words; ``sheet`` with UNTIL."""

    turn: Turn
    words: str = ""
    sheet: int = 0


def script_of(text: str) -> tuple[Line, ...]:
    """The lines of a script; empty ones and those that begin with # are left out.

    ``y``, ``n REASON`` and ``e ZONE=out`` as at the terminal, without a number, in the order of the proposals;
    ``pass``; ``rest`` before one of them; ``until SHEET``; ``hold``, ``release``, ``ack CODE UNIT``, ``end``.
    Raises Unclear, naming the line.
    """
    lines = []
    for number, raw in enumerate(text.splitlines(), 1):
        words = raw.strip()
        if not words or words.startswith("#"):
            continue
        try:
            lines.append(_line(words))
        except Unclear as error:
            raise Unclear(f"line {number}: {error}") from error
    return tuple(lines)


def _line(words: str) -> Line:
    first, *rest = words.split()
    if first == Turn.UNTIL:
        if len(rest) != 1 or not rest[0].isdecimal() or len(rest[0]) > MOST_DIGITS:
            raise Unclear(f"{words!r}: expected until SHEET")
        return Line(Turn.UNTIL, sheet=int(rest[0]))
    if words in (Turn.LEAVE, END):
        return Line(Turn.LEAVE if words == Turn.LEAVE else Turn.NOW, words)
    if asked(words) is not None:
        return Line(Turn.NOW, words)
    turn = Turn.PROPOSAL
    if first == Turn.REST:
        turn, words = Turn.REST, " ".join(rest)
        if words == Turn.LEAVE:
            return Line(turn, words)
    if understood(words).number is not None:
        raise Unclear(f"{words!r}: expected no number, a script's words go to the proposals in their order")
    return Line(turn, words)


def numbered(words: str, number: int) -> str:
    """A script's word as it is typed for the proposal of this number."""
    first, _, rest = words.partition(" ")
    return f"{first} {number} {rest}".rstrip()
