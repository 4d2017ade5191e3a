"""Frames of the line protocol: both implementations against the shared vectors, and each limit at its edge."""

import hashlib
import zlib

import pytest

from inksteward_drivers import framing as ours
from inksteward_simulators import framing as theirs
from tests.drivers.both_framings import (
    BOTH,
    FRAMES,
    MAX_BODY,
    MAX_SECTION,
    VECTORS,
    Framing,
    expected,
    frame_of,
)

both = pytest.mark.parametrize("framing", BOTH, ids=lambda framing: framing.name)


@both
@pytest.mark.parametrize("name", FRAMES)
def test_frames_are_written_as_the_vectors_say(framing: Framing, name: str) -> None:
    """A frame's bytes on the wire are those of the vector file."""
    assert framing.encode(*frame_of(FRAMES[name])).hex() == FRAMES[name]["wire_hex"]


@both
@pytest.mark.parametrize("name", FRAMES)
@pytest.mark.parametrize("size", [1, 7, 10_000])
def test_frames_are_read_however_they_are_cut_up(framing: Framing, name: str, size: int) -> None:
    """A frame comes out the same whether its bytes come one by one or all at once."""
    wire = bytes.fromhex(FRAMES[name]["wire_hex"])
    stream = framing.stream()
    found = [item for start in range(0, len(wire), size) for item in stream.feed(wire[start : start + size])]
    assert found == [frame_of(FRAMES[name])]


@both
@pytest.mark.parametrize("vector", VECTORS["streams"], ids=lambda vector: vector["name"])
def test_streams_give_what_the_vectors_say(framing: Framing, vector: dict) -> None:
    """Noise, cut, doubled and bent frames give exactly the frames and the discards that the vector lists."""
    stream = framing.stream()
    found = stream.feed(bytes.fromhex(vector["bytes_hex"]))
    if vector["line_quiet_after"]:
        found += stream.quiet()
    assert found == expected(vector["expect"])
    assert stream.quiet() == []


@both
def test_longest_frame(framing: Framing) -> None:
    """A body of 8192 bytes that are all stuffed is written and read; its bytes are those of the vector."""
    longest = VECTORS["longest"]
    body = bytes.fromhex(longest["repeat_hex"]) * longest["times"]
    frame = (longest["kind"], longest["epoch"], longest["seq"], body)
    wire = framing.encode(*frame)
    assert (len(wire), hashlib.sha256(wire).hexdigest()) == (longest["wire_bytes"], longest["wire_sha256"])
    assert framing.stream().feed(wire) == [frame]


@both
def test_body_one_byte_too_long_is_not_written(framing: Framing) -> None:
    """A body of 8193 bytes is refused by whoever would send it."""
    with pytest.raises(ValueError, match="8193"):
        framing.encode(1, 0, 0, b"x" * (MAX_BODY + 1))


@both
def test_body_one_byte_too_long_is_not_read(framing: Framing) -> None:
    """A frame with a right CRC whose body has 8193 bytes is discarded for its length; one of 8192 is read."""
    for size, found in ((MAX_BODY, (1, 0, 0, b"x" * MAX_BODY)), (MAX_BODY + 1, ("length", MAX_BODY + 15))):
        head = b"\x01\x01" + bytes(6) + size.to_bytes(2, "big")
        covered = head + b"x" * size
        bare = covered + zlib.crc32(covered).to_bytes(4, "big")
        assert not {0x7E, 0x7D} & set(bare), "this test needs a frame without stuffing"
        assert framing.stream().feed(b"\x7e" + bare + b"\x7e") == [found]


@both
@pytest.mark.parametrize(
    ("size", "found"), [(MAX_SECTION, []), (MAX_SECTION + 1, [("too_long", MAX_SECTION + 1)])]
)
def test_frame_that_never_ends(framing: Framing, size: int, found: list) -> None:
    """Bytes between flags are given up at one more than the longest frame can have, and not before."""
    stream = framing.stream()
    assert stream.feed(b"\x7e" + b"\x41" * size) == found


@both
def test_noise_without_an_end_is_told_and_forgotten(framing: Framing) -> None:
    """Noise that holds no flag is reported piece by piece, so that nothing piles up and nothing is lost silently."""
    stream = framing.stream()
    assert stream.feed(b"\x41" * (2 * MAX_SECTION + 10)) == [("noise", MAX_SECTION + 1)] * 2
    assert stream.quiet() == [("noise", 8)]


@both
def test_acknowledgement_with_a_body_is_not_written(framing: Framing) -> None:
    """An acknowledgement has no body; asking for one is refused."""
    with pytest.raises(ValueError, match="1 bytes"):
        framing.encode(2, 0, 0, b"x")


@pytest.mark.parametrize(("epoch", "seq"), [(-1, 0), (1 << 32, 0), (0, -1), (0, 1 << 16)])
def test_numbers_out_of_bounds_are_not_written(epoch: int, seq: int) -> None:
    """Epoch and sequence number are refused outside their 32 and 16 bits."""
    with pytest.raises(ValueError, match=r"expected 0\.\."):
        ours.encode(ours.Frame(ours.Kind.DATA, epoch, seq))
    with pytest.raises(OverflowError):
        theirs.to_wire(theirs.Telegram(theirs.DATA, epoch, seq))


def test_crc_check_value() -> None:
    """The CRC of the nine digits is CBF43926, the check value of CRC-32 (from memory), and that of zlib elsewhere.

    zlib computes the CRC of RFC 1952 section 8.
    """
    assert VECTORS["crc"]["check_of_123456789"] == "CBF43926"
    assert theirs.crc32(b"123456789") == 0xCBF43926 == zlib.crc32(b"123456789")
    for data in (b"", b"\x00", bytes(range(256)) * 5):
        assert theirs.crc32(data) == zlib.crc32(data)


def test_any_three_wrong_bits_are_seen() -> None:
    """No one, two or three wrong bits in the longest frame leave the CRC right.

    Derived here: the CRC of an error is the remainder of its polynomial by the generator; three bits cancel
    only if x^i + x^j + 1 leaves none, two only if x^i = 1, for i up to the frame's length in bits.
    """
    bits = 8 * (MAX_BODY + 14)
    remainder, seen = 1, set()
    for _ in range(bits - 1):
        remainder = (remainder << 1) ^ (0x104C11DB7 if remainder & 0x80000000 else 0)
        assert remainder not in (0, 1)
        seen.add(remainder)
    assert len(seen) == bits - 1
    assert not any(one ^ 1 in seen for one in seen)
