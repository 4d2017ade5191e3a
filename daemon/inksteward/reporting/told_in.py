"""Rows of the tables that come of events: counts, read-backs, decisions, requests, jobs, starts."""

from __future__ import annotations

import hashlib
from typing import Any

from inksteward.canonical import canonical
from inksteward.events import Effect, InputDropped, OperatorsChanged, Received, Stamp, Started
from inksteward.reporting.context import Answered, Context, Payload, answer_in, ms_of, opened


def started(at: Context, stamp: Stamp, event: Started) -> None:
    """The service started: configuration, calibrations, and what went on from before."""
    operators(at, event.operators)
    run = (event.snapshot or {}).get("run") or {}
    at.run_id, at.phase = run.get("run_id"), run.get("phase")
    at.sheet = (run.get("counted") or {}).get("sheet")
    common = {"run_id": at.run_id, "started_at": stamp.wall_ms}
    at.emit(
        "starts",
        {
            **common,
            "press": _press(event.config),
            "core_version": event.core_version,
            "fingerprint": event.fingerprint,
            "instance": event.instance,
            "config_sha256": hashlib.sha256(canonical(event.config)).hexdigest(),
        },
    )
    for unit in event.config.get("unit") or ():
        dated = unit.get("calibration") or {}
        row = {
            name: dated.get(name) for name in ("blade_id", "calibrated_on", "expires_on", "uncertainty_um")
        }
        valid = event.calibration_valid.get(unit["unit"])
        at.emit(
            "calibrations",
            {**common, "unit": unit["unit"], **row, "min_gap_um": unit.get("min_gap_um"), "valid": valid},
        )
    if isinstance(job := run.get("job"), dict):
        _job(at, stamp, job)


def _press(config: Payload) -> str | None:
    press = config.get("press")
    return press.get("id") if isinstance(press, dict) else press


def operators(at: Context, rows: tuple[dict[str, Any], ...]) -> None:
    """Who may decide, by name."""
    at.names = {row["id"]: row["name"] for row in rows}


def happened(at: Context, stamp: Stamp, event: object, effects: tuple[Effect, ...]) -> None:
    """Rows of one event; ``effects`` hold what the core answered."""
    if isinstance(event, Started):
        started(at, stamp, event)
    elif isinstance(event, OperatorsChanged):
        operators(at, event.operators)
    elif isinstance(event, Received):
        _received(at, stamp, event, effects)
    elif isinstance(event, InputDropped):
        dropped = {
            "field": None,
            "value": f"{event.count} messages",
            "expected": "no more than can be taken in",
        }
        common = {"run_id": at.run_id, "refused_at": stamp.wall_ms, "topic": event.topic, "id": None}
        at.emit("refused", {**common, **dropped})


def _received(at: Context, stamp: Stamp, event: Received, effects: tuple[Effect, ...]) -> None:
    answer = answer_in(effects, event.topic)
    if answer is not None and not answer["accepted"]:
        _refused(at, stamp, event.topic, answer)
    data = opened(event.raw)
    if data is None:
        return
    came = Answered(stamp, data, answer)
    if event.topic == "counter" and came.accepted:
        _counted(at, came, event.raw)
    elif event.topic.startswith("keys/") and event.topic.endswith("/position") and came.accepted:
        _positions(at, came)
    elif event.topic == "decision":
        _decision(at, came, event)
    elif event.topic == "request":
        _request(at, came, event)
    elif event.topic == "job" and came.accepted:
        _job(at, stamp, data)


def _refused(at: Context, stamp: Stamp, topic: str, answer: Payload) -> None:
    common = {"run_id": at.run_id, "refused_at": stamp.wall_ms, "topic": topic, "id": answer["id"]}
    for error in answer["errors"] or ({"field": None, "value": None, "expected": None},):
        at.emit("refused", {**common, **{name: error[name] for name in ("field", "value", "expected")}})


