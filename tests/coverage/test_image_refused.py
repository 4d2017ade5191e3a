"""Images that are refused, and how: one error with file, what it is, what was expected."""

from __future__ import annotations

import struct
import sys
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from inksteward.coverage import image as module
from inksteward.coverage.errors import CoverageError
from inksteward.coverage.image import PHOTOMETRIC, Ink
from tests.coverage.plates import columns_of, noise, read, saved

SMALL = noise(5, 7)


@pytest.mark.parametrize(
    ("mode", "name", "words"),
    [
        ("P", "a.png", "a palette"),
        ("P", "a.tif", "a palette"),
        ("LA", "a.png", "grey with transparency"),
        ("RGB", "a.png", "red, green, blue"),
        ("RGBA", "a.tif", "red, green, blue with transparency"),
        ("CMYK", "a.tif", "four inks in one image"),
        ("I;16", "a.png", "16 bit"),
        ("I;16", "a.tif", "16 bit"),
        ("I", "a.tif", "32 bit"),
        ("F", "a.tif", "32 bit floating point"),
    ],
)
def test_other_modes_are_refused_in_words(tmp_path: Path, mode: str, name: str, words: str) -> None:
    """Whatever is not grey of 1 or 8 bit is named."""
    path = tmp_path / name
    picture = Image.fromarray(SMALL)
    (Image.new("I;16", (7, 5)) if mode == "I;16" else picture.convert(mode)).save(path)
    with pytest.raises(CoverageError) as refused:
        read(path)
    assert str(refused.value) == (
        f"{path}: mode {mode}, {words}: expected one ink in grey, 1 or 8 bit (modes 1, L)"
    )


@pytest.mark.parametrize("mode", ["1", "L"])
def test_transparent_pixels_are_refused(tmp_path: Path, mode: str) -> None:
    """Nobody knows whether a transparent grey is ink."""
    path = saved(tmp_path / "a.png", SMALL, mode, transparency=0)
    with pytest.raises(CoverageError, match=r"has transparent pixels: expected none"):
        read(path)


@pytest.mark.parametrize("name", ["a.png", "a.tif"])
def test_several_images_in_a_file_are_refused(tmp_path: Path, name: str) -> None:
    """A file of two pages, or an animation, is not read by its first image alone."""
    path = tmp_path / name
    pages = [Image.fromarray(SMALL), Image.fromarray(SMALL[::-1].copy())]
    pages[0].save(path, save_all=True, append_images=pages[1:])
    with pytest.raises(CoverageError, match=r"2 images in one file: expected one image, of one ink"):
        read(path)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("name", ["a.png", "a.tif"])
def test_a_turn_that_the_file_asks_for_is_refused(tmp_path: Path, name: str, orientation: int) -> None:
    """The orientation tag would come on top of what the caller states: only 1, as stored, passes."""
    exif = Image.Exif()
    exif[module.ORIENTATION] = orientation
    path = saved(tmp_path / name, SMALL, exif=exif)
    if orientation == 1:
        assert read(path, Ink.LIGHT).columns == columns_of(SMALL)
    else:
        with pytest.raises(CoverageError, match=rf"orientation tag {orientation}: expected 1 or none"):
            read(path)


def test_a_tiff_that_does_not_say_what_0_is(tmp_path: Path) -> None:
    """Without PhotometricInterpretation the decoder would guess: refused."""
    path = saved(tmp_path / "a.tif", SMALL)
    entry = struct.pack("<HHI", PHOTOMETRIC, 3, 1)
    content = path.read_bytes()
    assert content.count(entry) == 1
    path.write_bytes(content.replace(entry, struct.pack("<HHI", 65000, 3, 1)))
    with pytest.raises(CoverageError, match=r"no PhotometricInterpretation: expected a TIFF that says"):
        read(path)


def test_a_warning_of_the_decoder_counts_as_damage(tmp_path: Path) -> None:
    """A tag that points beyond the end of the file shows that the file is not what was written: refused."""
    path = saved(tmp_path / "a.tif", SMALL, tiffinfo={270: 100 * "x"})  # ImageDescription
    entry = struct.pack("<HHI", 270, 2, 101)
    content = path.read_bytes()
    place = content.index(entry) + len(entry)
    path.write_bytes(content[:place] + struct.pack("<I", 10**6) + content[place + 4 :])
    with pytest.raises(CoverageError, match=r"damaged \(Truncated File Read\)"):
        read(path)


