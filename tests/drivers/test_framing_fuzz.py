"""Both framers under arbitrary bytes."""

from hypothesis import given
from hypothesis import strategies as st

from inksteward_drivers.framing import MAX_SECTION
from tests.drivers.both_framings import BOTH, FRAMES, OurStream, Seen, TheirStream, frame_of

FLAGS_AND_FRAMES = st.one_of(
    st.binary(max_size=60),
    st.sampled_from([b"\x7e", b"\x7d", b"\x7d\x5e", b"\x7e\x7e", b"\x7d\x7e"]),
    st.sampled_from([bytes.fromhex(frame["wire_hex"]) for frame in FRAMES.values()]),
    st.sampled_from([bytes.fromhex(frame["wire_hex"])[:15] for frame in FRAMES.values()]),
)
CHUNKS = st.lists(FLAGS_AND_FRAMES, max_size=12)
FRAME = st.tuples(
    st.sampled_from([1, 3, 4]), st.integers(0, 2**32 - 1), st.integers(0, 2**16 - 1), st.binary(max_size=300)
)


def _bytes_told(found: list[Seen]) -> int:
    return sum(item[1] for item in found if isinstance(item[0], str))


@given(CHUNKS)
def test_both_say_the_same_about_any_bytes(chunks: list[bytes]) -> None:
    """Whatever comes, neither framer raises, and both find the same frames and discard the same bytes."""
    ours, theirs = OurStream(), TheirStream()
    for chunk in chunks:
        assert ours.feed(chunk) == theirs.feed(chunk)
    assert ours.quiet() == theirs.quiet()


@given(st.binary(max_size=200), st.sampled_from(sorted(FRAMES)))
def test_any_vector_is_recovered_after_any_garbage(garbage: bytes, name: str) -> None:
    """A frame that follows garbage comes out whole, and comes out last."""
    for framing in BOTH:
        found = framing.stream().feed(garbage + bytes.fromhex(FRAMES[name]["wire_hex"]))
        assert found[-1] == frame_of(FRAMES[name])


@given(FRAME)
def test_what_one_writes_the_other_reads(frame: tuple[int, int, int, bytes]) -> None:
    """Any frame written by either implementation is read by the other, and both write the same bytes."""
    one, other = BOTH
    wire = one.encode(*frame)
    assert wire == other.encode(*frame)
    assert one.stream().feed(wire) == other.stream().feed(wire) == [frame]


@given(st.lists(st.binary(max_size=400), max_size=20), st.integers(1, 200))
def test_memory_is_bounded(chunks: list[bytes], times: int) -> None:
    """However much comes without making a frame, no more is held than the longest frame has."""
    stream = OurStream()
    for chunk in chunks * times:
        stream.feed(chunk)
        assert stream.decoder.held <= MAX_SECTION


@given(st.binary(max_size=500))
def test_no_byte_is_lost_silently(data: bytes) -> None:
    """Every byte but flags ends in a frame or in a discard that counts it."""
    for framing in BOTH:
        stream = framing.stream()
        found = stream.feed(data) + stream.quiet()
        if not any(isinstance(item[0], int) for item in found):
            assert _bytes_told(found) == len(data) - data.count(0x7E)


@given(FRAME, st.integers(0, 10_000), st.integers(0, 7))
def test_one_wrong_bit_never_passes(frame: tuple[int, int, int, bytes], place: int, bit: int) -> None:
    """A frame with one wrong bit is discarded or, where the bit was in a flag, never completed: it is not misread."""
    for framing in BOTH:
        wire = bytearray(framing.encode(*frame))
        wire[place % len(wire)] ^= 1 << bit
        stream = framing.stream()
        found = stream.feed(bytes(wire)) + stream.quiet()
        assert all(isinstance(item[0], str) for item in found)
        assert found
