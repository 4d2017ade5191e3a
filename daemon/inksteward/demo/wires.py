"""How strip reader and key cabinet of the demo are wired, and what the configuration says of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from inksteward_simulators.scenario_forms import Scenario


@dataclass(frozen=True, slots=True)
class Wires:
    """How the two processes speak. Strip reader: `mqtt`, `pty`, `text`, `folder`; keys: `mqtt`, `pty`, `modbus`."""

    strip: str
    keys: str


WIRES = {
    "mqtt": Wires("mqtt", "mqtt"),
    "serial": Wires("pty", "pty"),
    "text": Wires("text", "pty"),
    "folder": Wires("folder", "mqtt"),
    "modbus": Wires("mqtt", "modbus"),
}


def filters_of(scenario: Scenario) -> tuple[str, ...]:
    """Densities that a reader of plain text says of each patch: the four filters, then spot inks."""
    spots = sorted({unit.ink for unit in scenario.units} - set("CMYK"))
    return ("C", "M", "Y", "K", *spots)


def wired(name: str, scenario: Scenario, places: dict[str, str], data: dict[str, Any]) -> dict[str, Any]:
    """Strip reader and key bank for the configuration; ``places``: where each process listens."""
    wires, (bank, *_) = WIRES[name], data["key_bank"]
    changed: dict[str, Any] = {}
    if wires.strip == "pty":
        changed["strip_reader"] = [_reader("serial", {"url": places["strip"]})]
    elif wires.strip == "text":
        changed["strip_reader"] = [_reader("described", _text(scenario, places["strip"]))]
    elif wires.strip == "folder":
        changed["strip_reader"] = [_reader("folder", _files(scenario, places["strip"]))]
    if wires.keys == "pty":
        changed["key_bank"] = [{**bank, "driver": "serial", "settings": {"url": places["keys"]}}]
    elif wires.keys == "modbus":
        settings = _registers(scenario, int(places["keys"]))
        changed["key_bank"] = [{**bank, "driver": "modbus", "settings": settings}]
    return changed


def _reader(driver: str, settings: dict[str, Any]) -> dict[str, Any]:
    return {"name": "strip", "driver": driver, "settings": settings}


def _instrument(scenario: Scenario) -> dict[str, Any]:
    return {
        "id": "strip-1",
        "kind": "strip",
        "status": scenario.job.status,
        "polarised": scenario.job.polarised,
        "paper_relative": scenario.job.paper_relative,
    }


def _values(scenario: Scenario) -> dict[str, Any]:
    """What the simulated reader's words for inks mean, in text and in files."""
    inks = [unit.ink for unit in scenario.units]
    pairs = {f"{a}+{b}": [a, b] for a in inks for b in inks if a != b}
    named = {"-": [], **{ink: [ink] for ink in inks}, **pairs, "C+M+Y": ["C", "M", "Y"]}
    return {"position": "mm", "missed": ["-"], "inks": named}


def _files(scenario: Scenario, folder: str) -> dict[str, Any]:
    """The tables of the simulated reader (simulators/inksteward_simulators/file_wire.py)."""
    densities = {f"density_{name}": name for name in filters_of(scenario)}
    return {
        "path": folder,
        "pattern": "*.csv",
        "form": "csv",
        "name": r"(?P<run_id>[A-Za-z0-9-]+)_(?P<sheet>[0-9]+)[.]csv",
        "poll_s": 0.2,
        "settle_s": 0.2,
        "columns": {"position": "mm", "kind": "what", "ink": "ink", "tone": "tone", **densities},
        "values": _values(scenario),
        "scan": {"side": "front"},
        "instrument": _instrument(scenario),
    }


def _text(scenario: Scenario, url: str) -> dict[str, Any]:
    """The plain text of the simulated reader (simulators/inksteward_simulators/text_wire.py), described."""
    densities = [f"density_{name}" for name in filters_of(scenario)]
    return {
        "url": url,
        "frame": {"kind": "line", "end": "0D 0A"},
        "checksum": {"kind": "crc16_modbus"},
        "begin": {"pattern": r"B(?P<sheet>\d+),(?P<run_id>[\w.-]+),(?P<count>\d+)"},
        "patch": {
            "starts_with": "P",
            "delimiter": ";",
            "columns": ["position", "kind", "ink", "tone", *densities],
        },
        "end": {"pattern": "E"},
        "values": _values(scenario),
        "scan": {"ends_by": "end", "side": "front"},
        "instrument": _instrument(scenario),
    }


def _registers(scenario: Scenario, port: int) -> dict[str, Any]:
    """The registers of the simulated cabinet (simulators/inksteward_simulators/modbus_cabinet.py)."""
    units = {unit.unit: _unit(number, unit.blade_id) for number, unit in enumerate(scenario.units)}
    return {"host": "127.0.0.1", "port": port, "unit": units}


def _unit(number: int, blade_id: str) -> dict[str, Any]:
    from inksteward_simulators import modbus_cabinet as cabinet

    base = cabinet.BLOCK * number
    percent = {"percent_per_count": 1.0 / cabinet.COUNTS_PER_PCT}
    return {
        "position": {"address": base + cabinet.POSITION, **percent},
        "target": {"address": base + cabinet.TARGET, **percent},
        "sweep": {"address": base + cabinet.SWEEP, **percent},
        "sweep_target": {"address": base + cabinet.SWEEP_TARGET, **percent},
        "referenced": {"address": base + cabinet.REFERENCED},
        "moving": {"address": base + cabinet.MOVING},
        "selected": {"address": base + cabinet.SELECTED},
        "start": {"address": base + cabinet.START},
        "ended": {"address": base + cabinet.ENDED},
        "refusal": {"address": base + cabinet.REFUSAL},
        "refusals": {str(number): name for name, number in cabinet.REFUSALS.items()},
        "sheet": {"address": base + cabinet.SHEET},
        "blade_id": blade_id,
    }
