"""Every single bit of a journal turned over: verify finds it, and no row changes without the chain showing it.

``make test`` takes a part of the bits, another one each time; ``make soak`` takes all of them and says what it counted.
"""

from __future__ import annotations

import random
import sys
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

import pytest

from inksteward.journal import Journal
from inksteward.journal_digest import digest_path
from inksteward.journal_read import read_rows
from inksteward.journal_verify import verify
from inksteward.journal_wal import scan_wal, wal_path
from tests.flip_rows import RowJudge
from tests.flips import Judge, count, count_on_all_cores
from tests.records import (
    EVENTS,
    SERVICE_PUBLIC,
    SMALL_RESERVE,
    closed_record,
    copy_of,
    large_record,
    run,
    started,
)
from tests.test_journal_wal import commits_of, frame_at

STRIDE = 311  # prime, so that every bit of a byte has its turn
LARGE = 1 << 20
WHOLE = 2_000


def small(folder: Path) -> Path:
    """A closed journal with every kind of row, effect and table."""
    path = folder / "a.journal"
    closed_record(path, checkpoints=(2, 10))
    with Journal.open(path, reserve_bytes=SMALL_RESERVE) as journal:
        journal.ack_all([(each.seq, each.n) for each in journal.unacknowledged()[:9]])
    return path


def bits_of(path: Path) -> range:
    """All bits of a file."""
    return range(path.stat().st_size * 8)


def some(bits: range, stride: int) -> range:
    """Every so many bits, from a random one on: a failure names the bit."""
    return bits[random.randrange(stride) :: stride]


def tell(capsys: pytest.CaptureFixture[str], name: str, size: int, found: Counter[str]) -> None:
    """Say what was counted, also where pytest keeps output to itself."""
    with capsys.disabled():
        sys.stdout.write(f"\n{name}: {size} bytes, {found.total()} flips: {dict(found.most_common())}\n")


def assert_shown(found: Counter[str]) -> None:
    """A good part of the flips meets the record, and the codes are those that verify has for it."""
    rows = sum(found[code] for code in ("altered", "dropped", "inserted", "swapped", "unreadable", "genesis"))
    assert rows > found.total() // 5, found
    assert found["digest"] > 0
    assert found["checkpoint"] > 0


def test_flipped_bit_is_found(tmp_path: Path) -> None:
    """Any bit of a small closed journal turned over is found; where only the digest shows it, a reader sees no change
    but in the acknowledgements; and the rows that are said to hold are those before the first that changed.
    """
    path = small(tmp_path)
    assert_shown(count(Judge, path, SERVICE_PUBLIC, some(bits_of(path), STRIDE)))


