"""Preview images of PPF: every way to write the pixels, every way to lay them, and what is refused."""

from __future__ import annotations

import base64
import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, TiffImagePlugin

from inksteward.coverage import ppf as reader
from inksteward.coverage.errors import CoverageError
from inksteward.coverage.ppf import read_previews
from inksteward.coverage.ppf_words import Name, Reader, Word
from tests.coverage.plates import Pixels, noise
from tests.coverage.prepress import PPF, image, ppf

STEPS = np.repeat(np.arange(12, dtype=np.uint8).reshape(3, 4) * 20, 3, axis=1)  # rows with runs in them


def pixels(folder: Path, raw: bytes) -> Pixels:
    """The only separation's pixels."""
    (folder / "a.ppf").write_bytes(raw)
    (found,) = read_previews(folder / "a.ppf")
    return found.data.pixels


def test_the_file_made_by_hand() -> None:
    """Two separations of 4 x 2 pixels, written in hexadecimal, with names, side, sheet and resolution."""
    cyan, black = read_previews(PPF)
    assert [(one.sheet, one.side, one.name) for one in (cyan, black)] == [
        ("1", "front", "Cyan"),
        ("1", "front", "Black"),
    ]
    assert cyan.data.pixels.tolist() == [[255, 128, 0, 255]] * 2
    assert black.data.pixels.tolist() == [[255] * 4, [0] * 4]
    assert (cyan.data.dpi, cyan.data.one_bit, cyan.data.curves) == ((1.0, 1.0), False, ())


def packed(data: bytes) -> bytes:
    """Runs as Pillow packs them for TIFF: PackBits has PostScript's runs, without the 128 at the end."""
    file = io.BytesIO()
    Image.frombytes("L", (len(data), 1), data).save(file, "TIFF", compression="packbits")
    with Image.open(file) as made:
        assert isinstance(made, TiffImagePlugin.TiffImageFile)
        (at,), (size,) = made.tag_v2[273], made.tag_v2[279]
    return file.getvalue()[at : at + size]


def written(data: bytes, encoding: str) -> bytes:
    """Behind the operator, in that encoding."""
    if encoding == "Binary":
        return b"\n" + data
    if encoding == "ASCII85Decode":
        return b"\n" + base64.a85encode(data, wrapcol=20) + b"~>"
    text = data.hex()
    return b"\n" + "\r\n".join(text[at : at + 10] for at in range(0, len(text), 10)).encode() + b" >"


@pytest.mark.parametrize("encoding", ["Binary", "ASCII85Decode", "ASCIIHexDecode"])
@pytest.mark.parametrize("compression", ["None", "RunLengthDecode", "RunLengthDecode without 128"])
@pytest.mark.parametrize("which", ["steps", "noise", "white"])
def test_every_encoding(tmp_path: Path, encoding: str, compression: str, which: str) -> None:
    """The same pixels come out of every encoding and compression; runs are packed by another program."""
    wanted = {"steps": STEPS, "noise": noise(9, 31), "white": np.zeros((5, 40), np.uint8)}[which]
    name, _, ending = compression.partition(" ")
    data = wanted.tobytes() if name == "None" else packed(wanted.tobytes()) + (b"" if ending else b"\x80")
    one = image(written(data, encoding), *wanted.shape[::-1], Encoding=f"/{encoding}", Compression=f"/{name}")
    assert np.array_equal(pixels(tmp_path, ppf(one)), wanted)


@pytest.mark.parametrize("gap", [b"\n", b"\r", b"\r\n", b" "])
def test_binary_begins_behind_one_white_space(tmp_path: Path, gap: bytes) -> None:
    """CR and LF together count as one; pixels that look like line ends or operators stay pixels."""
    first = b"a" if gap == b"\r" else b"\n"
    wanted = np.frombuffer(first + b"\r\n CIP3EndSeparation(<[{}%/\n", dtype=np.uint8)
    one = image(gap + wanted.tobytes(), len(wanted), 1, Encoding="/Binary")
    assert pixels(tmp_path, ppf(one)).tolist() == [wanted.tolist()]


def test_what_follows_binary_tells_where_it_began(tmp_path: Path) -> None:
    """CR alone before a first pixel of LF: read as one line end, the pixels would reach into the next word."""
    one = image(b"\r\n12", 3, 1, Encoding="/Binary").replace(b"\nCIP3EndSeparation", b"CIP3EndSeparation")
    assert pixels(tmp_path, ppf(one)).tolist() == [[10, 49, 50]]


