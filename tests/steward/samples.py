"""Desks to start from, each made once and copied, messages that are right in every way, and what a refusal is."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import lru_cache
from typing import Any

from inksteward.bench.configuration import job
from inksteward.events import Via
from inksteward.steward.codec import encode
from tests.steward.desk import RUN, Desk

UTC_WORDS = "2026-03-02T08:15:30.000Z"
UNTOUCHED_BY_TALK = ("answers", "status_mono_ms", "echoes")
"""Members of the state that an answer alone may change."""


def copied(desk: Desk) -> Desk:
    """The same desk a second time; states are values and may be shared."""
    return replace(
        desk,
        sent=list(desk.sent),
        moves=list(desk.moves),
        effects=list(desk.effects),
        opening={unit: list(values) for unit, values in desk.opening.items()},
        sweep=dict(desk.sweep),
        command=dict(desk.command),
    )


@lru_cache(maxsize=1)
def _ready() -> Desk:
    return Desk().ready()


@lru_cache(maxsize=1)
def _proposed() -> Desk:
    desk = ready_desk()
    desk.propose()
    return desk


def ready_desk() -> Desk:
    """A desk in makeready at sheet 100, nothing standing."""
    return copied(_ready())


def proposed_desk() -> tuple[Desk, dict[str, Any]]:
    """A desk with a proposal standing for unit u1, and the proposal."""
    desk = copied(_proposed())
    standing = desk.state.units["u1"].standing
    assert standing is not None
    return desk, standing.payload


def decision_on(proposal: Mapping[str, Any], number: str = "d-1", **changes: Any) -> dict[str, Any]:
    """op-anna's approval."""
    return {
        "decision_id": number,
        "proposal_id": proposal["proposal_id"],
        "digest": proposal["digest"],
        "verdict": "approve",
        "operator": "op-anna",
        "decided_at": UTC_WORDS,
        **changes,
    }


def shown_of(proposal: Mapping[str, Any]) -> dict[str, Any]:
    """What a page displays of an unedited proposal: every target."""
    targets = [{"zone": row["zone"], "to_pct": row["to_pct"]} for row in proposal["moves"]]
    return {"targets": targets, "sweep_pct": proposal["sweep"]["to_pct"] if proposal["sweep"] else None}


def request_of(kind: str, number: str = "r-1", **members: Any) -> dict[str, Any]:
    """op-anna's request."""
    return {"request_id": number, "kind": kind, "operator": "op-anna", **members}


def counter_at(sheet: int = 100, **changes: Any) -> dict[str, Any]:
    """The counter's word."""
    return {"run_id": RUN, "sheet": sheet, "speed_sph": 9000.0, "printing": True, **changes}


def position_of(desk: Desk, unit: str = "u1", **changes: Any) -> dict[str, Any]:
    """Where the keys of a unit are."""
    form = next(each for each in desk.scenario.units if each.unit == unit)
    return {
        "unit": unit,
        "seq": desk.number + 1,
        "sheet": desk.sheet,
        "opening_pct": list(desk.opening[unit]),
        "referenced": [True] * form.zones,
        "sweep_pct": desk.sweep[unit],
        "moving": False,
        "blade_id": form.blade_id,
        **changes,
    }


def job_of(desk: Desk, run_id: str = RUN, phase: str = "makeready", **row: Any) -> dict[str, Any]:
    """The desk's job, with changes to its first unit's row; a member given as ``...`` is left out."""
    data = job(desk.scenario, run_id, phase)
    changed = {**data["units"][0], **row}
    data["units"][0] = {name: value for name, value in changed.items() if value is not ...}
    return data


def valid_messages(desk: Desk) -> dict[str, dict[str, Any]]:
    """One right message for every topic that comes in; the desk must have a proposal standing for u1."""
    standing = desk.state.units["u1"].standing
    assert standing is not None
    return {
        "job": job_of(desk),
        "counter": counter_at(desk.sheet),
        "scan": desk.scan_data({"K": 1.6, "C": 1.4}, "s-right"),
        "decision": decision_on(standing.payload),
        "request": request_of("hold"),
        "keys/u1/position": position_of(desk),
    }


def proposed_after(
    desk: Desk,
    density: dict[str, float | list[float]],
    wish: Callable[[dict[str, Any]], bool] = lambda proposal: True,
    tries: int = 8,
) -> dict[str, Any]:
    """Scan and print until a proposal of u1 stands that is as wished; the proposal."""
    for _ in range(tries):
        desk.scan(density)
        standing = desk.state.units["u1"].standing
        if standing is not None and wish(standing.payload):
            return standing.payload
        desk.request("hold")
        desk.request("release")
        desk.run_to(desk.sheet + 60)
    raise AssertionError("no such proposal")


def kept(desk: Desk) -> dict[str, Any]:
    """All of the state but what an answer alone may change."""
    data = encode(desk.state)
    for _, unit in data["units"]:
        if unit["standing"] is not None:
            del unit["standing"]["judged"]  # ids of decisions that were refused: talk as well
    return {name: value for name, value in data.items() if name not in UNTOUCHED_BY_TALK}


def refused(desk: Desk, topic: str, data: Any, *, via: Via = Via.MQTT, **how: Any) -> dict[str, Any]:
    """Send what must be refused: one clear answer, no command, no proposal's end, the state otherwise unchanged."""
    before, moves, sent = kept(desk), len(desk.moves), len(desk.sent)
    raw = data if isinstance(data, bytes) else json.dumps(data).encode()
    desk.receive(topic, raw, via=via, **how)
    assert [name for name, _ in desk.sent[sent:] if name != "status"] == ["answer"]
    answer = desk.answer()
    assert (answer["accepted"], answer["topic"]) == (False, topic)
    assert answer["errors"]
    assert all(set(error) == {"field", "value", "expected"} for error in answer["errors"])
    assert all(error["expected"] for error in answer["errors"])
    assert len(desk.moves) == moves
    assert kept(desk) == before
    return answer


def fields(answer: Mapping[str, Any]) -> list[str]:
    """Fields that an answer names."""
    return [error["field"] for error in answer["errors"]]
