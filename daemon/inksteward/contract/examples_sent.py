"""What the service sends in the examples of the contract; see examples."""

from __future__ import annotations

from typing import Any

from inksteward.canonical import digest

AT = "2026-03-02T08:15:30.000Z"
RUN, SCAN, PROPOSAL, UNIT = "run-0412", "s-000017", "0195f6a1-7c00-7000-8000-000000000017", "u2"
HEAD = {"seq": 4711, "head": "5f" * 32}
LIMITS = {
    "step_pct": 15.0,
    "adjacent_um": 60.0,
    "interaction_ln": 0.6,
    "total_pct": 10.0,
    "accumulated_key_pct": 150.0,
    "accumulated_unit_pct": 100.0,
    "sweep_step_pct": 20.0,
}
OPENINGS = [38.0, 40.5, 44.0, 47.5, 47.0, 44.5, 42.0, 36.0]
MOVE = {"zone": 7, "from_pct": 42.0, "to_pct": 45.1}


def status() -> dict[str, Any]:
    """The service is there."""
    return {
        "state": "online",
        "instance": "0195f69c-1a00-7000-8000-000000000001",
        "at": AT,
        "since": "2026-03-02T06:00:00.000Z",
        "version": "0.1.0",
        "run_id": RUN,
        "phase": "makeready",
        "bench": False,
        "reason": None,
        "journal": HEAD,
    }


def press() -> dict[str, Any]:
    """One unit of eight zones."""
    unit = {
        "unit": UNIT,
        "side": "front",
        "zones": len(OPENINGS),
        "pitch_mm": 32.5,
        "first_edge_mm": 0.0,
        "blade": "segmented",
        "travel_um": 300.0,
        "min_gap_um": 15.0,
        "limits": {"makeready": LIMITS, "run": LIMITS},
        "sweep": {"min_pct": 10.0, "max_pct": 100.0},
    }
    return {"units": [unit]}


def reading() -> dict[str, Any]:
    """One zone was read, and a proposal made."""
    unread = [None] * (len(OPENINGS) - 2)
    row = {
        "ink": "C",
        "density": [*unread, 1.38, None],
        "patches": [0, 0, 0, 0, 0, 0, 1, 0],
        "sigma": [*unread, 0.012, None],
        "aim": [1.45] * len(OPENINGS),
        "low": [1.4] * len(OPENINGS),
        "high": [1.5] * len(OPENINGS),
        "in_tolerance": [*unread, False, None],
        "predicted_settled": [*unread, 1.38, None],
        "proposal_id": PROPOSAL,
        "no_proposal": None,
    }
    return {"scan_id": SCAN, "sheet": 1210, "units": {UNIT: row}, "set_aside": []}


def proposal() -> dict[str, Any]:
    """One key and the sweep, with the digest that a decision names."""
    move = {
        **MOVE,
        "to_pct_if_sweep_left": 46.4,
        "gap_um_after": 135.3,
        "measured": 1.38,
        "aim": 1.45,
        "predicted_next": 1.41,
        "predicted_settled": 1.44,
        "seen_from_sheet": 1430,
        "settled_by_sheet": 1780,
        "limited_by": [{"code": "step", "withheld_pct": 1.2}],
        "why": "0.07 D below the aim",
    }
    made = {
        "proposal_id": PROPOSAL,
        "press": "press-2",
        "unit": UNIT,
        "ink": "C",
        "origin": "scan",
        "replaces": None,
        "run_id": RUN,
        "scan_id": SCAN,
        "sheet": 1210,
        "made_at": AT,
        "expires_in_s": 120,
        "expires_sheet": 1700,
        "sweep": {"from_pct": 40.0, "to_pct": 41.5, "why": "every zone is short of ink"},
        "moves": [move],
        "left": [{"zone": 3, "code": "in_tolerance", "text": "1.44 D"}],
        "notes": [],
    }
    return {**made, "digest": digest(made)}


def command() -> dict[str, Any]:
    """What was approved."""
    return {
        "command_id": "c-000009",
        "proposal_id": PROPOSAL,
        "unit": UNIT,
        "targets": [{**MOVE, "to_pct": 44.0}],
        "from_tol_pct": 0.5,
        "sweep_pct": 41.5,
        "issued_at": AT,
        "valid_s": 10,
        "sig": None,
    }


def outcome() -> dict[str, Any]:
    """It moved."""
    return {
        "proposal_id": PROPOSAL,
        "decision_id": "d-000009",
        "unit": UNIT,
        "result": "moved",
        "code": None,
        "operator": "op-anna",
        "via": "mqtt",
        "moved": [{**MOVE, "to_pct": 44.0, "read_back_pct": 44.0}],
        "sweep": {"from_pct": 40.0, "to_pct": 41.5, "read_back_pct": 41.5},
        "refusals": [],
        "journal": HEAD,
        "at": AT,
    }


def alarm() -> dict[str, Any]:
    """One alarm stands."""
    row = {
        "code": "counter_silent",
        "since": AT,
        "count": 1,
        "unit": None,
        "zone": None,
        "text": "no sheet count for 10 s",
        "remedy": "look at the counter and its line",
        "latched": False,
    }
    return {"alarms": [row]}


def answer() -> dict[str, Any]:
    """A scan is refused."""
    error = {"field": "patches.3.density.C", "value": '"1.38"', "expected": "a number"}
    return {"id": SCAN, "topic": "scan", "at": AT, "accepted": False, "errors": [error], "stands": None}
