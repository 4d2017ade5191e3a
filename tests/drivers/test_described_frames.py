"""Framing by description: marked, lines, fixed length; checksums inside and behind."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward_drivers.described_form import ChecksumForm, FrameForm
from inksteward_drivers.described_frames import BadCheck, Body, Frames, frames_of
from inksteward_drivers.framing import Fault
from inksteward_drivers.settings import SettingError
from tests.drivers.descriptions import SETTINGS, framed


def made(frame: dict[str, Any], checksum: dict[str, Any] | None = None) -> Frames:
    covers = {"covers": tuple((checksum or {}).get("covers", ("body",)))}
    return frames_of("strip", FrameForm(**frame), ChecksumForm(**{**(checksum or {}), **covers}))()


def marked() -> Frames:
    return made(SETTINGS["frame"], SETTINGS["checksum"])


def test_marked_frames_with_a_checksum_behind() -> None:
    """Start, text, end and checksum give the text; what stands between frames as described means nothing."""
    assert marked().feed(framed("one") + framed("two")) == [Body(b"one"), Body(b"two")]


def test_a_checksum_that_looks_like_start_or_end() -> None:
    """A binary checksum that is itself the start byte or the end byte cuts nothing."""
    for text in ("\x01", "\x02\x02\x02"):  # 01 xor 03 = 02; 02 xor 02 xor 02 xor 03 = 01
        assert marked().feed(framed(text) + framed("two")) == [Body(text.encode()), Body(b"two")]
    assert framed("\x01")[3] == 0x02


def test_a_wrong_checksum_is_told_with_both_values() -> None:
    """A frame with a bent byte is no frame: what it had and what was expected are told, and the next one is read."""
    bent = framed("one").replace(b"o", b"p")
    [bad, good] = marked().feed(bent + framed("two"))
    assert bad == BadCheck("checksum 67, expected 78")
    assert good == Body(b"two")


@given(data=st.binary(max_size=60), cut=st.integers(0, 60))
def test_pieces_make_no_difference(data: bytes, cut: int) -> None:
    """However the bytes are cut, the same frames come out, and a frame behind noise is found or swallowed alike."""
    stream = data + framed("one") + framed("two")
    whole, parts = marked(), marked()
    at_once = whole.feed(stream) + whole.idle()
    bodies = [item for item in at_once if isinstance(item, Body)]
    in_pieces = parts.feed(stream[:cut]) + parts.feed(stream[cut:]) + parts.idle()
    assert [item for item in in_pieces if isinstance(item, Body)] == bodies
    if 0x02 not in data:
        assert bodies == [Body(b"one"), Body(b"two")]


def test_noise_is_counted_in_bytes() -> None:
    """Bytes before a start are noise; line ends that were described are not."""
    assert marked().feed(b"\r\nxyz\r\n" + framed("a"))[0] == Fault("noise", 3)
    assert marked().feed(b"\r\n" + framed("a")) == [Body(b"a")]


def test_a_frame_that_stands_still() -> None:
    """A frame that was begun and goes quiet is given up; the next one is whole."""
    frames = marked()
    assert frames.feed(framed("one")[:3]) == []
    assert frames.idle() == [Fault("truncated", 3)]
    assert frames.idle() == []
    assert frames.feed(framed("two")) == [Body(b"two")]


@pytest.mark.parametrize(("size", "fits"), [(256 - 3, True), (256 - 2, False)])
def test_longest_frame(size: int, fits: bool) -> None:
    """A frame of max_bytes passes, one more byte is too long, and no more than that is held."""
    frames = marked()
    wire = framed("x" * size).rstrip(b"\r\n")
    assert len(wire) == size + 3
    found = frames.feed(wire)
    assert isinstance(found[0], Body) is fits
    if not fits:
        assert found == [Fault("too_long", 257)]
    assert frames.feed(b"\x02" + b"x" * 5000)[0] == Fault("too_long", 5001)


def test_lines_with_a_hexadecimal_checksum() -> None:
    """Lines end with their end bytes; a checksum in hexadecimal digits before it may be written small or large."""
    frames = made({"kind": "line", "end": "0D 0A"}, {"kind": "sum8"})
    assert frames.feed(b"123456789DD\r\n\r\n123456789dd\r\n") == [Body(b"123456789"), Body(b"123456789")]
    assert frames.feed(b"123456788DD\r\n") == [BadCheck("checksum 44 44, expected 44 43")]
    assert frames.feed(b"D\r\n") == [BadCheck("checksum 44, expected 30 30")]


@pytest.mark.parametrize(
    ("low_first", "written", "tail"),
    [(False, "binary", b"\x4b\x37"), (True, "binary", b"\x37\x4b"), (True, "hex", b"374B")],
)
def test_fixed_length_and_byte_order(low_first: bool, written: str, tail: bytes) -> None:
    """Frames of fixed length with a 16-bit checksum, either byte first, in bytes or digits."""
    checksum = {"kind": "crc16_modbus", "written": written, "low_byte_first": low_first}
    wire = b"123456789" + tail
    frames = made({"kind": "fixed", "length_bytes": len(wire)}, checksum)
    assert frames.feed(wire + wire[:4]) == [Body(b"123456789")]
    assert frames.idle() == [Fault("truncated", 4)]


def test_fixed_length_finds_its_start() -> None:
    """With a start byte a stream that was entered in the middle is found again."""
    frames = made({"kind": "fixed", "length_bytes": 4, "start": "AA"})
    assert frames.feed(b"\x01\x02\xaaabc\xaadef") == [Fault("noise", 2), Body(b"abc"), Body(b"def")]


@pytest.mark.parametrize(
    ("frame", "checksum", "words"),
    [
        ({"kind": "marked", "start": "02"}, {}, "frame.end = missing: expected with frame.kind marked"),
        ({"kind": "line", "end": "0A", "start": "02"}, {}, "frame.start = 02: expected none where"),
        ({"kind": "fixed"}, {}, "frame.length_bytes = missing"),
        ({"kind": "line", "end": "0A"}, {"kind": "sum8", "covers": ["start"]}, "checksum.covers = start"),
        (
            {"kind": "line", "end": "0A"},
            {"kind": "sum8", "written": "binary"},
            "checksum.written = binary: expected hex",
        ),
        (
            {"kind": "fixed", "length_bytes": 9},
            {"kind": "sum8", "place": "after_end"},
            "checksum.place = after_end",
        ),
    ],
)
def test_settings_that_do_not_go_together(
    frame: dict[str, Any], checksum: dict[str, Any], words: str
) -> None:
    """What cannot work is refused at the start, with the setting's name and what was expected."""
    with pytest.raises(SettingError, match=words):
        made(frame, checksum)
