"""At least one payload of every topic, as it might go over the line: one run, one scan and what comes of it.

Invented. They belong together: the scan's reading names the proposal, the decision its digest, the command and the
outcome what was decided. Signatures are shortened: they check against nothing.
"""

from __future__ import annotations

from typing import Any

from inksteward.contract import examples_sent as sent
from inksteward.contract.examples_sent import AT, OPENINGS, PROPOSAL, RUN, SCAN, UNIT

SIGNATURE = "eyJhbGciOiJFZDI1NTE5Iiwia2lkIjoiazEifQ.eyJ9.c2hvcnRlbmVk"


def _job() -> dict[str, Any]:
    row = {
        "unit": UNIT,
        "ink": "C",
        "aim": 1.45,
        "tolerance": [-0.05, 0.05],
        "coverage": [0.05, 0.12, 0.31, 0.44, 0.42, 0.3, 0.18, 0.04],
        "d_inf": 1.65,
        "m": 2.1,
    }
    patches = [
        {"x_mm": 14.0, "kind": "solid", "inks": ["C"], "tone_pct": 100.0},
        {"x_mm": 19.0, "kind": "paper", "inks": [], "tone_pct": 0.0},
    ]
    return {
        "job_id": "job-0412",
        "run_id": RUN,
        "phase": "makeready",
        "basis": {"status": "E", "polarised": True, "paper_relative": True},
        "units": [row, {"unit": "u5", "ink": "varnish", "aim": None}],
        "strip": {"id": "strip-a", "mirror": False, "patches": patches},
        "sheet": {"width_mm": 250.0, "left_edge_mm": 5.0},
    }


def _counter() -> dict[str, Any]:
    return {
        "run_id": RUN,
        "sheet": 1240,
        "speed_sph": 12000.0,
        "printing": True,
        "fountain_turning": True,
        "good": None,
        "at": AT,
    }


def _scan() -> dict[str, Any]:
    density = {"C": 1.38, "M": 0.47, "Y": 0.14, "K": 0.52}
    patches = [
        {"x_mm": 211.0, "kind": "solid", "inks": ["C"], "tone_pct": 100.0, "density": density},
        {
            "x_mm": 216.0,
            "kind": "paper",
            "inks": [],
            "tone_pct": 0.0,
            "density": {"C": 0.0, "M": 0.0, "Y": 0.0, "K": 0.0},
        },
    ]
    return {
        "scan_id": SCAN,
        "run_id": RUN,
        "side": "front",
        "sheet": 1210,
        "pulled_at": None,
        "taken_at": AT,
        "extent": "part",
        "instrument": {
            "id": "strip-1",
            "kind": "strip",
            "status": "E",
            "polarised": True,
            "paper_relative": True,
        },
        "patches": patches,
    }


def _decision() -> dict[str, Any]:
    return {
        "decision_id": "d-000009",
        "proposal_id": PROPOSAL,
        "digest": sent.proposal()["digest"],
        "verdict": "approve",
        "leave": [],
        "change": [{"zone": 7, "to_pct": 44.0}],
        "leave_sweep": False,
        "shown": {"targets": [{"zone": 7, "to_pct": 44.0}], "sweep_pct": 41.5},
        "reason": None,
        "operator": "op-anna",
        "decided_at": AT,
        "signature": SIGNATURE,
    }


def _requests() -> tuple[dict[str, Any], ...]:
    kinds: tuple[dict[str, Any], ...] = (
        {"kind": "hold"},
        {"kind": "release"},
        {"kind": "ok_sheet", "scan_id": SCAN, "per_zone": False},
        {"kind": "aims", "unit": UNIT, "aim": 1.45, "tolerance": [-0.05, 0.05]},
        {"kind": "coverage", "unit": UNIT, "coverage": 0.3},
        {"kind": "opening"},
        {"kind": "recall", "job_id": "job-0388"},
        {"kind": "commission", "unit": UNIT, "targets": [{"zone": 7, "to_pct": 44.0}], "why": "direction"},
        {"kind": "acknowledge", "code": "move_failed", "unit": UNIT},
        {"kind": "event", "what": "wash"},
        {"kind": "reading", "unit": UNIT, "zone": 7, "density": 1.42},
    )
    head = {"operator": "op-anna", "press": "press-2"}
    return tuple(
        {"request_id": f"r-{number:06d}", **head, **members, "signature": SIGNATURE}
        for number, members in enumerate(kinds, 1)
    )


def _position() -> dict[str, Any]:
    return {
        "unit": UNIT,
        "seq": 18,
        "sheet": 1244,
        "opening_pct": [*OPENINGS[:6], 44.0, OPENINGS[7]],
        "referenced": [True] * len(OPENINGS),
        "sweep_pct": 41.5,
        "moving": False,
        "blade_id": "blade-7",
        "command_id": "c-000009",
        "refused": None,
        "at": AT,
    }


def examples() -> dict[str, tuple[dict[str, Any], ...]]:
    """Name of a channel -> its example payloads, JSON data."""
    return {
        "status": (sent.status(),),
        "press": (sent.press(),),
        "job": (_job(),),
        "counter": (_counter(),),
        "scan": (_scan(),),
        "reading": (sent.reading(),),
        "proposal": (sent.proposal(),),
        "decision": (_decision(),),
        "request": _requests(),
        "outcome": (sent.outcome(),),
        "command": (sent.command(),),
        "position": (_position(),),
        "alarm": (sent.alarm(),),
        "answer": (sent.answer(),),
    }
