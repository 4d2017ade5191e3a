"""Targets: files of prepress that coverage is worked out of: ink zone profiles, preview images, and their words."""

from __future__ import annotations

from contextlib import suppress
from functools import cache

from inksteward.coverage.errors import CoverageError
from inksteward.coverage.ppf import read_previews
from inksteward.coverage.ppf_data import Data
from inksteward.coverage.ppf_words import Reader
from inksteward.coverage.zonefile import read_profiles
from tests.coverage.prepress import JDF, PPF, XJDF, image, ppf
from tests.fuzz.form import Target, finite
from tests.fuzz.of_files import file_of


def profiles(raw: bytes) -> None:
    """Any file as XJDF or JDF: refused in words, or profiles whose values lie between 0 and 1."""
    with suppress(CoverageError):
        _, rows = read_profiles(file_of("a.xjdf", raw))
        assert rows
        for row in rows:
            assert row.name
            assert row.data.values
            assert all(0.0 <= value <= 1.0 for value in row.data.values)
            assert row.data.width_mm > 0
            finite(row.data)


def previews(raw: bytes) -> None:
    """Any file as PPF: refused in words, or images of the stated size."""
    with suppress(CoverageError):
        found = read_previews(file_of("a.ppf", raw))
        assert found
        for one in found:
            assert one.name
            assert one.data.pixels.size > 0
            finite(one.data.dpi)


def words(raw: bytes) -> None:
    """Any bytes as words of PPF: each one is further on, until the end."""
    with suppress(CoverageError):
        reader, before = Reader("a", raw), -1
        while reader.next() is not None:
            assert reader.at > before
            before = reader.at


def pixels(raw: bytes) -> None:
    """Any bytes as data of sixteen pixels: refused, or just so many, in every encoding."""
    for encoding in ("Binary", "ASCIIHexDecode", "ASCII85Decode"):
        for compression in ("None", "RunLengthDecode"):
            with suppress(CoverageError):
                plain, end = Data("a", "separation", raw, 0, 16).decoded(encoding, compression)
                assert len(plain) == 16
                assert 0 < end <= len(raw)


@cache
def _images() -> tuple[bytes, ...]:
    runs = b"\n" + bytes([0xFF, 7, 1, 8, 9, 0x80])
    packed = image(runs, 4, 1, Encoding="/Binary", Compression="/RunLengthDecode")
    return PPF.read_bytes(), ppf(packed, head="/CIP3TransferFilmCurveData [0 0 1 1] def")


TARGETS: dict[str, Target] = {
    "coverage.profiles": Target(profiles, lambda: (XJDF.read_bytes(), JDF.read_bytes())),
    "coverage.previews": Target(previews, _images),
    "coverage.words": Target(words, lambda: (b"/Key [1 (a\\)) <41>] def % c\n", PPF.read_bytes()), 100),
    "coverage.pixels": Target(
        pixels,
        lambda: (
            b"\n" + b"0f" * 16 + b">CIP3EndSeparation",
            b"\n" + bytes(range(16)) + b"\nCIP3EndSeparation",
            b"\n\xf1\x00\x80\nCIP3EndSeparation",
            b"\nzzzz~>",
        ),
        100,
    ),
}
