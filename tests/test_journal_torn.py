"""Power cuts: what SQLite had not finished to write is lost and told, everything before it is read.

The disk is simulated: it takes sectors of 512 bytes whole, and those of an unfinished write in any order. What was
synchronised before (every earlier transaction, and the write-ahead file before a checkpoint) is there.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Iterator
from pathlib import Path

import pytest

from inksteward.journal import Head, Journal
from inksteward.journal_verify import verify
from inksteward.journal_wal import scan_wal, wal_path
from tests.records import EVENTS, SMALL_RESERVE, copy_of, record, run
from tests.test_journal_wal import FRAME, HEADER, commits_of, frame_at, wal_of, with_checksum

SECTOR = 512
TOLD = "the last write did not finish"


def kept(ends: list[int], size: int) -> int:
    """How many transactions are whole in the first ``size`` bytes of a write-ahead file."""
    return sum(frame_at(end) + FRAME <= size for end in ends)


def borders(ends: list[int]) -> set[int]:
    """Sizes at which nothing is unfinished: no file, a header alone, the end of a transaction."""
    return {0, HEADER, *(frame_at(end) + FRAME for end in ends)}


def test_file_cut_anywhere_is_read_up_to_its_last_whole_transaction(tmp_path: Path) -> None:
    """Cut at every sector and around every frame, a write-ahead file keeps the rows whose transaction is whole. The
    rest is told, and a head that was noted elsewhere names the first row that is missing.
    """
    path, raw, ends = wal_of(tmp_path)
    with Journal.open(
        copy_of(tmp_path / "a.journal", tmp_path / "b.journal"), reserve_bytes=SMALL_RESERVE
    ) as whole:
        heads = [whole.genesis, *(row.hash for row in whole.rows())]
    frames = [frame_at(number) + near for number in range(1, ends[-1] + 2) for near in (-1, 0, 1)]
    for size in sorted({*range(0, len(raw), SECTOR), *frames} & set(range(len(raw) + 1))):
        path.write_bytes(raw[:size])
        report = verify(path.with_name("crashed.journal"))
        rows = kept(ends, size)
        assert (report.sound, report.rows, report.head) == (True, rows, heads[rows]), f"cut at {size}"
        told = any(TOLD in doubt or "no whole header" in doubt for doubt in report.doubts)
        assert told is (size not in borders(ends)), f"cut at {size}"
        if size % 16 == 0 and rows < 10:
            (finding,) = verify(path.with_name("crashed.journal"), heads[-1]).findings
            assert (finding.code, finding.seq) == ("truncated", rows + 1)


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_file_cut_at_every_byte_is_told(tmp_path: Path) -> None:
    """Cut at every single byte: so many frames are counted as stand there with their transaction, the rest is told."""
    path, raw, ends = wal_of(tmp_path)
    for size in range(len(raw) + 1):
        path.write_bytes(raw[:size])
        state = scan_wal(path)
        assert state.committed == max((end for end in ends if frame_at(end) + FRAME <= size), default=0)
        assert (state.damage, state.torn is None) == (None, size in borders(ends)), f"cut at {size}"


def test_journal_goes_on_behind_the_last_whole_transaction(tmp_path: Path) -> None:
    """Opened after a cut, the journal stands at its last whole row and takes the next one."""
    _, raw, ends = wal_of(tmp_path / "press")
    for size in random.Random(5).sample(range(frame_at(ends[0]) + FRAME, len(raw)), 12):
        source = tmp_path / "press" / "crashed.journal"
        (tmp_path / str(size)).mkdir()
        crashed = copy_of(source, tmp_path / str(size) / "a.journal")
        wal_path(crashed).write_bytes(raw[:size])
        with Journal.open(crashed, reserve_bytes=SMALL_RESERVE) as again:
            assert again.head.seq == kept(ends, size)
            run(again, EVENTS)
        report = verify(crashed)
        assert (report.sound, report.rows) == (True, kept(ends, size) + len(EVENTS))


def torn(before: bytes, after: bytes, chance: random.Random) -> bytes:
    """What a disk may hold when the power fails while ``before`` becomes ``after``: each sector is new or old."""
    old = before.ljust(len(after), b"\0")
    share = chance.random()
    places = range(0, len(after), SECTOR)
    return b"".join((after if chance.random() < share else old)[at : at + SECTOR] for at in places)


def writes(journal: Journal) -> Iterator[tuple[Head, bytes, bytes]]:
    """Rows one after the other: the head before each, and the write-ahead file before and after it. The header of a new
    round is synchronised before its first frame is written (walFrames in SQLite's wal.c).
    """
    for event in EVENTS * 2:
        head, before = journal.head, wal_path(journal.path).read_bytes()
        run(journal, [event])
        after = wal_path(journal.path).read_bytes()
        yield head, after[:HEADER] + before[HEADER:], after


@pytest.mark.parametrize("again", [False, True])
def test_torn_transaction_is_not_taken_for_damage(tmp_path: Path, again: bool) -> None:
    """With any sectors of the last transaction new and the others old, the rows before it hold and nothing is called a
    fault, in a new write-ahead file and in one that is written over.
    """
    chance = random.Random(1976)
    told = 0
    with record(tmp_path / "a.journal", 3) as journal:
        if again:
            journal._db.execute("PRAGMA wal_checkpoint(RESTART)")
        for head, before, after in writes(journal):
            crashed = copy_of(journal.path, tmp_path / "crashed.journal")
            for _ in range(4):
                mixed = torn(before, after, chance)
                wal_path(crashed).write_bytes(mixed)
                report = verify(crashed)
                expected = journal.head if mixed == after else head
                assert report.findings == ()
                assert (report.rows, report.head) == expected
                told += any(TOLD in doubt for doubt in report.doubts)
    assert told > 36


def built(transactions: list[int], sequence: int = 1) -> bytes:
    """A write-ahead file of pages of 512 bytes, with so many frames in each transaction."""
    salts = struct.pack(">II", 7, 1976)
    data = with_checksum(struct.pack(">IIII", 0x377F0682, 3007000, 512, sequence) + salts, "<")
    sums = data[24:]
    for count in transactions:
        for left in range(count - 1, -1, -1):
            start = struct.pack(">II", 3, 0 if left else 4)
            words = struct.unpack(">II", sums)
            first, second = words
            for even, odd in struct.iter_unpack("<II", start + b"page" * 128):
                first = (first + even + second) & 0xFFFFFFFF
                second = (second + odd + first) & 0xFFFFFFFF
            sums = struct.pack(">II", first, second)
            data += start + salts + sums + b"page" * 128
    return data


def test_frame_header_across_two_sectors_may_be_of_two_rounds(tmp_path: Path) -> None:
    """The header of frame 42 begins 8 bytes before a sector's end: its commit mark may be of an earlier round while its
    salts are new. Elsewhere both come from one sector, and the mark counts.
    """
    path = tmp_path / "a-wal"
    for whole, altered in ((41, False), (40, True)):
        raw = built([whole, 3])
        path.write_bytes(raw)
        assert (scan_wal(path).committed, scan_wal(path).torn) == (whole + 3, None)
        at = HEADER + whole * (24 + 512)
        assert ((at + 8) % SECTOR == 0) is not altered
        path.write_bytes(raw[:at] + struct.pack(">II", 3, 9) + raw[at + 8 :])
        state = scan_wal(path)
        assert (state.committed, state.damage is not None, state.torn is None) == (whole, altered, altered)


def test_torn_checkpoint_loses_nothing(tmp_path: Path) -> None:
    """While rows are copied from the write-ahead file into the database, its pages may be half new and half old: the
    write-ahead file is whole, and every row is read.
    """
    chance = random.Random(1976)
    with record(tmp_path / "a.journal", 3) as journal:
        head = journal.head
        crashed = copy_of(journal.path, tmp_path / "crashed.journal")
    old, new = crashed.read_bytes(), journal.path.read_bytes()
    assert len(new) > len(old)
    ends = commits_of(wal_path(crashed).read_bytes())
    assert len(ends) == head.seq
    for _ in range(40):
        crashed.write_bytes(torn(old, new, chance)[: chance.choice((len(old), len(new), 3 * len(old) // 2))])
        report = verify(crashed, head.hash)
        assert (report.findings, report.vouched) == ((), head.seq)