def test_one_bit(tmp_path: Path) -> None:
    """Eight pixels a byte, the first in the highest bit; a row ends with a whole byte."""
    made = pixels(tmp_path, ppf(image(b"\nA0 80 4F 00>", 10, 2, BitsPerComp="1")))
    assert made.tolist() == [[255, 0, 255, 0, 0, 0, 0, 0, 255, 0], [0, 255, 0, 0, 255, 255, 255, 255, 0, 0]]


LAID = [
    ("[4 0 0 -2 0 2]", [[1, 2, 3, 4], [5, 6, 7, 8]]),
    ("[4 0 0 2 0 0]", [[5, 6, 7, 8], [1, 2, 3, 4]]),
    ("[-4 0 0 -2 4 2]", [[4, 3, 2, 1], [8, 7, 6, 5]]),
    ("[-4 0 0 2 4 0]", [[8, 7, 6, 5], [4, 3, 2, 1]]),
    ("[0 2 -4 0 4 0]", [[1, 5], [2, 6], [3, 7], [4, 8]]),
    ("[0 2 4 0 0 0]", [[4, 8], [3, 7], [2, 6], [1, 5]]),
    ("[0 -2 -4 0 4 2]", [[5, 1], [6, 2], [7, 3], [8, 4]]),
    ("[0 -2 4 0 0 2]", [[8, 4], [7, 3], [6, 2], [5, 1]]),
]


@pytest.mark.parametrize(("matrix", "wanted"), LAID)
def test_the_matrix_lays_the_image(tmp_path: Path, matrix: str, wanted: list[list[int]]) -> None:
    """All eight ways, worked out by hand; also each pixel's middle is sent through the matrix as it stands."""
    one = image(b"\n0102030405060708>", 4, 2, Matrix=matrix, Resolution="[30 60]")
    (tmp_path / "a.ppf").write_bytes(ppf(one))
    (found,) = read_previews(tmp_path / "a.ppf")
    laid = found.data.pixels
    assert laid.tolist() == wanted
    a, b, c, d, e, f = (float(word) for word in matrix.strip("[]").split())
    rows, columns = laid.shape
    for row in range(rows):
        for column in range(columns):
            x, y = (column + 0.5) / columns, 1 - (row + 0.5) / rows
            at = int(b * x + d * y + f), int(a * x + c * y + e)
            assert laid[row, column] == 1 + 4 * at[0] + at[1]
    assert found.data.dpi == ((60.0, 30.0) if rows == 4 else (30.0, 60.0))


def test_sides_sheets_and_entries_further_out(tmp_path: Path) -> None:
    """Entries of outer structures hold in inner ones; what is unknown is read over; names may be hexadecimal."""
    one = image(b"\nFF>", 1, 1)
    private = (
        "/Private 3 def (text \\(with\\) (brackets) \\101) <4142> [1 [2 /a cm]] << /k true >> CIP3PlaceMark\n"
    )
    raw = (
        b"%!PS-Adobe-3.0\r%%CIP3-File Version 2.1\r"
        + private.encode()
        + b"CIP3BeginSheet /CIP3AdmSheetName (A \\(1\\)) def CIP3BeginFront /CIP3AdmSeparationNames [<4379616E>] def\n"
        b"CIP3BeginPreviewImage " + one + b"CIP3EndPreviewImage CIP3EndFront\nCIP3BeginBack\n"
        b"/CIP3AdmSeparationNames [(Black)(Cyan)] def CIP3BeginPreviewImage\n"
        + one
        + one
        + b"CIP3EndPreviewImage CIP3EndBack CIP3EndSheet"
    )
    (tmp_path / "a.ppf").write_bytes(raw)
    assert [(one.sheet, one.side, one.name) for one in read_previews(tmp_path / "a.ppf")] == [
        ("A (1)", "front", "Cyan"),
        ("A (1)", "back", "Black"),
        ("A (1)", "back", "Cyan"),
    ]


def test_transfer_curves(tmp_path: Path) -> None:
    """Straight curves are nothing; others are named."""
    head = "/CIP3TransferFilmCurveData [0.000 0.000 1.000 1.000] def /CIP3TransferPlateCurveData [0 0 0.5 {} 1 1] def"
    for middle, told in (("0.5", ()), ("0.6", ("CIP3TransferPlateCurveData",))):
        (tmp_path / "a.ppf").write_bytes(ppf(image(b"\nFF>", 1, 1), head=head.format(middle)))
        (found,) = read_previews(tmp_path / "a.ppf")
        assert found.data.curves == told


