"""How often a PIN may be tried. The numbers are the project's own choice; no source."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from inksteward.attempts import (
    FIRST_WAIT_MS,
    FREE,
    FREE_AT_SOURCE,
    LONGEST_WAIT_MS,
    ROOM,
    WINDOW_MS,
    Attempts,
    begin,
    held,
    wait_ms,
)

ANNA, BEN = "op-anna", "op-ben"
DESK, OFFICE = "192.0.2.1", "192.0.2.2"


def wrong(attempts: Attempts, count: int, now_ms: int = 0, who: str = ANNA, source: str = DESK) -> Attempts:
    """So many wrong PINs, each as soon as it may be tried."""
    for _ in range(count):
        now_ms += wait_ms(attempts, who, source, now_ms)
        attempts, wait = begin(attempts, who, source, now_ms)
        assert wait == 0
    return attempts


def test_the_first_tries_need_no_wait() -> None:
    """Before the fifth wrong PIN there is no wait, after it ten seconds, to the millisecond."""
    assert wait_ms(wrong(Attempts(), FREE - 1), ANNA, DESK, 0) == 0
    after = wrong(Attempts(), FREE)
    assert wait_ms(after, ANNA, DESK, 0) == FIRST_WAIT_MS
    assert begin(after, ANNA, DESK, FIRST_WAIT_MS - 1) == (after, 1)
    tried, wait = begin(after, ANNA, DESK, FIRST_WAIT_MS)
    assert (wait, tried == after) == (0, False)


def test_the_wait_doubles_up_to_its_longest() -> None:
    """Each further wrong PIN doubles the wait, up to a quarter of an hour and not beyond, however many there are."""
    waits = []
    attempts, now_ms = wrong(Attempts(), FREE), 0
    for _ in range(60):
        waits.append(wait_ms(attempts, ANNA, DESK, now_ms))
        now_ms += waits[-1]
        attempts, _ = begin(attempts, ANNA, DESK, now_ms)
    assert waits[:8] == [10_000, 20_000, 40_000, 80_000, 160_000, 320_000, 640_000, LONGEST_WAIT_MS]
    assert set(waits[8:]) == {LONGEST_WAIT_MS}


def test_a_try_that_had_to_wait_changes_nothing() -> None:
    """Who tries too soon is told how long to wait, and does not make it longer."""
    after = wrong(Attempts(), FREE)
    for now_ms in range(0, FIRST_WAIT_MS, 1000):
        same, wait = begin(after, ANNA, DESK, now_ms)
        assert same is after
        assert wait == FIRST_WAIT_MS - now_ms


def test_nobody_is_locked_out_from_elsewhere() -> None:
    """Wrong PINs for one operator at one source make neither that operator wait at another source, nor another operator
    at the same one while the source itself may still try.
    """
    after = wrong(Attempts(), FREE + 3)
    now_ms = after.sources[DESK][-1]
    assert wait_ms(after, ANNA, DESK, now_ms) > 0
    assert wait_ms(after, ANNA, OFFICE, now_ms) == 0
    assert wait_ms(after, BEN, DESK, now_ms) == 0


def test_a_source_that_tries_many_names_waits() -> None:
    """After twenty wrong PINs at a source, whatever the names, every name waits there, and nobody elsewhere."""
    attempts = Attempts()
    for number in range(FREE_AT_SOURCE):
        assert wait_ms(attempts, f"op-{number}", DESK, 0) == 0
        attempts, _ = begin(attempts, f"op-{number}", DESK, 0)
    assert wait_ms(attempts, "op-new", DESK, 0) == FIRST_WAIT_MS
    assert wait_ms(attempts, "op-new", OFFICE, 0) == 0


def test_the_right_pin_clears_its_own_count() -> None:
    """With the right PIN what was wrong before is forgotten for that operator at that source."""
    after, _ = begin(wrong(Attempts(), FREE - 1), ANNA, DESK, 0)
    right = held(after, ANNA, DESK, 0)
    assert wait_ms(wrong(right, FREE - 1), ANNA, DESK, 0) == 0
    assert wait_ms(after, ANNA, DESK, 0) == FIRST_WAIT_MS


def test_one_s_own_pin_opens_no_way_to_guess_at_others() -> None:
    """Who signs in with an own PIN between wrong ones for others gets no more of those at a source than without."""
    attempts, guesses = Attempts(), 0
    while wait_ms(attempts, f"op-{guesses}", DESK, 0) == 0:
        attempts, _ = begin(attempts, f"op-{guesses}", DESK, 0)
        guesses += 1
        attempts, wait = begin(attempts, BEN, DESK, 0)
        if wait == 0:
            attempts = held(attempts, BEN, DESK, 0)
    assert guesses == FREE_AT_SOURCE


def test_many_tries_at_once_are_many_tries() -> None:
    """A try counts from its beginning: of a hundred that begin before the first one is judged five are looked at."""
    attempts, looked_at = Attempts(), 0
    for _ in range(100):
        attempts, wait = begin(attempts, ANNA, DESK, 0)
        looked_at += wait == 0
    assert looked_at == FREE


def test_a_day_of_guessing() -> None:
    """Who tries as often as permitted gets at most 110 tries in 24 hours for one operator from one source."""
    attempts, now_ms, tries = Attempts(), 0, 0
    while now_ms < WINDOW_MS:
        attempts, wait = begin(attempts, ANNA, DESK, now_ms)
        tries += wait == 0
        now_ms += max(wait, 1)
    assert 100 <= tries <= 110


def test_wrong_pins_count_for_a_day() -> None:
    """A wrong PIN counts for 24 hours, to the millisecond."""
    after = wrong(Attempts(), FREE - 1)
    for at_ms, wait in ((WINDOW_MS - 1, FIRST_WAIT_MS), (WINDOW_MS, 0)):
        tried, _ = begin(after, ANNA, DESK, at_ms)
        assert wait_ms(tried, ANNA, DESK, at_ms) == wait


def test_memory_is_bounded() -> None:
    """A thousand entries are kept; one more pushes out the one that is longest ago."""
    attempts = Attempts()
    for number in range(ROOM + 1):
        attempts, _ = begin(attempts, ANNA, f"source-{number}", number)
    assert len(attempts.pairs) == len(attempts.sources) == ROOM
    assert "source-0" not in attempts.sources
    assert "source-1" in attempts.sources


TRY = st.tuples(
    st.sampled_from([ANNA, BEN]), st.sampled_from([DESK, OFFICE]), st.integers(0, 3_600_000), st.booleans()
)


@given(st.lists(TRY, max_size=60))
def test_whatever_comes_waits_are_bounded_and_right_pins_leave_no_trace(
    tries: list[tuple[str, str, int, bool]],
) -> None:
    """Over any course of tries a wait lies between none and the longest, tries at one source change nothing at the
    other, and right PINs alone never lead to a wait.
    """
    attempts, here, only_right, now_ms = Attempts(), Attempts(), Attempts(), 0
    for who, source, later_ms, right in tries:
        now_ms += later_ms
        assert wait_ms(attempts, who, DESK, now_ms) == wait_ms(here, who, DESK, now_ms)
        attempts, wait = begin(attempts, who, source, now_ms)
        assert 0 <= wait <= LONGEST_WAIT_MS
        if source == DESK:
            here, _ = begin(here, who, source, now_ms)
        if right and wait == 0:
            attempts = held(attempts, who, source, now_ms)
            here = held(here, who, source, now_ms) if source == DESK else here
        only_right, wait = begin(only_right, who, source, now_ms)
        assert wait == 0
        only_right = held(only_right, who, source, now_ms)
    assert only_right == Attempts()
