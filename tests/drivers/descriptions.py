"""A described strip reader for tests: its settings, and what it says on the line."""

from copy import deepcopy
from functools import reduce
from operator import xor
from typing import Any

START, END = b"\x02", b"\x03"
SETTINGS: dict[str, Any] = {
    "url": "/dev/null",
    "frame": {"kind": "marked", "start": "02", "end": "03", "between": "0D 0A"},
    "checksum": {"kind": "xor8", "covers": ["body", "end"], "place": "after_end", "written": "binary"},
    "begin": {"pattern": r"B(?P<sheet>\d+),(?P<run_id>[\w-]+),(?P<count>\d+)"},
    "patch": {
        "starts_with": "P;",
        "delimiter": ";",
        "columns": [
            *("position", "kind", "ink", "tone"),
            *("density_C", "density_M", "density_Y", "density_K"),
        ],
    },
    "end": {"pattern": "E"},
    "values": {"position": "mm", "missed": ["-"]},
    "scan": {"ends_by": "end", "side": "front"},
    "instrument": {
        "id": "strip-1",
        "kind": "strip",
        "status": "E",
        "polarised": True,
        "paper_relative": True,
    },
}
ABSENT = object()


def described(*changes: tuple[str, Any]) -> dict[str, Any]:
    """SETTINGS with values put at dotted places; ABSENT takes one out."""
    data = deepcopy(SETTINGS)
    for path, value in changes:
        *above, last = path.split(".")
        table = data
        for name in above:
            table = table.setdefault(name, {})
        if value is ABSENT:
            del table[last]
        else:
            table[last] = value
    return data


def framed(text: str) -> bytes:
    """One frame of the device, its line end behind it."""
    body = text.encode()
    return START + body + END + bytes([reduce(xor, body + END)]) + b"\r\n"


def messages_of(scan: dict[str, Any]) -> list[str]:
    """What the device says for a contract scan."""
    head = f"B{scan['sheet']},{scan['run_id']},{len(scan['patches'])}"
    return [head, *(_patch(row) for row in scan["patches"]), "E"]


def _patch(row: dict[str, Any]) -> str:
    density = row["density"] or dict.fromkeys("CMYK", "-")
    values = [
        row["x_mm"],
        row["kind"],
        "".join(row["inks"]),
        row["tone_pct"],
        *(density[name] for name in "CMYK"),
    ]
    return "P;" + ";".join(str(value) for value in values)


def wire_of(scan: dict[str, Any]) -> bytes:
    """The same as bytes."""
    return b"".join(framed(text) for text in messages_of(scan))
