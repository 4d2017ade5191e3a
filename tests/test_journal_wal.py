"""A write-ahead file that was altered, told from one that a power cut tore.

Layout: https://www.sqlite.org/fileformat2.html section 4: a header of 32 bytes, frames of 24 bytes and a page.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import pytest

from inksteward.events import Ticked
from inksteward.journal import Journal, JournalError
from inksteward.journal_read import head_of
from inksteward.journal_verify import verify
from inksteward.journal_wal import scan_wal, wal_path
from tests.records import SMALL_RESERVE, copy_of, record, run

HEADER, FRAME = 32, 24 + 4096


def frame_at(number: int) -> int:
    """Where the frame of that number (from 1 on) begins."""
    return HEADER + (number - 1) * FRAME


def commits_of(raw: bytes) -> list[int]:
    """Numbers of the frames that end a transaction: they name the size of the database, others 0."""
    numbers = range(1, (len(raw) - HEADER) // FRAME + 1)
    return [number for number in numbers if any(raw[frame_at(number) + 4 : frame_at(number) + 8])]


def wal_of(folder: Path) -> tuple[Path, bytes, list[int]]:
    """A write-ahead file as a killed service leaves it, its bytes, and the frames that end a transaction."""
    folder.mkdir(exist_ok=True)
    with record(folder / "a.journal") as journal:
        crashed = copy_of(journal.path, folder / "crashed.journal")
    raw = wal_path(crashed).read_bytes()
    return wal_path(crashed), raw, commits_of(raw)


def flipped(raw: bytes, *places: int) -> bytes:
    """The bytes with the lowest bit of some of them turned over."""
    data = bytearray(raw)
    for at in places:
        data[at] ^= 1
    return bytes(data)


def test_whole_file_is_sound(tmp_path: Path) -> None:
    """In an untouched write-ahead file every frame is whole and the last one ends a transaction."""
    path, raw, commits = wal_of(tmp_path)
    assert len(commits) == 10
    assert frame_at(commits[-1]) + FRAME == len(raw)
    state = scan_wal(path)
    assert (state.frames, state.committed) == (commits[-1], commits[-1])
    assert (state.damage, state.torn) == (None, None)


@pytest.mark.parametrize(
    ("place", "named"),
    [
        (lambda ends: 0, "header"),  # magic
        (lambda ends: 12, "header"),  # checkpoint sequence
        (lambda ends: 24, "header"),  # the header's checksum
        (lambda ends: frame_at(1) + 8, "frame 1 "),  # salt
        (lambda ends: frame_at(1) + 16, "frame 1 "),  # checksum
        (lambda ends: frame_at(1) + 24, "frame 1 "),  # page
        (lambda ends: frame_at(ends[-3]) + 16, "frame {0[7]} "),
        (lambda ends: frame_at(ends[-3]) + 24, "frame {0[7]} "),
        (lambda ends: frame_at(ends[-2]) + 4, "frame {0[8]} "),  # where the last transaction but one ends
        (lambda ends: frame_at(ends[-2]) + 16, "frame {0[8]} "),
        (lambda ends: frame_at(ends[-2]) + 24, "frame {0[8]} "),
        (
            lambda ends: frame_at(ends[-1]) + 8,
            "frame {0[9]} ",
        ),  # a salt in the last frame: the rest still checks
    ],
)
def test_altered_write_ahead_file_is_told_from_a_torn_one(
    tmp_path: Path, place: Callable[[list[int]], int], named: str
) -> None:
    """A change before the last transaction is damage: what follows was only begun when it was on the disk."""
    path, raw, ends = wal_of(tmp_path)
    path.write_bytes(flipped(raw, place(ends)))
    state = scan_wal(path)
    assert named.format(ends) in (state.damage or "")
    assert state.torn is None
    assert [each.code for each in verify(path.with_name("crashed.journal")).findings][:1] == ["write_ahead"]


def test_last_transaction_may_be_torn(tmp_path: Path) -> None:
    """A last transaction that does not check cannot be told from a torn write, and that is what is said."""
    path, raw, ends = wal_of(tmp_path)
    assert ends[-1] > ends[-2] + 1, "the last transaction has several frames"
    texts = set()
    for changed in (
        flipped(raw, -1),
        flipped(raw, -FRAME + 4),
        flipped(raw, frame_at(ends[-2] + 1) + 16),
        flipped(raw, frame_at(ends[-2] + 1) + 24),
        raw[: frame_at(ends[-1])],
        raw[: frame_at(ends[-1]) + 1],
        raw[:-1],
        raw[: frame_at(ends[-2] + 1)] + bytes(len(raw) - frame_at(ends[-2] + 1)),
    ):
        path.write_bytes(changed)
        state = scan_wal(path)
        assert (state.committed, state.damage) == (ends[-2], None)
        texts.add(state.torn)
        report = verify(path.with_name("crashed.journal"))
        assert (report.sound, report.rows, report.doubts[0]) == (True, 9, state.torn)
    (text,) = texts
    assert f"incomplete behind frame {ends[-2]}: the last write did not finish, or" in (text or "")


@pytest.mark.parametrize("size", [1, 20, 31, 32, 33, 4096])
def test_file_without_a_header_is_torn(tmp_path: Path, size: int) -> None:
    """The header is on the disk before any row: where there is none, whole or only zeros, nothing had been stored."""
    path, raw, _ = wal_of(tmp_path)
    for content in (raw[: min(size, 31)], bytes(size)):
        path.write_bytes(content)
        state = scan_wal(path)
        assert (state.frames, state.committed, state.damage) == (0, 0, None)
        assert "has no whole header" in (state.torn or "")
    path.write_bytes(raw[:32])
    assert (scan_wal(path).damage, scan_wal(path).torn) == (None, None)


def test_cut_does_not_hide_damage(tmp_path: Path) -> None:
    """A write-ahead file that was altered at its beginning and cut at its end is damaged, not torn."""
    path, raw, _ = wal_of(tmp_path)
    path.write_bytes(flipped(raw, 100)[:-5])
    state = scan_wal(path)
    assert (state.frames, state.torn) == (0, None)
    assert "frame 1 of" in (state.damage or "")


def test_two_bad_frames_of_one_transaction_are_torn(tmp_path: Path) -> None:
    """The page and the checksum of a frame, and a frame behind it: still only the last transaction."""
    path, raw, ends = wal_of(tmp_path)
    first = frame_at(ends[-2] + 1)
    path.write_bytes(flipped(raw, first + 16, first + 24, -1))
    state = scan_wal(path)
    assert (state.frames, state.committed, state.damage) == (ends[-2], ends[-2], None)
    assert state.torn is not None


def test_altered_write_ahead_file_is_not_destroyed(tmp_path: Path) -> None:
    """Who would open such a journal to write is refused every time, and all that can still be seen stays there."""
    path, raw, ends = wal_of(tmp_path / "press")
    altered = flipped(raw, frame_at(ends[3]) + 24)
    path.write_bytes(altered)
    journal = path.with_name("crashed.journal")
    for _ in range(2):
        with pytest.raises(JournalError, match=f"frame {ends[3]} of the write-ahead file was altered"):
            Journal.open(journal, reserve_bytes=SMALL_RESERVE)
        with pytest.raises(JournalError, match=f"frame {ends[3]} of the write-ahead file was altered"):
            head_of(journal)
        assert path.read_bytes() == altered
    path.write_bytes(raw)
    with Journal.open(journal, reserve_bytes=SMALL_RESERVE) as again:
        assert again.head.seq == 10


def test_service_goes_on_after_a_torn_write(tmp_path: Path) -> None:
    """A journal whose last write was torn is opened at its last whole row and goes on."""
    path, raw, _ = wal_of(tmp_path / "press")
    path.write_bytes(raw[:-100])
    with Journal.open(path.with_name("crashed.journal"), reserve_bytes=SMALL_RESERVE) as again:
        assert again.head.seq == 9
        assert "behind frame" in verify(again.path).doubts[0]
        run(again, [Ticked()])
        assert len(verify(again.path).doubts) == 1
    assert verify(again.path).rows == 10


def test_frames_of_an_earlier_round_are_no_damage(tmp_path: Path) -> None:
    """SQLite writes over its write-ahead file from the front; what is left of the last round is no fault."""
    with record(tmp_path / "a.journal", 3) as journal:
        journal._db.execute("PRAGMA wal_checkpoint(RESTART)")
        run(journal, [Ticked()])
        path = wal_path(journal.path)
        raw, state = path.read_bytes(), scan_wal(path)
        assert 0 < state.frames == state.committed < (len(raw) - HEADER) // FRAME
        assert (state.damage, state.torn) == (None, None)
        report = verify(journal.path)
        assert (report.sound, report.rows, len(report.doubts)) == (True, 29, 1)
        left_over = frame_at(state.frames + 1)
        for salt in (raw[16:20], struct.pack(">I", struct.unpack_from(">I", raw, 16)[0] + 1), b"\0\0\0\0"):
            path.write_bytes(raw[: left_over + 8] + salt + raw[left_over + 12 :])
            assert scan_wal(path).torn is not None, "no frame of an earlier round has such a salt"
        path.write_bytes(raw)


def test_missing_and_empty_write_ahead_files_are_sound(tmp_path: Path) -> None:
    """Without a write-ahead file, or with an empty one, there is nothing to lose."""
    path = tmp_path / "a-wal"
    assert (scan_wal(path).damage, scan_wal(path).torn) == (None, None)
    path.write_bytes(b"")
    assert (scan_wal(path).damage, scan_wal(path).torn) == (None, None)


def with_checksum(header: bytes, order: str) -> bytes:
    """A header with the two words that the layout prescribes behind it."""
    first = second = 0
    for even, odd in struct.iter_unpack(f"{order}II", header):
        first = (first + even + second) & 0xFFFFFFFF
        second = (second + odd + first) & 0xFFFFFFFF
    return header + struct.pack(">II", first, second)


def test_write_ahead_file_in_the_other_byte_order_is_read(tmp_path: Path) -> None:
    """A write-ahead file whose checksums are big-endian (written on such a machine) is judged alike."""
    path, raw, _ = wal_of(tmp_path)
    header = with_checksum(struct.pack(">I", 0x377F0683) + raw[4:24], ">")
    path.write_bytes(header)
    assert (scan_wal(path).damage, scan_wal(path).torn) == (None, None)
    path.write_bytes(flipped(header, 31))
    assert scan_wal(path).damage is not None


@pytest.mark.parametrize("page", [0, 1, 256, 4095, 4097, 131072])
def test_page_size_that_no_database_has_is_damage(tmp_path: Path, page: int) -> None:
    """A page has 512 to 65536 bytes and is a power of two (section 1.3.2); SQLite reads no other file either."""
    path, raw, _ = wal_of(tmp_path)
    path.write_bytes(with_checksum(raw[:8] + struct.pack(">I", page) + raw[12:24], "<") + raw[32:])
    assert "header" in (scan_wal(path).damage or "")
    assert verify(path.with_name("crashed.journal")).rows == 0
