"""Putting a scan together from its parts."""

import json
from typing import Any

import pytest

from inksteward.contract import decode
from inksteward.contract.inputs import Scan
from inksteward_drivers.line_messages import Misread
from inksteward_drivers.strip_parts import Assembly, WholeScan
from inksteward_simulators.strip_wires import BODY_ROOM, bodies_of, head_of
from tests.drivers.behaviours import PATCH, scan_of


def _part(first: int, *patches: dict[str, Any], scan: int = 1) -> bytes:
    return json.dumps({"msg": "patches", "scan": scan, "first": first, "patches": patches}).encode()


def _head(count: int, **changes: Any) -> bytes:
    return json.dumps(head_of(scan_of(), 1) | {"count": count} | changes).encode()


def _patch(x_mm: float = 14.0, **changes: Any) -> dict[str, Any]:
    return PATCH | {"x_mm": x_mm} | changes


def _all(assembly: Assembly, bodies: list[bytes]) -> WholeScan | None:
    whole = None
    for body in bodies:
        assert whole is None, "complete before its last part"
        whole = assembly.take(body)
    return whole


@pytest.mark.parametrize("patches", [1, 24, 25, 216, 2000])
def test_scan_of_any_size(patches: int) -> None:
    """A scan of 1 to 2000 patches comes out as it went in, whatever the number of parts, under the service's id."""
    whole = _all(
        Assembly(), bodies_of(scan_of(patches=max(patches, 2)) | {"patches": [_patch()] * patches}, 1)
    )
    assert whole is not None
    scan, _ = decode(Scan, whole.payload("id-1", "2026-03-02T08:15:30.000Z", None))
    assert (scan.scan_id, len(scan.patches), scan.instrument.id) == ("id-1", patches, "strip-1")


def test_spectral_patches_fit_the_frames() -> None:
    """Patches with spectra are sent in smaller parts, so that no body outgrows a frame, and come out whole."""
    spectrum = {"start_nm": 380, "step_nm": 10, "values": [0.123456] * 36}
    rows = [{"x_mm": 1.0 * n, "kind": "solid", "inks": ["C"], "reflectance": spectrum} for n in range(50)]
    bodies = bodies_of(scan_of() | {"patches": rows}, 1)
    assert max(len(body) for body in bodies) <= BODY_ROOM
    whole = _all(Assembly(), bodies)
    assert whole is not None
    assert list(whole.patches) == rows


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (_part(1, _patch()), "patches from 1 of scan 1: expected from 0 of scan 1"),
        (_part(0, _patch(), scan=2), "patches from 0 of scan 2: expected from 0 of scan 1"),
        (_part(0, *[_patch()] * 3), "patch 3: expected at most 2"),
        (_part(0), "patches"),
        (_part(0, _patch(colour="red")), "colour"),
        (_part(0, _patch(density={"C": 9.0})), "density"),
        (_part(0, _patch(kind="stripe")), "kind"),
        (_part(0, _patch(5001.0)), "x_mm"),
    ],
)
def test_part_that_does_not_fit(body: bytes, words: str) -> None:
    """A part out of order, too long, or with an unknown or impossible member drops its scan and says why."""
    assembly = Assembly()
    assembly.take(_head(2))
    with pytest.raises(Misread, match=words):
        assembly.take(body)
    assert assembly.dropped == 1
    assert not assembly.begun


def test_new_scan_drops_the_one_before() -> None:
    """A scan that begins before the one before it is complete counts that one as dropped."""
    assembly = Assembly()
    assembly.take(_head(2))
    assembly.take(_head(1))
    assert assembly.dropped == 1
    assert assembly.take(_part(0, _patch())) is not None


def test_fingerprint_is_of_the_content() -> None:
    """The same scan has the same fingerprint however it was cut; another number, sheet or value has another."""
    rows = [_patch(), _patch(19.0)]

    def fingerprint(head: bytes, *parts: bytes) -> str:
        whole = _all(Assembly(), [head, *parts])
        assert whole is not None
        return whole.fingerprint

    same = fingerprint(_head(2), _part(0, *rows))
    assert fingerprint(_head(2), _part(0, rows[0]), _part(1, rows[1])) == same
    assert fingerprint(_head(2, sheet=1211), _part(0, *rows)) != same
    assert fingerprint(_head(2, scan=2), _part(0, *rows, scan=2)) != same
    assert fingerprint(_head(2), _part(0, rows[0], _patch(19.0, density={"C": 1.42}))) != same


@pytest.mark.parametrize(("field", "least", "most"), [("count", 1, 2000), ("scan", 0, 2**32 - 1)])
def test_numbers_of_a_scan_at_their_limits(field: str, least: int, most: int) -> None:
    """Number and patch count of a scan are taken at their limits and refused one beyond."""
    for value in (least, most):
        Assembly().take(_head(**{"count": 2, field: value}))
    for value in (least - 1, most + 1):
        with pytest.raises(Misread, match=f"{field} = {value}"):
            Assembly().take(_head(**{"count": 2, field: value}))
