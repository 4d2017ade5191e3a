"""One or more valid payloads for every topic that the service listens to, typed in from the contract's text."""

from typing import Any

T0 = "2026-03-02T08:15:30.000Z"
DIGEST = "sha256:" + "0f" * 32
REQUESTS: list[dict[str, Any]] = [
    {"kind": "hold"},
    {"kind": "release"},
    {"kind": "ok_sheet", "scan_id": "s-000017", "per_zone": True},
    {"kind": "aims", "unit": "u2", "aim": 1.45, "tolerance": [-0.05, 0.05]},
    {"kind": "aims", "unit": "u2", "aim": [1.45, 1.40], "tolerance": [-0.05, 0.05]},
    {"kind": "opening"},
    {"kind": "recall", "job_id": "j-1"},
    {
        "kind": "commission",
        "unit": "u2",
        "targets": [{"zone": 7, "to_pct": 44.0}],
        "why": "direction of key 7",
    },
    {"kind": "acknowledge", "code": "move_failed", "unit": "u2"},
    *(
        {"kind": "event", "what": what}
        for what in ("wash", "ink", "paper", "water", "speed", "plate", "blade")
    ),
    {"kind": "reading", "unit": "u2", "zone": 7, "density": 1.42},
]

INBOUND: dict[str, list[dict[str, Any]]] = {
    "job": [
        {
            "job_id": "j-1",
            "run_id": "run-0412",
            "phase": "opening",
            "basis": {"status": "E", "polarised": True, "paper_relative": True},
            "units": [
                {
                    "unit": "u2",
                    "ink": "C",
                    "aim": 1.45,
                    "tolerance": [-0.05, 0.05],
                    "coverage": [0.1, 0.3],
                    "d_inf": 1.65,
                    "m": 2.1,
                },
                {"unit": "u3", "ink": "M", "aim": [1.40, 1.42]},
                {"unit": "u4", "ink": "varnish", "aim": None},
            ],
            "strip": {
                "id": "strip-a",
                "mirror": False,
                "patches": [{"x_mm": 14.0, "kind": "solid", "inks": ["C"], "tone_pct": 100}],
            },
            "sheet": {"width_mm": 1030.0, "left_edge_mm": 5.0},
        }
    ],
    "counter": [
        {
            "run_id": "run-0412",
            "sheet": 1210,
            "speed_sph": 12000.0,
            "printing": True,
            "fountain_turning": None,
            "good": None,
            "at": T0,
        }
    ],
    "scan": [
        {
            "scan_id": "s-000017",
            "run_id": "run-0412",
            "side": "front",
            "sheet": 1210,
            "pulled_at": None,
            "taken_at": T0,
            "extent": "full",
            "instrument": {
                "id": "strip-1",
                "kind": "strip",
                "status": "E",
                "polarised": True,
                "paper_relative": True,
            },
            "patches": [
                {
                    "x_mm": 14.0,
                    "kind": "solid",
                    "inks": ["C"],
                    "tone_pct": 100,
                    "density": {"C": 1.41, "M": 0.47, "Y": 0.14, "K": 0.52},
                },
                {
                    "x_mm": 19.0,
                    "kind": "paper",
                    "inks": [],
                    "tone_pct": 0,
                    "density": {"C": 0.0, "M": 0.0, "Y": 0.0, "K": 0.0},
                },
                {"x_mm": 24.0, "kind": "tint", "inks": ["C"], "tone_pct": 40, "density": None},
                {
                    "x_mm": 29.0,
                    "kind": "overprint",
                    "inks": ["C", "M"],
                    "tone_pct": 100,
                    "reflectance": {"start_nm": 380, "step_nm": 10, "values": [0.1] * 36},
                },
            ],
        },
        {
            "scan_id": "s-000018",
            "run_id": "run-0412",
            "side": "back",
            "sheet": None,
            "pulled_at": T0,
            "taken_at": T0,
            "extent": "part",
            "instrument": {
                "id": "hand-1",
                "kind": "hand",
                "status": "T",
                "polarised": False,
                "paper_relative": False,
            },
            "patches": [],
        },
    ],
    "decision": [
        {
            "decision_id": "d-1",
            "proposal_id": "p-1",
            "digest": DIGEST,
            "verdict": verdict,
            "leave": [9],
            "change": [{"zone": 7, "to_pct": 44.0}],
            "leave_sweep": False,
            "shown": {"targets": [{"zone": 7, "to_pct": 44.0}], "sweep_pct": 41.5},
            "reason": None,
            "operator": "op-anna",
            "decided_at": T0,
            "signature": "eyJh.eyJi.c2ln",
        }
        for verdict in ("approve", "reject")
    ],
    "request": [
        {"request_id": "r-1", "operator": "op-anna", "signature": "eyJh.eyJi.c2ln", **members}
        for members in REQUESTS
    ],
    "position": [
        {
            "unit": "u2",
            "seq": 18,
            "sheet": 1210,
            "opening_pct": [42.0, 45.1],
            "referenced": [True, False],
            "sweep_pct": 40.0,
            "moving": False,
            "blade_id": "blade-7",
            "command_id": None,
            "refused": None,
            "at": T0,
        }
    ],
}
