"""Field checks of everything the service publishes, written by hand from the contract page.

A rule takes a path and a value and returns the faults found: "path: value, what was expected".
Fields beyond the page are allowed within version 1; `Shape.beyond` lists them for the summary.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from typing import Any

from tests.outside.rig_json import Json

Rule = Callable[[str, Any], list[str]]
_ID = re.compile(r"[A-Za-z0-9._-]{1,64}\Z")
_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}(Z|\+00:00)\Z")
_DIGEST = re.compile(r"sha256:[0-9a-f]{64}\Z")


def _rule(expected: str, holds: Callable[[Any], bool]) -> Rule:
    def check(path: str, value: Any) -> list[str]:
        return [] if holds(value) else [f"{path}: {value!r:.80} found, {expected} expected"]

    return check


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _is_opening(value: Any) -> bool:
    return _is_number(value) and 0 <= value <= 100 and abs(round(value, 3) - value) < 1e-9


anything = _rule("any value", lambda _: True)
text = _rule("a text", lambda v: isinstance(v, str))
words = _rule("a text that is not empty", lambda v: isinstance(v, str) and v.strip() != "")
ident = _rule("an id", lambda v: isinstance(v, str) and _ID.match(v) is not None)
moment = _rule(
    "RFC 3339 UTC with milliseconds", lambda v: isinstance(v, str) and _MOMENT.match(v) is not None
)
digest = _rule("sha256: and 64 hex digits", lambda v: isinstance(v, str) and _DIGEST.match(v) is not None)
number = _rule("a finite number", _is_number)
positive = _rule("a number above 0", lambda v: _is_number(v) and v > 0)
opening = _rule("0 to 100 % with three decimals at most", _is_opening)
count = _rule("a whole number from 0", lambda v: isinstance(v, int) and not isinstance(v, bool) and v >= 0)
zone = _rule("a zone from 1", lambda v: isinstance(v, int) and not isinstance(v, bool) and v >= 1)
flag = _rule("true or false", lambda v: isinstance(v, bool))
mapping = _rule("an object", lambda v: isinstance(v, dict))


def one_of(*names: str) -> Rule:
    """One of the words the page lists."""
    return _rule(" or ".join(names), lambda v: v in names)


def maybe(rule: Rule) -> Rule:
    """null or what the rule wants."""
    return lambda path, value: [] if value is None else rule(path, value)


def many(rule: Rule) -> Rule:
    """An array, every element after the rule."""

    def check(path: str, value: Any) -> list[str]:
        if not isinstance(value, list):
            return [f"{path}: {value!r:.80} found, an array expected"]
        return [fault for index, item in enumerate(value) for fault in rule(f"{path}.{index}", item)]

    return check


class Shape:
    """An object with required and optional fields; callable as a rule."""

    def __init__(self, required: Mapping[str, Rule], optional: Mapping[str, Rule] | None = None) -> None:
        self.required = dict(required)
        self.optional = dict(optional or {})

    def __call__(self, path: str, value: Any) -> list[str]:
        if not isinstance(value, dict):
            return [f"{path}: {value!r:.80} found, an object expected"]
        faults = [f"{path}.{name}: missing" for name in self.required if name not in value]
        for name, rule in (self.required | self.optional).items():
            if name in value:
                faults += rule(f"{path}.{name}", value[name])
        return faults

    def beyond(self, value: Json) -> list[str]:
        """Names the page does not list."""
        return [name for name in value if name not in self.required and name not in self.optional]


def by_unit(rule: Rule) -> Rule:
    """An object whose members are named by unit."""

    def check(path: str, value: Any) -> list[str]:
        if not isinstance(value, dict):
            return [f"{path}: {value!r:.80} found, an object by unit expected"]
        return [fault for name, item in value.items() for fault in rule(f"{path}.{name}", item)]

    return check


PHASE = one_of("opening", "makeready", "run", "stopped")
JOURNAL = Shape({"seq": count, "head": text})
STATUS = Shape(
    {"state": one_of("online", "holding", "offline"), "instance": words, "at": moment, "since": moment}
    | {"version": words, "run_id": maybe(ident), "phase": maybe(PHASE), "bench": flag, "reason": maybe(text)}
    | {"journal": JOURNAL}
)
PRESS_UNIT = Shape(
    {
        "unit": words,
        "side": one_of("front", "back"),
        "zones": zone,
        "pitch_mm": positive,
        "first_edge_mm": number,
    }
    | {
        "blade": one_of("segmented", "spring"),
        "travel_um": positive,
        "min_gap_um": positive,
        "limits": mapping,
    }
    | {"sweep": Shape({"min_pct": opening, "max_pct": opening})}
)
PRESS = Shape({"units": many(PRESS_UNIT)})
READING_UNIT = Shape(
    {
        "ink": words,
        "density": many(maybe(number)),
        "patches": many(maybe(count)),
        "sigma": many(maybe(number)),
    }
    | {"aim": many(maybe(number)), "low": many(maybe(number)), "high": many(maybe(number))}
    | {"in_tolerance": many(maybe(flag)), "predicted_settled": many(maybe(number))}
    | {"proposal_id": maybe(ident), "no_proposal": maybe(words)}
)
READING = Shape(
    {"scan_id": ident, "sheet": maybe(count), "units": by_unit(READING_UNIT)}
    | {"set_aside": many(Shape({"index": count, "code": words, "text": words}))}
)
_SCAN_MOVE = {"measured": number, "aim": number, "predicted_next": number, "predicted_settled": number}
_SCAN_MOVE_SHEETS = {"seen_from_sheet": count, "settled_by_sheet": count}


def _move(from_scan: bool) -> Shape:
    prediction: dict[str, Rule] = _SCAN_MOVE | _SCAN_MOVE_SHEETS
    if not from_scan:
        prediction = {name: maybe(rule) for name, rule in prediction.items()}
    limited = Shape({"code": words, "withheld_pct": maybe(number)})
    return Shape(
        {
            "zone": zone,
            "from_pct": opening,
            "to_pct": opening,
            "gap_um_after": number,
            "limited_by": many(limited),
        }
        | {"why": words}
        | prediction,
        {"to_pct_if_sweep_left": maybe(opening)},
    )


def _proposal(from_scan: bool) -> Shape:
    known: Callable[[Rule], Rule] = (lambda rule: rule) if from_scan else maybe
    return Shape(
        {"proposal_id": ident, "press": words, "unit": words, "ink": words, "digest": digest}
        | {
            "origin": one_of("scan", "opening", "recall", "commission"),
            "replaces": maybe(ident),
            "run_id": ident,
        }
        | {"scan_id": known(ident), "sheet": known(count), "made_at": moment, "expires_in_s": positive}
        | {"expires_sheet": known(count), "moves": many(_move(from_scan))}
        | {"sweep": maybe(Shape({"from_pct": opening, "to_pct": opening, "why": words}))}
        | {"left": many(Shape({"zone": zone, "code": words, "text": words}))}
        | {"notes": many(Shape({"code": words, "zones": many(zone), "text": words, "remedy": text}))}
    )


PROPOSAL_FROM_SCAN, PROPOSAL_OTHER = _proposal(True), _proposal(False)
COMMAND = Shape(
    {"command_id": ident, "proposal_id": ident, "unit": words, "from_tol_pct": positive, "issued_at": moment}
    | {"targets": many(Shape({"zone": zone, "from_pct": opening, "to_pct": opening})), "valid_s": positive},
    {"sweep_pct": maybe(opening), "sig": maybe(text)},
)
_REFUSAL = Shape({"rule": words, "zone": maybe(zone), "limit": anything, "value": anything, "text": words})
_MOVED = Shape({"zone": zone, "from_pct": opening, "to_pct": opening, "read_back_pct": maybe(opening)})
OUTCOME = Shape(
    {"proposal_id": ident, "decision_id": maybe(ident), "unit": words, "code": maybe(text)}
    | {"result": one_of("moved", "rejected", "lapsed", "refused", "failed"), "operator": maybe(ident)}
    | {"via": maybe(one_of("mqtt", "page", "command_line")), "moved": many(_MOVED), "sweep": maybe(mapping)}
    | {"refusals": many(_REFUSAL), "journal": JOURNAL, "at": moment}
)
_ALARM = Shape(
    {"code": words, "since": moment, "count": count, "unit": maybe(text), "zone": maybe(zone), "text": words}
    | {"remedy": text, "latched": flag}
)
ALARM = Shape({"alarms": many(_ALARM)})
ANSWER = Shape(
    {"id": maybe(ident), "topic": words, "at": moment, "accepted": flag, "stands": maybe(flag)}
    | {"errors": many(Shape({"field": text, "value": anything, "expected": text}))}
)
_PLAIN = {
    "status": STATUS,
    "press": PRESS,
    "reading": READING,
    "outcome": OUTCOME,
    "alarm": ALARM,
    "answer": ANSWER,
}


def shape_for(tail: str, payload: Json) -> Shape:
    """The shape of a service payload by its topic below the press root; KeyError for another topic."""
    if tail.startswith("proposal/"):
        return PROPOSAL_FROM_SCAN if payload.get("origin") == "scan" else PROPOSAL_OTHER
    return COMMAND if tail.startswith("keys/") else _PLAIN[tail]


def faults(tail: str, payload: Json) -> list[str]:
    """Every departure from the page in one payload."""
    return shape_for(tail, payload)(tail, payload)


def reading_length_faults(payload: Json, zones: Mapping[str, int]) -> list[str]:
    """Arrays of a reading whose length is not the unit's number of zones; `zones` by unit."""
    found = []
    for unit, part in payload.get("units", {}).items():
        for name, value in part.items():
            if isinstance(value, list) and len(value) != zones.get(unit, len(value)):
                found.append(
                    f"reading.units.{unit}.{name}: {len(value)} values, {zones[unit]} zones expected"
                )
    return found
