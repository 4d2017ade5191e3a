"""Puts the parts of a scan together as they come over the strip line. Pure."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from typing import Any

from inksteward_drivers.line_messages import Misread, Patches, ScanHead, understood, word


@dataclass(frozen=True, slots=True)
class WholeScan:
    """A scan that is complete: its head, its patches as they came, and a fingerprint of its content."""

    head: ScanHead
    patches: tuple[dict[str, Any], ...]
    fingerprint: str

    def payload(self, scan_id: str, taken_at: str, pulled_at: str | None) -> bytes:
        """The contract's ``scan`` payload."""
        head = self.head
        scan = {
            "scan_id": scan_id,
            "run_id": head.run_id,
            "side": head.side,
            "sheet": head.sheet,
            "pulled_at": pulled_at,
            "taken_at": taken_at,
            "extent": head.extent,
            "instrument": head.instrument.model_dump(mode="json"),
            "patches": self.patches,
        }
        return json.dumps(scan, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()


@dataclass(slots=True)
class Assembly:
    """Takes bodies of DATA frames in order and gives the scan that the last one completed.

    ``dropped`` counts scans that were begun and never finished. A part that does not fit raises Misread and
    drops the scan that it belongs to.
    """

    dropped: int = 0
    _head: ScanHead | None = None
    _body: bytes = b""
    _patches: list[dict[str, Any]] = field(default_factory=list)

    @property
    def begun(self) -> bool:
        """Whether parts are still expected."""
        return self._head is not None

    def take(self, body: bytes) -> WholeScan | None:
        """One part. Raises Misread in words for the instrument."""
        msg, data = word(body)
        if msg == "scan":
            self._begin(body)
            return None
        if msg == "patches":
            return self._add(body, data)
        raise Misread(f"msg = {msg[:40]!r}: expected scan or patches")

    def drop(self) -> None:
        """Give up the scan that was begun, if any."""
        if self._head is not None:
            self.dropped += 1
        self._head = None
        self._patches = []

    def _begin(self, body: bytes) -> None:
        self.drop()
        head = understood(ScanHead, body)
        if head.sheet is None and head.pulled_ago_s is None:
            raise Misread("sheet = null: expected a sheet number, or pulled_ago_s")
        self._head, self._body = head, body

    def _add(self, body: bytes, data: dict[str, Any]) -> WholeScan | None:
        head = self._head
        if head is None:
            raise Misread("patches without a scan that was begun: expected scan first")
        try:
            part = understood(Patches, body)
            if (part.scan, part.first) != (head.scan, len(self._patches)):
                raise Misread(
                    f"patches from {part.first} of scan {part.scan}: "
                    f"expected from {len(self._patches)} of scan {head.scan}"
                )
            if part.first + len(part.patches) > head.count:
                raise Misread(f"patch {part.first + len(part.patches)}: expected at most {head.count}")
        except Misread:
            self.drop()
            raise
        self._patches += data["patches"]
        if len(self._patches) < head.count:
            return None
        whole = WholeScan(head, tuple(self._patches), self._fingerprint())
        self._head, self._patches = None, []
        return whole

    def _fingerprint(self) -> str:
        """Of head and patches; two scans with the same one are one scan that was sent twice."""
        text = json.dumps(self._patches, sort_keys=True, separators=(",", ":")).encode()
        return hashlib.sha256(self._body + text).hexdigest()
