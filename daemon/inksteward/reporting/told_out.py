"""Rows of the tables that come of effects: readings, proposals, outcomes, alarms."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from inksteward.events import Event, Publish, Received, Stamp
from inksteward.reporting.columns import Record
from inksteward.reporting.context import Context, Made, Payload, ms_of, opened
from inksteward.reporting.told_in import taken_at


def said(at: Context, stamp: Stamp, event: Event, effect: Publish) -> None:
    """Rows of one message of the core."""
    data = opened(effect.payload)
    if data is None:
        return  # a topic that was cleared
    if effect.topic == "status":
        if data["run_id"] != at.run_id:
            at.sheet = None
        at.run_id, at.phase = data["run_id"], data["phase"]
    elif effect.topic == "reading":
        scan = opened(event.raw) if isinstance(event, Received) and event.topic == "scan" else None
        at.waste.reading = data  # said() would also keep it for charts
        _reading(at, stamp, data, scan or {})
    elif effect.topic.startswith("proposal/"):
        _proposal(at, stamp, data)
    elif effect.topic == "outcome":
        _outcome(at, stamp, data)
    elif effect.topic == "alarm":
        _alarms(at, data["alarms"])


def _reading(at: Context, stamp: Stamp, data: Payload, scan: Payload) -> None:
    run_id = scan.get("run_id", at.run_id)
    common = {"run_id": run_id, "scan_id": data["scan_id"], "sheet": data["sheet"]}
    seen = {
        **common,
        "phase": at.phase if run_id == at.run_id else None,
        "read_at": stamp.wall_ms,
        "taken_at": taken_at(scan),
        "side": scan.get("side"),
        "extent": scan.get("extent"),
        "instrument_id": (scan.get("instrument") or {}).get("id"),
    }
    for unit, row in data["units"].items():
        _zones(at, {**seen, "unit": unit, "ink": row["ink"]}, row)
    _patches(at, common, scan, {row["index"]: row["code"] for row in data["set_aside"]})
    _notes(at, stamp, {**common, "proposal_id": None, "unit": None}, data.get("notes", ()))


def _zones(at: Context, common: Record, row: Payload) -> None:
    named = {
        "density_d": "density",
        "sigma_d": "sigma",
        "patches": "patches",
        "aim_d": "aim",
        "low_d": "low",
        "high_d": "high",
        "in_tolerance": "in_tolerance",
        "predicted_settled_d": "predicted_settled",
    }
    for zone in range(len(row["density"])):
        values = {column: row[name][zone] if row[name] else None for column, name in named.items()}
        at.emit("scans", {**common, "zone": zone + 1, **values})


def _patches(at: Context, common: Record, scan: Payload, aside: dict[int, str]) -> None:
    for index, patch in enumerate(scan.get("patches") or ()):
        row = {
            **common,
            "patch": index,
            "x_mm": patch["x_mm"],
            "kind": patch["kind"],
            "inks": "+".join(patch.get("inks") or ()) or None,
            "tone_pct": patch.get("tone_pct", 100.0),
            "set_aside": aside.get(index),
        }
        for name, density in (patch.get("density") or {None: None}).items():
            at.emit("patches", {**row, "filter": name, "density_d": density})
        spectrum = patch.get("reflectance")
        for step, value in enumerate(spectrum["values"] if spectrum else ()):
            nm = spectrum["start_nm"] + step * spectrum["step_nm"]
            at.emit("spectra", {**common, "patch": index, "wavelength_nm": nm, "reflectance": value})


def _notes(at: Context, stamp: Stamp, common: Record, notes: Iterable[Payload]) -> None:
    for note in notes:
        zones = " ".join(str(zone) for zone in note["zones"]) or None
        words = {name: note[name] for name in ("code", "text", "remedy")}
        at.emit("notes", {**common, "told_at": stamp.wall_ms, "zones": zones, **words})


def _proposal(at: Context, stamp: Stamp, data: Payload) -> None:
    if not at.proposals.keep(data["proposal_id"], Made(data["unit"], data["ink"], stamp.mono_ns)):
        return
    sweep = data["sweep"] or {}
    names = ("run_id", "proposal_id", "unit", "ink", "sheet")
    common = {name: data[name] for name in names}
    at.emit(
        "proposals",
        {
            **common,
            "phase": at.phase,
            "origin": data["origin"],
            "scan_id": data["scan_id"],
            "proposed_at": stamp.wall_ms,
            "replaces": data["replaces"],
            "moves": len(data["moves"]),
            "sweep_from_pct": sweep.get("from_pct"),
            "sweep_to_pct": sweep.get("to_pct"),
        },
    )
    for move in data["moves"]:
        _proposed(at, common, move)
    noted = {name: data[name] for name in ("run_id", "scan_id", "sheet", "proposal_id", "unit")}
    _notes(at, stamp, noted, data["notes"])


def _proposed(at: Context, common: Record, move: Payload) -> None:
    as_it_is = ("zone", "from_pct", "to_pct", "gap_um_after", "seen_from_sheet", "settled_by_sheet", "why")
    densities = ("measured", "aim", "predicted_next", "predicted_settled")
    row = {name: move[name] for name in as_it_is} | {f"{name}_d": move[name] for name in densities}
    at.emit("proposed_moves", {**common, **row})
    place = {name: common[name] for name in ("run_id", "proposal_id", "unit", "sheet")}
    for limit in move["limited_by"]:
        values = {"limited_by": limit["code"], "withheld_pct": limit["withheld_pct"]}
        at.emit("limited", {**place, "zone": move["zone"], **values})


def _outcome(at: Context, stamp: Stamp, data: Payload) -> None:
    made = at.proposals.get(data["proposal_id"])
    names = ("proposal_id", "unit", "result")
    common = {**at.place(), **{name: data[name] for name in names}}
    told = {name: data[name] for name in ("decision_id", "code", "operator", "via")}
    moved = len(data["moved"])
    refusals = "; ".join(row["text"] for row in data["refusals"]) or None
    at.emit("outcomes", {**common, **told, "ended_at": stamp.wall_ms, "moved": moved, "refusals": refusals})
    common |= {"moved_at": stamp.wall_ms}
    ways = ("from_pct", "to_pct", "read_back_pct")
    for key in data["moved"]:
        row = {name: key[name] for name in ("zone", *ways)}
        at.emit("moves", {**common, "phase": at.phase, "ink": made.ink if made else None, **row})
    if data["sweep"] is not None:
        del common["result"]
        at.emit("sweeps", {**common, **{name: data["sweep"][name] for name in ways}})


def _alarms(at: Context, standing: list[Payload]) -> None:
    there: dict[tuple[Any, ...], Payload] = {
        (row["code"], row["unit"], row["zone"], row["since"]): row for row in standing
    }
    for key in [key for key in at.alarms if key not in there]:
        at.emit("alarms", {**at.alarms.pop(key), "ended_at": at.wall_ms})
    for key, row in there.items():
        known = at.alarms.get(key) or {
            "run_id": at.run_id,
            **{name: row[name] for name in ("code", "unit", "zone", "latched", "text", "remedy")},
            "began_at": ms_of(row["since"]),
            "began_sheet": at.sheet,
        }
        at.alarms[key] = {**known, "count": row["count"]}