def png_of(width: int, height: int) -> bytes:
    """A 1-bit PNG that claims a size and holds one byte of pixels."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    parts = ((b"IHDR", head), (b"IDAT", zlib.compress(b"\0")), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunk(*part) for part in parts)


def tiff_of(width: int, height: int) -> bytes:
    """A 1-bit TIFF that claims a size and holds one byte of pixels."""
    entries = ((256, width), (257, height), (258, 1), (259, 1), (262, 1), (273, 8), (278, height), (279, 1))
    rows = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in entries)
    return struct.pack("<2sHI", b"II", 42, 10) + b"\0\0" + struct.pack("<H", len(entries)) + rows + bytes(4)


@pytest.mark.parametrize("made", [png_of, tiff_of])
@pytest.mark.parametrize("size", [(100_000, 80_000), (20_000, 20_001), (200_001, 1), (1, 200_001)])
def test_a_huge_claim_is_refused_before_decoding(tmp_path: Path, made: Any, size: tuple[int, int]) -> None:
    """More than 400 million pixels, or 200,000 a side, are refused by the header alone."""
    path = tmp_path / "a.image"
    path.write_bytes(made(*size))
    with pytest.raises(CoverageError, match=rf"{size[0]} x {size[1]} pixels: expected at most 400 million"):
        read(path)


@pytest.mark.parametrize("made", [png_of, tiff_of])
def test_a_claim_within_the_limit_is_decoded(tmp_path: Path, made: Any) -> None:
    """The same files with a size that may be are found to be cut off."""
    path = tmp_path / "a.image"
    path.write_bytes(made(100, 100))
    with pytest.raises(CoverageError, match=r"damaged \(.*\): expected a PNG or TIFF image that can be read"):
        read(path)


def test_the_limit_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An image of exactly as many pixels as allowed is read, one more is not."""
    path = saved(tmp_path / "a.png", SMALL)
    monkeypatch.setattr(module, "MOST_PIXELS", SMALL.size)
    monkeypatch.setattr(module, "MOST_SIDE_PIXELS", 7)
    assert read(path).pixels == (7, 5)
    monkeypatch.setattr(module, "MOST_SIDE_PIXELS", 6)
    with pytest.raises(CoverageError, match="7 x 5 pixels"):
        read(path)
    monkeypatch.setattr(module, "MOST_SIDE_PIXELS", 7)
    monkeypatch.setattr(module, "MOST_PIXELS", SMALL.size - 1)
    with pytest.raises(CoverageError, match="7 x 5 pixels"):
        read(path)


@pytest.mark.parametrize("name", ["a.png", "a.tif"])
def test_the_library_s_own_limit_is_set_aside_and_put_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """What Pillow would refuse as a bomb is read within our limit; afterwards its limit is what it was."""
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 10)
    path = saved(tmp_path / name, SMALL)
    with pytest.raises(Image.DecompressionBombError):
        Image.open(path)
    assert read(path, Ink.LIGHT).columns == columns_of(SMALL)
    assert Image.MAX_IMAGE_PIXELS == 10
    with pytest.raises(CoverageError):
        read(tmp_path / "none.png")
    assert Image.MAX_IMAGE_PIXELS == 10


FORMS = [
    ("a.png", "L", {}),
    ("a.png", "1", {"dpi": (50, 50)}),
    ("a.tif", "L", {"dpi": (50, 50)}),
    ("a.tif", "1", {"compression": "group4"}),
    ("a.tif", "L", {"compression": "tiff_lzw"}),
]


@pytest.mark.parametrize(("name", "mode", "options"), FORMS)
def test_a_file_that_is_cut_off(tmp_path: Path, name: str, mode: str, options: dict[str, Any]) -> None:
    """Cut anywhere, a file is refused, unless what is missing holds nothing of the image."""
    whole = saved(tmp_path / f"whole-{name}", noise(9, 14), mode, **options)
    content, cut = whole.read_bytes(), tmp_path / name
    refused = 0
    for length in range(len(content)):
        cut.write_bytes(content[:length])
        try:
            assert read(cut).columns == read(whole).columns
        except CoverageError:
            refused += 1
    assert refused > 0.9 * len(content)


@pytest.mark.parametrize(("name", "mode", "options"), FORMS)
def test_a_file_with_a_wrong_byte(tmp_path: Path, name: str, mode: str, options: dict[str, Any]) -> None:
    """Whatever byte is wrong, there is an answer or one error; a PNG, which has checksums, gives no wrong answer."""
    whole = saved(tmp_path / f"whole-{name}", noise(9, 14), mode, **options)
    content, spoilt = whole.read_bytes(), tmp_path / name
    right = read(whole)
    for place in range(len(content)):
        for flip in (0x01, 0x80, 0xFF):
            spoilt.write_bytes(content[:place] + bytes((content[place] ^ flip,)) + content[place + 1 :])
            try:
                found = read(spoilt)
            except CoverageError:
                continue
            if name.endswith(".png"):
                assert (found.columns, found.dpi, found.pixels) == (right.columns, right.dpi, right.pixels)


def test_what_is_no_image(tmp_path: Path) -> None:
    """Another kind of file, an empty one, a folder and none at all are each one clear error."""
    other, empty = tmp_path / "a.jpg", tmp_path / "empty.tif"
    Image.fromarray(SMALL).save(other)
    empty.touch()
    for path, words in (
        (other, "no PNG or TIFF, or damaged at its beginning"),
        (empty, "no PNG or TIFF, or damaged at its beginning"),
        (tmp_path, "Is a directory"),
        (tmp_path / "none.tif", "No such file or directory"),
    ):
        with pytest.raises(CoverageError) as refused:
            read(path)
        assert str(refused.value) == f"{path}: {words}: expected a PNG or TIFF image that can be read in full"


def test_too_little_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An image for which there is not enough memory is an error in words."""

    def none_left(*_: object) -> None:
        raise MemoryError

    monkeypatch.setattr(module, "summed_up", none_left)
    with pytest.raises(CoverageError, match="needs more memory than there is"):
        read(saved(tmp_path / "a.png", SMALL))


def test_without_pillow(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where Pillow is not installed, the error says what to install."""
    path = saved(tmp_path / "a.png", np.zeros((3, 3), dtype=np.uint8))
    for name in [name for name in sys.modules if name == "PIL" or name.startswith("PIL.")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "PIL", None)
    with pytest.raises(
        CoverageError, match=r"^pillow: not installed: expected .*pip install 'inksteward\[images\]'"
    ):
        read(path)