GOOD = image(b"\nFF00>", 2, 1)
FAULTS: list[tuple[bytes, str]] = [
    (b"", "no %%CIP3-File line at its beginning: expected a CIP3 PPF file"),
    (b"%!PS-Adobe-3.0\n/a 1 def showpage\n", "no %%CIP3-File line"),
    (ppf(names=""), "no preview image of a separation: expected one for each ink"),
    (ppf(GOOD, names="(Cyan) (Black)"), "1 separations: expected 2, one for each of CIP3AdmSeparationNames"),
    (ppf(GOOD, GOOD), "separation 2: expected one name each"),
    (ppf(GOOD, names="/Cyan"), "name of separation 1"),
    (ppf(GOOD)[:-40], "ends in Front: expected CIP3EndFront"),
    (ppf(GOOD).replace(b"CIP3EndFront", b"CIP3EndBack"), "CIP3EndBack: expected CIP3EndFront"),
    (b"%!PS\n%%CIP3-File\nCIP3EndSheet", "CIP3EndSheet: expected a CIP3Begin before it"),
    (ppf(GOOD, head="{ 1 }"), "{: expected no procedure: nothing in the file is executed"),
    (ppf(GOOD, head="(open"), "a text without an end"),
    (b"%!PS\n%%CIP3-File\n[1 2", "the file ends in an array: expected ]"),
    (ppf(GOOD, head="[" * 20), "arrays too deep: expected at most 8"),
    (ppf(GOOD, head="CIP3BeginX " * 20), "CIP3BeginX: expected at most 16 structures"),
    (ppf(GOOD, head="1 " * 10_001), "more than 10000 values in a row"),
    (ppf(GOOD, head="[" + "1 " * 10_001 + "]"), "more than 10000 values in an array"),
    (ppf(GOOD, head="/" + "a" * 5000), "a name of 5000 characters: expected at most 4096"),
    (ppf(GOOD, head="<12 X>"), "a hexadecimal text without an end"),
    (ppf(GOOD.replace(b"CIP3BeginSeparation", b"").replace(b"CIP3EndSeparation", b"")), "no composite image"),
]
ENTRIES: list[tuple[bytes, dict[str, str], str]] = [
    (b"\nFF00>", {"Width": "3"}, "2 bytes of pixels: expected 3, by width, height and depth"),
    (b"\nFF0000>", {}, "6 characters of data: expected at most 4"),
    (b"\nFF0G>", {}, "data that are not hexadecimal"),
    (b"\nFF00", {}, "data without an end: expected >"),
    (b"\n!!~>", {"Encoding": "/ASCII85Decode"}, "1 bytes of pixels: expected 2"),
    (b"\n!v~>", {"Encoding": "/ASCII85Decode"}, "no base 85"),
    (b"\nz~>", {"Encoding": "/ASCII85Decode"}, "more data than pixels: expected 2 bytes"),
    (b"\nFF", {"Encoding": "/Binary", "Width": "9"}, "binary data of another length: expected 9 bytes"),
    (b"\n8100>", {"Compression": "/RunLengthDecode"}, "more pixels than stated: expected 2 bytes"),
    (b"\n05FF>", {"Compression": "/RunLengthDecode"}, "data that end in a run: expected whole runs"),
    (b"\n80>", {"Compression": "/RunLengthDecode"}, "0 bytes of pixels: expected 2"),
    (
        b"\nFF00>",
        {"Compression": "/DCTDecode"},
        "compression DCTDecode: expected one of None, RunLengthDecode",
    ),
    (
        b"\nFF00>",
        {"Encoding": "/LZWDecode"},
        "encoding LZWDecode: expected one of ASCIIHexDecode, ASCII85Decode, Binary",
    ),
    (
        b"\nFF00>",
        {"Encoding": "(Binary)"},
        "CIP3PreviewImageEncoding 'Binary': expected a name such as /Binary",
    ),
    (b"\nFF00>", {"Width": "0"}, "CIP3PreviewImageWidth 0.0: expected a whole number from 1 to 50000"),
    (b"\nFF00>", {"Width": "1e300"}, "CIP3PreviewImageWidth 1e+300: expected a whole number"),
    (b"\nFF00>", {"Width": "2.5"}, "CIP3PreviewImageWidth 2.5: expected a whole number"),
    (b"\nFF00>", {"Height": "NaN"}, "expected a whole number from 1 to 50000"),
    (
        b"\nFF00>",
        {"Width": "50000", "Height": "50000"},
        "50000 x 50000 pixels: expected at most 50000000 an image",
    ),
    (b"\nFF00>", {"Components": "4"}, "CIP3PreviewImageComponents 4: expected 1: an image an ink"),
    (b"\nFF00>", {"BitsPerComp": "16"}, "CIP3PreviewImageBitsPerComp 16: expected 1 or 8"),
    (b"\nFF00>", {"Resolution": "[0 50]"}, "Resolution (0.0, 50.0): expected dots per inch above 0"),
    (b"\nFF00>", {"Resolution": "50"}, "CIP3PreviewImageResolution: 1 numbers: expected 2"),
    (b"\nFF00>", {"Resolution": "[20 cm 20]"}, "expected finite numbers in an array"),
    (
        b"\nFF00>",
        {"Matrix": "[1 0 0 1 0 0]"},
        "Matrix 1 0 0 1 0 0: expected one that lays 2 x 1 pixels on the whole",
    ),
    (b"\nFF00>", {"Matrix": "[2 0 0 -1 0 0]"}, "Matrix 2 0 0 -1 0 0: expected one that lays"),
    (b"\nFF00>", {"Matrix": "[2 0 1 -1 0 1]"}, "Matrix 2 0 1 -1 0 1: expected one that lays"),
    (b"\nFF00>", {"Matrix": "[0 0 0 0 0 0]"}, "Matrix 0 0 0 0 0 0: expected one that lays"),
    (b"\nFF00>", {"Matrix": "[2 0 0 -1 0]"}, "CIP3PreviewImageMatrix: 5 numbers: expected 6"),
]


