"""What listening shows of bytes and payloads."""

import json
from typing import Any

import pytest

from inksteward.wiring.showing import dump, judged, line
from tests.drivers.behaviours import scan_of

POSITION = {
    "unit": "u1",
    "seq": 4,
    "sheet": 10,
    "opening_pct": [40.0, None, 42.5],
    "referenced": [True, False, True],
    "sweep_pct": None,
    "moving": True,
    "blade_id": "b-1",
}
COUNT = {"run_id": "run-1", "sheet": 7, "speed_sph": 9000, "printing": True}


def test_bytes_sixteen_a_line() -> None:
    """Bytes are shown as digits and, where they can be, as text; nothing of them reaches the terminal raw."""
    rows = list(dump(b"\x02ABC\x1b[31m\xff" + b"z" * 8))
    assert rows[0] == f"{'02 41 42 43 1B 5B 33 31 6D FF 7A 7A 7A 7A 7A 7A':<47}  .ABC.[31m.zzzzzz"
    assert rows[1].split() == ["7A", "7A", "zz"]
    assert list(dump(b"")) == []


def test_a_line_cannot_steer_a_terminal() -> None:
    """Control characters of a device's text are spelt out."""
    assert line(1.5, "frame", "a\x1b[2J\nb") == "    1.500  frame      a\\x1b[2J\\x0ab\n"


@pytest.mark.parametrize(
    ("topic", "payload", "words"),
    [
        (
            "scan",
            scan_of(),
            "scan s-17: run run-0412, sheet 1210, front, full: 40 patches (40 solid), 1 missed, inks C, "
            "x 14 to 201.2 mm, densities 0.14 to 1.41 D",
        ),
        (
            "keys/u1/position",
            POSITION,
            "position of u1, seq 4: 3 keys, 40 to 42.5 %, 1 not referenced, sweep unknown, blade b-1, moving",
        ),
        ("counter", COUNT, "counter: run run-1, sheet 7, 9000 sheets/h, printing, roller unknown"),
    ],
)
def test_payloads_in_one_line(topic: str, payload: dict[str, Any], words: str) -> None:
    """A payload of the contract's form is told in one line."""
    assert judged(topic, json.dumps(payload).encode(), own=True) == (True, words)


def test_what_is_refused_and_why() -> None:
    """A payload that is not of the contract's form is refused by field; one of another's topic whatever it says."""
    good, words = judged("counter", json.dumps({**COUNT, "sheet": -1}).encode(), own=True)
    assert not good
    assert words.startswith("counter: sheet: -1: expected")
    assert judged("decision", b"{}", own=False)[0] is False
    empty = scan_of() | {"patches": [], "sheet": None, "pulled_at": scan_of()["taken_at"]}
    assert (
        "sheet unknown, front, full: 0 patches (none)"
        in judged("scan", json.dumps(empty).encode(), own=True)[1]
    )
