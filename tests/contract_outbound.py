"""One or more valid payloads for every topic that the service publishes, typed in from the contract's text."""

from typing import Any

T0 = "2026-03-02T08:15:30.000Z"
DIGEST = "sha256:" + "0f" * 32
HEAD = {"seq": 4711, "head": "ab" * 32}
LIMIT_SET = {
    "step_pct": 15.0,
    "adjacent_um": 60.0,
    "interaction_ln": 0.6,
    "total_pct": 10.0,
    "accumulated_key_pct": 150.0,
    "accumulated_unit_pct": 100.0,
    "sweep_step_pct": 20.0,
}

OUTBOUND: dict[str, list[dict[str, Any]]] = {
    "status": [
        {
            "state": state,
            "instance": "i-1",
            "at": T0,
            "since": T0,
            "version": "0.1.0",
            "run_id": "run-0412",
            "phase": "makeready",
            "bench": False,
            "reason": None,
            "journal": HEAD,
        }
        for state in ("online", "holding", "offline")
    ],
    "press": [
        {
            "units": [
                {
                    "unit": "u2",
                    "side": "front",
                    "zones": 32,
                    "pitch_mm": 32.5,
                    "first_edge_mm": 0.0,
                    "blade": "spring",
                    "travel_um": 200.0,
                    "min_gap_um": 15.0,
                    "limits": {"makeready": LIMIT_SET, "run": LIMIT_SET},
                    "sweep": {"min_pct": 10.0, "max_pct": 100.0},
                }
            ]
        }
    ],
    "reading": [
        {
            "scan_id": "s-000017",
            "sheet": 1210,
            "units": {
                "u2": {
                    "ink": "C",
                    "density": [1.41, None],
                    "patches": [2, 0],
                    "sigma": [0.012, None],
                    "aim": [1.45, 1.45],
                    "low": [1.40, 1.40],
                    "high": [1.50, 1.50],
                    "in_tolerance": [True, None],
                    "predicted_settled": [1.43, None],
                    "proposal_id": None,
                    "no_proposal": code,
                }
            },
            "set_aside": [{"index": 3, "code": "outlier", "text": "0.21 D off its neighbours"}],
        }
        for code in (
            None,
            "in_tolerance",
            "within_noise",
            "waiting",
            "unconfirmed_move",
            "not_a_key_fault",
            "infeasible",
            "held",
        )
    ],
    "proposal": [
        {
            "proposal_id": "p-1",
            "press": "press-2",
            "unit": "u2",
            "ink": "C",
            "origin": origin,
            "digest": DIGEST,
            "replaces": None,
            "run_id": "run-0412",
            "scan_id": "s-000017",
            "sheet": 1210,
            "made_at": T0,
            "expires_in_s": 120,
            "expires_sheet": 1700,
            "sweep": {"from_pct": 40.0, "to_pct": 41.5, "why": "every zone is short"},
            "moves": [
                {
                    "zone": 7,
                    "from_pct": 42.0,
                    "to_pct": 45.1,
                    "to_pct_if_sweep_left": 46.4,
                    "gap_um_after": 131.0,
                    "measured": 1.38,
                    "aim": 1.45,
                    "predicted_next": 1.41,
                    "predicted_settled": 1.44,
                    "seen_from_sheet": 1430,
                    "settled_by_sheet": 1780,
                    "limited_by": [{"code": "step", "withheld_pct": 1.2}],
                    "why": "0.07 D below the aim",
                }
            ],
            "left": [{"zone": 3, "code": "in_tolerance", "text": "1.44 D"}],
            "notes": [
                {"code": "aim_below_min_gap", "zones": [1, 2], "text": "needs 12 um", "remedy": "sweep down"}
            ],
        }
        for origin in ("scan", "opening", "recall", "commission")
    ],
    "command": [
        {
            "command_id": "c-1",
            "proposal_id": "p-1",
            "unit": "u2",
            "targets": [{"zone": 7, "from_pct": 42.0, "to_pct": 45.1}],
            "from_tol_pct": 0.5,
            "sweep_pct": 41.5,
            "issued_at": T0,
            "valid_s": 10,
            "sig": "c2ln",
        }
    ],
    "outcome": [
        {
            "proposal_id": "p-1",
            "decision_id": "d-1",
            "unit": "u2",
            "result": result,
            "code": code,
            "operator": "op-anna",
            "via": via,
            "moved": [{"zone": 7, "from_pct": 42.0, "to_pct": 45.1, "read_back_pct": 45.08}],
            "sweep": None,
            "refusals": [{"rule": "min_gap", "zone": 7, "limit": 15.0, "value": 14.2, "text": "14.2 um"}],
            "journal": HEAD,
            "at": T0,
        }
        for result, code, via in (
            ("moved", None, "mqtt"),
            ("rejected", None, "page"),
            ("lapsed", "expired", "command_line"),
            ("refused", None, "mqtt"),
            ("failed", None, "mqtt"),
        )
    ],
    "alarm": [
        {
            "alarms": [
                {
                    "code": "counter_silent",
                    "since": T0,
                    "count": 1,
                    "unit": None,
                    "zone": None,
                    "text": "no counter for 10 s",
                    "remedy": "check the counter",
                    "latched": False,
                }
            ]
        }
    ],
    "answer": [
        {
            "id": "s-000017",
            "topic": "scan",
            "at": T0,
            "accepted": False,
            "errors": [{"field": "patches.3.density.C", "value": "…", "expected": "…"}],
            "stands": None,
        },
        {"id": None, "topic": "scan", "at": T0, "accepted": False, "errors": [], "stands": True},
    ],
}
