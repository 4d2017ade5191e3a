"""Targets: described serial protocols, their frames, messages and scans, and the expressions that describe them."""

from __future__ import annotations

import re
from contextlib import suppress

from inksteward_drivers.described_form import DescriptionForm, description_form
from inksteward_drivers.described_frames import Body, frames_of
from inksteward_drivers.described_pattern import Hazard, checked
from inksteward_drivers.described_scan import Outcome, Whole, scans_of
from tests.drivers.behaviours import scan_of
from tests.drivers.descriptions import described, framed, wire_of
from tests.fuzz.form import Target, finite


def _form() -> DescriptionForm:
    return description_form("strip", described())


_FORM = _form()
_FRAMES = frames_of("strip", _FORM.frame, _FORM.checksum)
_SCANS = scans_of("strip", _FORM)


def stream(raw: bytes) -> None:
    """Any bytes in any pieces give the same frames; every scan that comes of them is whole, with finite numbers."""
    found, pieces = _FRAMES(), _FRAMES()
    size = 1 + len(raw) // 20
    whole = found.feed(raw) + found.idle()
    parts = [
        item for at in range(0, len(raw), size) for item in pieces.feed(raw[at : at + size])
    ] + pieces.idle()
    assert [item for item in parts if isinstance(item, Body)] == [
        item for item in whole if isinstance(item, Body)
    ] or len(raw) > _FORM.frame.max_bytes
    scans = _SCANS()
    outcomes: list[Outcome] = [outcome for item in whole for outcome in scans.take(item)]
    for outcome in [*outcomes, *scans.lost()]:
        if isinstance(outcome, Whole):
            assert outcome.patches
            finite(outcome)
    assert not scans.begun


def expressions(raw: bytes) -> None:
    """Any text as an expression: refused, or one that Python compiles and matches at once."""
    with suppress(Hazard, re.error, UnicodeDecodeError):
        checked(raw.decode("ascii")).fullmatch(b"a" * 256)


TARGETS: dict[str, Target] = {
    "drivers.described": Target(
        stream, lambda: (wire_of(scan_of(patches=2)), framed("E") + wire_of(scan_of())), 80
    ),
    "drivers.expressions": Target(
        expressions,
        lambda: (rb"B(?P<sheet>\d+),(?P<run_id>[\w-]+)", rb"P(?:\.\d+)?;[^;]*;(a|b){2,3}$"),
        100,
    ),
}