@pytest.mark.parametrize(
    ("raw", "told"),
    [*FAULTS, *((ppf(image(data, 2, 1, **entries)), told) for data, entries, told in ENTRIES)],
    ids=range(len(FAULTS) + len(ENTRIES)),
)
def test_what_is_refused(tmp_path: Path, raw: bytes, told: str) -> None:
    """Each fault is told with the file, the entry or byte, its value and what was expected."""
    path = tmp_path / "a.ppf"
    path.write_bytes(raw)
    with pytest.raises(CoverageError) as refused:
        read_previews(path)
    assert str(refused.value).startswith(f"{path}: ")
    assert told in str(refused.value)


def test_a_missing_entry(tmp_path: Path) -> None:
    """An entry that is needed and not there is named."""
    (tmp_path / "a.ppf").write_bytes(ppf(GOOD.replace(b"/CIP3PreviewImageWidth", b"/Other")))
    with pytest.raises(
        CoverageError, match="separation 'Cyan': CIP3PreviewImageWidth is missing: expected a whole"
    ):
        read_previews(tmp_path / "a.ppf")


def test_sizes_are_bounded_in_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The pixels of all separations together and the file's size have a limit; the limit itself passes."""
    (tmp_path / "a.ppf").write_bytes(ppf(GOOD, GOOD, names="(Cyan) (Black)"))
    monkeypatch.setattr(reader, "MOST_ALL_PIXELS", 4)
    assert len(read_previews(tmp_path / "a.ppf")) == 2
    monkeypatch.setattr(reader, "MOST_ALL_PIXELS", 3)
    with pytest.raises(CoverageError, match="2 x 1 pixels: expected at most 50000000 an image and 3 in all"):
        read_previews(tmp_path / "a.ppf")
    monkeypatch.setattr(reader, "MOST_BYTES", 100)
    with pytest.raises(CoverageError, match="more than 100 bytes: expected a smaller file"):
        read_previews(tmp_path / "a.ppf")
    with pytest.raises(CoverageError, match=r"none\.ppf: No such file or directory: expected a file"):
        read_previews(tmp_path / "none.ppf")


def test_words() -> None:
    """Tokens of each kind, as PostScript has them."""
    source = b"%c\n/Key -1.5e1 .5 true (a\\\n\\n\\(\\053) <4> [ /a (b) ] def << >>"
    words = Reader("f", source)
    found = []
    while (word := words.next()) is not None:
        found.append(word)
    assert found == [
        *(Name("Key"), -15.0, 0.5, Word("true"), "a\n(+", "@", [Name("a"), "b"]),
        *(Word("def"), Word("<<"), Word(">>")),
    ]