def _counted(at: Context, came: Answered, raw: bytes) -> None:
    data = came.data
    if data["run_id"] != at.run_id:
        at.run_id = data["run_id"]  # of a run without a job no other message says so
    at.sheet = data["sheet"]
    common = {"run_id": at.run_id, "phase": at.phase, "counted_at": came.stamp.wall_ms}
    names = ("speed_sph", "printing", "fountain_turning", "good")
    at.emit("counter", {**common, "sheet": at.sheet, **{name: data.get(name) for name in names}})
    run_id, sheet, before = at.waste.run_id, at.waste.sheet, at.waste.waste
    at.waste.counted(raw)
    if at.waste.run_id == run_id and at.waste.sheet > sheet:
        more = {f"{name}_sheets": count - before[name] for name, count in at.waste.waste.items()}
        ends = {"from_sheet": sheet, "to_sheet": at.waste.sheet, "printed_sheets": at.waste.sheet - sheet}
        at.emit("waste", {**common, **ends, **more})


def _positions(at: Context, came: Answered) -> None:
    data = came.data
    names = ("sheet", "unit", "sweep_pct", "moving", "blade_id", "command_id")
    common = {"run_id": at.run_id, "read_at": came.stamp.wall_ms, **{name: data.get(name) for name in names}}
    for zone, (opening, referenced) in enumerate(
        zip(data["opening_pct"], data["referenced"], strict=True), start=1
    ):
        at.emit("positions", {**common, "zone": zone, "opening_pct": opening, "referenced": referenced})


def _who(at: Context, came: Answered, event: Received) -> Payload:
    operator = event.authenticated_as or came.data.get("operator")
    name = at.names.get(operator) if isinstance(operator, str) else None
    return {"operator": operator, "operator_name": name, "via": event.via.value}


def _decision(at: Context, came: Answered, event: Received) -> None:
    """A decision that comes a second time changes nothing, and stands here once."""
    data, answer = came.data, came.answer
    named = data.get("decision_id")
    if answer is None or answer["id"] is None or named != answer["id"]:
        return  # it could not be read: what was wrong stands under 'refused'
    if came.accepted and not at.decided.keep(f"decision {named}", None):
        return
    made = at.proposals.get(data["proposal_id"])
    at.emit(
        "decisions",
        {
            **at.place(),
            "decision_id": named,
            "proposal_id": data["proposal_id"],
            "unit": made.unit if made else None,
            "ink": made.ink if made else None,
            "verdict": data["verdict"],
            "left_moves": len(data.get("leave") or ()),
            "changed_moves": len(data.get("change") or ()),
            "left_sweep": bool(data.get("leave_sweep")),
            "reason": data.get("reason"),
            **_who(at, came, event),
            "decided_at": came.stamp.wall_ms,
            "waited_s": round((came.stamp.mono_ns - made.mono_ns) / 1e9, 3) if made else None,
            "accepted": came.accepted,
        },
    )


def _request(at: Context, came: Answered, event: Received) -> None:
    data, answer = came.data, came.answer
    named = data.get("request_id")
    if answer is None or answer["id"] is None or named != answer["id"]:
        return
    if came.accepted and not at.decided.keep(f"request {named}", None):
        return
    at.emit(
        "requests",
        {
            **at.place(),
            "request_id": named,
            "kind": data["kind"],
            **_who(at, came, event),
            "asked_at": came.stamp.wall_ms,
            "unit": data.get("unit"),
            "scan_id": data.get("scan_id"),
            "what": data.get("what") or data.get("code") or data.get("job_id"),
            "accepted": came.accepted,
        },
    )


def _job(at: Context, stamp: Stamp, job: Payload) -> None:
    if job["run_id"] != at.run_id:
        at.sheet = None
    at.run_id = job["run_id"]
    basis = {name: job["basis"][name] for name in ("status", "polarised", "paper_relative")}
    common = {name: job.get(name) for name in ("run_id", "job_id", "phase", "condition")}
    for row in job["units"] or ({"unit": None, "ink": None},):
        at.emit(
            "jobs",
            {**common, **basis, "told_at": stamp.wall_ms, "unit": row["unit"], "ink": row["ink"]},
        )


def taken_at(data: Payload) -> int | None:
    """When the instrument says that it measured."""
    return ms_of(data.get("taken_at"))
