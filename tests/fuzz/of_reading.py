"""Target: the reading room on any valid scan."""

from __future__ import annotations

import math
import struct
from dataclasses import replace
from typing import Any

from inksteward.contract.base import decode
from inksteward.contract.inputs import Scan, Strip
from inksteward.reading import Lane, read_scan
from tests.fuzz.form import Target, dense, finite

LANES = tuple(Lane(f"u-{ink}", ink, "front", 6, 32.5, 0.0, 1.7, (1.4,) * 6, (0.02,) * 6) for ink in "KCMY")
PATCH = struct.Struct(">BBhB4h")
MOST_PATCHES = 64
"""More say nothing new and take their time."""
PLACES = tuple((14.0 + 5.0 * index, "KCMY"[index % 4]) for index in range(36))
STRIP = Strip.model_validate_json(
    dense({"id": "s", "patches": [{"x_mm": x, "kind": "solid", "inks": [ink]} for x, ink in PLACES]})
)


def _patch(form: int, inks: int, place: int, tone: int, *values: int) -> dict[str, Any]:
    names = [name for bit, name in enumerate(("K", "C", "M", "Y", "P1")) if inks >> bit & 1]
    densities = [min(6.0, max(-0.5, value / (1000.0 if form & 8 else 5000.0))) for value in values]
    patch: dict[str, Any] = {
        "x_mm": min(5000.0, place / (10.0 if form & 16 else 100.0)),
        "kind": ("solid", "tint", "overprint", "grey", "paper", "solid", "solid", "solid")[form & 7],
        "inks": names if inks & 32 else names[:1],
        "tone_pct": min(100.0, tone / 2.0),
    }
    if form & 128:
        patch["reflectance"] = {"start_nm": 380 + tone % 50, "step_nm": 1 + tone % 20, "values": [0.1] * 36}
    else:
        patch["density"] = None if form & 64 else dict(zip("CMYK", densities, strict=True))
    if form & 32 and not form & 128:
        patch["density"] = {**(patch["density"] or {}), "P1": densities[0]}
    return patch


def reading(data: bytes) -> None:
    """Any valid scan: first a byte of what sort it is, then eleven bytes for each patch. Every number is finite, and
    no patch is both used and set aside."""
    sort, body = (data or b"\x00")[0], data[1:]
    rows = [PATCH.unpack_from(body, at) for at in range(0, len(body) - PATCH.size + 1, PATCH.size)]
    scan, _ = decode(Scan, dense(_scan(sort, [_patch(*row) for row in rows[:MOST_PATCHES]])))
    found = read_scan(
        scan,
        tuple(replace(lane, expected=(), expected_sigma=()) for lane in LANES) if sort & 16 else LANES,
        strip=STRIP if sort & 32 else None,
        sheet=None,
        patch_width_mm=5.0,
        instrument_sigma=0.0075,
        sheet_sigma=0.015,
    )
    finite(found)
    used = [patch.index for lane in found.lanes.values() for patch in lane.patches]
    aside = [each.index for each in found.asides]
    assert len(used) + len(aside) == len({*used, *aside})
    for lane in found.lanes.values():
        for patch in lane.patches:
            assert math.isclose(math.fsum(share for _, share in patch.weights), 1.0, abs_tol=1e-9)


def _scan(sort: int, patches: list[dict[str, Any]]) -> dict[str, Any]:
    instrument = {
        "id": "strip-1",
        "kind": "hand" if sort & 1 else "strip",
        "status": "TEAIM"[sort >> 6],
        "polarised": True,
        "paper_relative": bool(sort & 2),
    }
    return {
        "scan_id": "s-1",
        "run_id": "run-1",
        "side": "front" if sort & 4 == 0 else "back",
        "sheet": 100,
        "taken_at": "2026-03-02T08:15:30.000Z",
        "extent": "part" if sort & 8 else "full",
        "instrument": instrument,
        "patches": patches,
    }


def _reading_samples() -> tuple[bytes, ...]:
    solids = b"".join(
        PATCH.pack(
            21, 1 << "KCMY".index(ink), round(10 * x), 200, *(1400 if name == ink else 200 for name in "CMYK")
        )
        for x, ink in PLACES
    )
    others = b"".join(PATCH.pack(16 + kind, 6 + 32, 100 * kind, 100, 900, 800, 300, 500) for kind in range(5))
    return tuple(bytes((sort,)) + solids + others for sort in (0, 2, 8, 32, 34, 50))


TARGETS: dict[str, Target] = {"reading": Target(reading, _reading_samples, 25)}
