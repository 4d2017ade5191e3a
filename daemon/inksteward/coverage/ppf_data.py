"""Pixels of a PPF preview image out of what stands behind ``CIP3PreviewImage``; nothing grows beyond its stated size.

Encodings ASCIIHexDecode, ASCII85Decode and Binary, compressions None and RunLengthDecode, as the PostScript filters of
these names (PLRM, from memory): hexadecimal ends with >, base 85 with ~>, runs with 128.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Iterator

from inksteward.coverage.errors import CoverageError
from inksteward.coverage.ppf_words import SPACE

END_OF_RUNS = 128
CLOSING = b"CIP3EndSeparation"
_NO_HEX = re.compile(rb"[^0-9a-fA-F]")
ENCODINGS = ("ASCIIHexDecode", "ASCII85Decode", "Binary")
COMPRESSIONS = ("None", "RunLengthDecode")


class Data:
    """Encoded pixels in ``raw`` from ``at`` on: ``size`` bytes of them, no more and no less."""

    def __init__(self, file: str, where: str, raw: bytes, at: int, size: int) -> None:
        self._file, self._where, self._raw, self._at, self._size = file, where, raw, at, size

    def decoded(self, encoding: str, compression: str) -> tuple[bytes, int]:
        """The pixels, and where in the file the data end. Raises CoverageError."""
        if compression not in COMPRESSIONS:
            raise self._fault(f"compression {compression}", f"one of {', '.join(COMPRESSIONS)}")
        runs = compression == "RunLengthDecode"
        if encoding == "Binary":
            return self._binary(runs)
        if encoding not in ENCODINGS:
            raise self._fault(f"encoding {encoding}", f"one of {', '.join(ENCODINGS)}")
        most = 2 * self._size + 2 if runs else self._size
        plain, end = (self._hexadecimal if encoding == "ASCIIHexDecode" else self._base85)(most)
        if runs:
            plain, _ = self._runs(plain, 0)  # what stands behind the end of the runs is no pixel
        if len(plain) != self._size:
            raise self._fault(f"{len(plain)} bytes of pixels", f"{self._size}, by width, height and depth")
        return plain, end

    def _fault(self, told: str, expected: str) -> CoverageError:
        return CoverageError(self._file, f"{self._where}: {told}", expected)

    def _until(self, mark: bytes, most: int) -> tuple[bytes, int]:
        """What stands before the mark, without white space; at most ``most`` bytes of it."""
        end = self._raw.find(mark, self._at)
        if end < 0:
            raise self._fault("data without an end", mark.decode())
        text = self._raw[self._at : end].translate(None, SPACE)
        if len(text) > most:
            raise self._fault(
                f"{len(text)} characters of data", f"at most {most}, by width, height and depth"
            )
        return text, end + len(mark)

    def _hexadecimal(self, most: int) -> tuple[bytes, int]:
        text, end = self._until(b">", 2 * most)
        if _NO_HEX.search(text):
            raise self._fault("data that are not hexadecimal", "digits 0 to F and >")
        return bytes.fromhex((text + b"0" * (len(text) % 2)).decode()), end

    def _base85(self, most: int) -> tuple[bytes, int]:
        text, end = self._until(b"~>", 5 * most // 4 + 8)
        if 4 * text.count(b"z") > most:
            raise self._fault("more data than pixels", f"{most} bytes at most")
        try:
            return base64.a85decode(text.removeprefix(b"<~")), end
        except ValueError as error:
            raise self._fault(f"data that are no base 85 ({error})", "characters ! to u, z and ~>") from error

    def _binary(self, runs: bool) -> tuple[bytes, int]:
        """One white space after the operator, CR and LF together counting as one, then the data. What follows them
        tells where a line ends with CR alone and the data begin with LF."""
        starts = [self._at + 2] if self._raw[self._at : self._at + 2] == b"\r\n" else []
        for start in (*starts, self._at + 1):
            try:
                plain, end = self._runs(self._raw, start) if runs else self._plain(start)
            except CoverageError:
                continue
            behind = self._raw[end : end + 64].lstrip(SPACE)
            if len(plain) == self._size and behind.startswith(CLOSING):
                return plain, end
        raise self._fault(
            "binary data of another length", f"{self._size} bytes of pixels, then {CLOSING.decode()}"
        )

    def _plain(self, start: int) -> tuple[bytes, int]:
        return self._raw[start : start + self._size], start + self._size

    def _runs(self, raw: bytes, start: int) -> tuple[bytes, int]:
        """Runs from ``start`` on, decoded, and where they end: behind the 128, or where the pixels are complete."""
        made, end = bytearray(), start
        for after, run in self._each_run(raw, start):
            if run and len(made) == self._size:
                break
            made += run
            end = after
            if len(made) > self._size:
                raise self._fault("more pixels than stated", f"{self._size} bytes")
        return bytes(made), end

    def _each_run(self, raw: bytes, at: int) -> Iterator[tuple[int, bytes]]:
        while True:
            if at >= len(raw):
                return
            length = raw[at]
            if length == END_OF_RUNS:
                yield at + 1, b""
                return
            if length < END_OF_RUNS:
                run, after = raw[at + 1 : at + 2 + length], at + 2 + length
            else:
                run, after = raw[at + 1 : at + 2] * (257 - length), at + 2
            if after > len(raw):
                raise self._fault("data that end in a run", "whole runs")
            yield after, run
            at = after
