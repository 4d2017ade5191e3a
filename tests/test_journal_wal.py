"""A write-ahead file that was altered, told from one that a power cut tore."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from inksteward.events import Ticked
from inksteward.journal_read import wal_path
from inksteward.journal_verify import verify
from inksteward.journal_wal import scan_wal
from tests.records import copy_of, record, run
from tests.test_journal_damage import FRAME


def wal_of(folder: Path) -> tuple[Path, bytes, int]:
    """A write-ahead file, its bytes and the number of its frames."""
    with record(folder / "a.journal") as journal:
        crashed = copy_of(journal.path, folder / "crashed.journal")
    raw = wal_path(crashed).read_bytes()
    return wal_path(crashed), raw, (len(raw) - 32) // FRAME


@pytest.mark.parametrize(
    ("at", "damaged"),
    [
        (0, "header"),  # magic
        (12, "header"),  # checkpoint sequence
        (24, "header"),  # the header's checksum
        (32 + 8, "frame 1 "),  # salt
        (32 + 16, "frame 1 "),  # checksum of a frame
        (32 + 24, "frame 1 "),  # page
        (-2 * FRAME + 16, "frame {last} "),  # checksum of the frame before the last
        (-2 * FRAME + 24, "frame {last} "),  # its page
        (-FRAME + 8, "frame {after} "),  # salt of the last frame
    ],
)
def test_altered_write_ahead_file_is_told_from_a_torn_one(tmp_path: Path, at: int, damaged: str) -> None:
    """A change before the end of the write-ahead file is damage: frames behind it were written whole."""
    path, raw, frames = wal_of(tmp_path)
    assert scan_wal(path).frames == frames
    path.write_bytes(raw[:at] + bytes([raw[at] ^ 1]) + raw[len(raw[:at]) + 1 :])
    state = scan_wal(path)
    assert state.damage is not None
    assert damaged.format(last=frames - 1, after=frames) in state.damage
    assert state.torn is None
    assert [each.code for each in verify(path.with_name("crashed.journal")).findings][:1] == ["write_ahead"]


def test_last_frame_may_be_torn(tmp_path: Path) -> None:
    """A last frame that does not check cannot be told from a torn write, and that is what is said."""
    path, raw, frames = wal_of(tmp_path)
    path.write_bytes(raw[:-1] + bytes([raw[-1] ^ 1]))
    state = scan_wal(path)
    assert (state.frames, state.damage) == (frames - 1, None)
    assert "did not finish, or it was damaged later" in (state.torn or "")
    path.write_bytes(raw[:-FRAME] + raw[-FRAME : -FRAME + 1])
    assert scan_wal(path).torn == state.torn
    both = bytearray(raw)
    for at in (-2 * FRAME + 16, -2 * FRAME + 24, -1):
        both[at] ^= 1
    path.write_bytes(both)
    state = scan_wal(path)
    assert (state.frames, state.damage) == (frames - 2, None)
    assert f"frame {frames - 1} of" in (state.torn or "")
    path.write_bytes(raw[:20])
    assert "cut within its header" in (scan_wal(path).torn or "")


def test_cut_does_not_hide_damage(tmp_path: Path) -> None:
    """A write-ahead file that was altered at its beginning and cut at its end is damaged, not torn."""
    path, raw, _ = wal_of(tmp_path)
    path.write_bytes(raw[:100] + bytes([raw[100] ^ 1]) + raw[101:-5])
    state = scan_wal(path)
    assert (state.frames, state.torn) == (0, None)
    assert "frame 1 of" in (state.damage or "")


def test_frames_of_an_earlier_round_are_no_damage(tmp_path: Path) -> None:
    """SQLite writes over its write-ahead file from the front; what is left of the last round is no fault."""
    with record(tmp_path / "a.journal", 3) as journal:
        journal._db.execute("PRAGMA wal_checkpoint(RESTART)")
        run(journal, [Ticked()])
        state = scan_wal(wal_path(journal.path))
        assert 0 < state.frames < (wal_path(journal.path).stat().st_size - 32) // FRAME
        assert (state.damage, state.torn) == (None, None)
        report = verify(journal.path)
        assert (report.sound, report.rows, len(report.doubts)) == (True, 29, 1)


def test_missing_and_empty_write_ahead_files_are_sound(tmp_path: Path) -> None:
    """Without a write-ahead file, or with an empty one, there is nothing to lose."""
    path = tmp_path / "a-wal"
    assert (scan_wal(path).damage, scan_wal(path).torn) == (None, None)
    path.write_bytes(b"")
    assert (scan_wal(path).damage, scan_wal(path).torn) == (None, None)


def test_write_ahead_file_in_the_other_byte_order_is_read(tmp_path: Path) -> None:
    """A write-ahead file whose checksums are big-endian (written on such a machine) is judged alike."""
    path, raw, _ = wal_of(tmp_path)
    first = second = 0
    header = struct.pack(">I", 0x377F0683) + raw[4:24]
    for even, odd in struct.iter_unpack(">II", header):
        first = (first + even + second) & 0xFFFFFFFF
        second = (second + odd + first) & 0xFFFFFFFF
    path.write_bytes(header + struct.pack(">II", first, second))
    assert (scan_wal(path).damage, scan_wal(path).torn) == (None, None)
    path.write_bytes(header + struct.pack(">II", first, second ^ 1))
    assert scan_wal(path).damage is not None