@pytest.mark.soak
@pytest.mark.timeout(7200)
def test_every_flipped_bit_is_found(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same for every bit of the file."""
    path = small(tmp_path)
    found = count_on_all_cores(Judge, path, SERVICE_PUBLIC, bits_of(path))
    tell(capsys, "whole verify", path.stat().st_size, found)
    assert found.total() == path.stat().st_size * 8
    assert_shown(found)


def whole_verify_agrees(path: Path, folder: Path, bits: Iterable[int]) -> Counter[str]:
    """Judge the bits by their rows and by the whole of verify; count what verify says."""
    folder.mkdir()
    judge = RowJudge(path, folder, SERVICE_PUBLIC)
    found = Counter[str]()
    for bit in bits:
        by_rows = judge(bit)
        with judge.copy.flipped(bit):
            code = judge.whole()
        assert code != "digest" or by_rows in ("nothing", "acknowledgement", "digest"), (
            f"bit {bit}: {by_rows}"
        )
        found[code] += 1
    return found


def test_flipped_bit_of_a_large_journal_shows_in_its_row(tmp_path: Path) -> None:
    """A bit of a journal of 1 MiB turned over changes no row without its hash showing it, and verify finds it."""
    path = tmp_path / "large.journal"
    large_record(path, LARGE)
    found = count(RowJudge, path, SERVICE_PUBLIC, some(bits_of(path)[4096 * 8 :], 80_021))
    assert found["row"] > found.total() // 3
    assert whole_verify_agrees(path, tmp_path / "copy", some(bits_of(path), 400_009))["altered"] > 2


@pytest.mark.soak
@pytest.mark.timeout(6 * 3600)
def test_every_flipped_bit_of_a_large_journal_shows_in_its_row(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same for every bit of the file, a part of them at random by the whole of verify as well."""
    path = tmp_path / "large.journal"
    large_record(path, LARGE)
    chosen = random.sample(bits_of(path), WHOLE)
    tell(capsys, "whole verify", path.stat().st_size, whole_verify_agrees(path, tmp_path / "copy", chosen))
    found = count_on_all_cores(RowJudge, path, SERVICE_PUBLIC, bits_of(path))
    tell(capsys, "rows of the page", path.stat().st_size, found)
    assert found.total() == path.stat().st_size * 8


def test_flipped_bit_of_the_digest_is_found(tmp_path: Path) -> None:
    """Any bit of the digest itself turned over is found."""
    digest = digest_path(small(tmp_path))
    whole = digest.read_bytes()
    for bit in some(bits_of(digest), 13):
        data = bytearray(whole)
        data[bit // 8] ^= 1 << bit % 8
        digest.write_bytes(data)
        assert [each.code for each in verify(tmp_path / "a.journal").findings] == ["digest"], f"bit {bit}"


def killed(folder: Path) -> tuple[Path, bytes, list[int]]:
    """What a killed service left: three rows, all of them in the write-ahead file; its bytes and where rows end."""
    with Journal.create(folder / "b.journal", reserve_bytes=SMALL_RESERVE) as journal:
        run(journal, [started(), *EVENTS[:2]])
        path = copy_of(journal.path, folder / "killed.journal")
    raw = wal_path(path).read_bytes()
    return path, raw, commits_of(raw)


def scanned(path: Path, raw: bytes, ends: list[int], bits: Iterable[int]) -> Counter[str]:
    """Turn over bits of the write-ahead file: each is damage, or lies in the last transaction and is told as torn."""
    found = Counter[str]()
    may_be_torn = (frame_at(ends[-2] + 1), frame_at(ends[-2]) + 4)  # behind it, or the mark that it ended
    with wal_path(path).open("r+b", buffering=0) as file:
        for bit in bits:
            at = bit // 8
            file.seek(at)
            file.write(bytes([raw[at] ^ 1 << bit % 8]))
            state = scan_wal(wal_path(path))
            file.seek(at)
            file.write(raw[at : at + 1])
            assert state.damage or state.torn, f"bit {bit} was not told"
            assert state.damage or at >= may_be_torn[0] or 0 <= at - may_be_torn[1] < 4, (
                f"bit {bit}: {state.torn}"
            )
            found["altered" if state.damage else "torn or altered"] += 1
    return found


def test_flipped_bit_of_a_write_ahead_file_is_told(tmp_path: Path) -> None:
    """Any bit of the write-ahead file of a killed service turned over is a fault, or, in its last transaction, told as
    a write that may not have finished; and the rows that are said to hold do.
    """
    path, raw, ends = killed(tmp_path)
    heads = [row.hash for row in read_rows(copy_of(path, tmp_path / "whole.journal"))]
    assert len(heads) == len(ends) == 3
    scanned(path, raw, ends, some(bits_of(wal_path(path)), 1_999))
    for bit in some(bits_of(wal_path(path)), 4_001):
        data = bytearray(raw)
        data[bit // 8] ^= 1 << bit % 8
        wal_path(path).write_bytes(data)
        report = verify(path)
        assert report.rows < 3
        assert report.rows == 0 or report.head == heads[report.rows - 1], f"bit {bit}"
        told = any("did not finish" in doubt for doubt in report.doubts)
        assert told is report.sound, f"bit {bit}"


@pytest.mark.soak
@pytest.mark.timeout(7200)
def test_every_flipped_bit_of_a_write_ahead_file_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same for every bit, by the look at the write-ahead file alone."""
    path, raw, ends = killed(tmp_path)
    tell(capsys, "write-ahead file", len(raw), scanned(path, raw, ends, range(len(raw) * 8)))
