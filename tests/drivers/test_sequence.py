"""New frames, repeated ones, and those that never came."""

import pytest

from inksteward_drivers.framing import Frame, Kind
from inksteward_drivers.sequence import EPOCHS_KEPT, Sequence


def _data(seq: int, epoch: int = 1) -> Frame:
    return Frame(Kind.DATA, epoch, seq)


def test_next_number_is_new() -> None:
    """Frames in order are new, and none counts as missed."""
    heard = Sequence()
    assert [heard.take(_data(seq)) for seq in (0, 1, 2)] == ["new"] * 3
    assert heard.missed == 0


def test_listening_in_the_middle_misses_nothing() -> None:
    """The first frame ever heard may have any number: what came before nobody was listening to."""
    heard = Sequence()
    assert heard.take(_data(1234)) == "new"
    assert heard.missed == 0


def test_same_number_is_a_repetition() -> None:
    """The frame taken last is known again, and its answer is kept until a new frame comes."""
    heard = Sequence()
    heard.take(_data(5))
    heard.answer = Frame(Kind.ACK, 1, 5)
    assert heard.take(_data(5)) == "again"
    assert heard.answer is not None
    assert heard.take(_data(6)) == "new"
    assert heard.answer is None


def test_earlier_number_is_old() -> None:
    """A late copy of an earlier frame is neither new nor answered."""
    heard = Sequence()
    heard.take(_data(5))
    heard.take(_data(6))
    assert heard.take(_data(5)) == "old"


@pytest.mark.parametrize(
    ("ahead", "verdict", "missed"),
    [(1, "new", 0), (2, "new", 1), (32_767, "new", 32_766), (32_768, "old", 0)],
)
def test_skipped_numbers_are_counted(ahead: int, verdict: str, missed: int) -> None:
    """Skipped numbers count as missed frames, up to half the circle of numbers; beyond that a frame is old."""
    heard = Sequence()
    heard.take(_data(10))
    assert (heard.take(_data(10 + ahead)), heard.missed) == (verdict, missed)


def test_numbers_wrap() -> None:
    """After 65535 comes 0, and that is the next frame."""
    heard = Sequence()
    heard.take(_data(65_535))
    assert (heard.take(_data(0)), heard.missed) == ("new", 0)


def test_new_epoch_starts_over() -> None:
    """A sender that opened the line again draws a new epoch and counts from 0; a first number of 2 missed two."""
    heard = Sequence()
    heard.take(_data(100, epoch=1))
    assert (heard.take(_data(2, epoch=2)), heard.missed) == ("new", 2)


def test_epoch_that_was_left_is_not_entered_again() -> None:
    """A late copy from before the sender opened the line again is old, for the last 8 epochs."""
    heard = Sequence()
    for epoch in range(EPOCHS_KEPT + 1):
        heard.take(_data(0, epoch))
    assert heard.take(_data(0, epoch=0)) == "old"
    assert heard.take(_data(0, epoch=EPOCHS_KEPT + 1)) == "new"
    assert heard.take(_data(0, epoch=0)) == "new"  # nine epochs ago: forgotten
