"""Key motors: speed, counts, lost motion, and the ways in which a key fails."""

import numpy as np
import pytest

from inksteward_simulators.press.keys import KeyMotors

FINEST = 0.1


def motors(backlash_pct: float = 0.0, start_pct: float = 40.0, counts: int = 1000) -> KeyMotors:
    return KeyMotors(np.full(3, start_pct), 5.0, counts, np.full(3, backlash_pct))


def test_speed_is_finite() -> None:
    """A key at 5 %/s has gone 5 % after a second and stands exactly on its target after the whole way."""
    keys = motors()
    keys.drive({1: 52.0})
    assert keys.remaining_s()[1] == pytest.approx(2.4)
    keys.advance(1.0, FINEST)
    assert keys.opening_pct().tolist() == pytest.approx([40.0, 45.0, 40.0])
    assert keys.moving().tolist() == [False, True, False]
    keys.advance(1.4, FINEST)
    assert keys.opening_pct()[1] == pytest.approx(52.0, abs=1e-12)
    assert not keys.moving().any()


def test_motion_does_not_depend_on_how_time_is_cut() -> None:
    """One second at once or in a hundred parts leaves shafts and screws in the same place."""
    at_once, in_parts = motors(0.3), motors(0.3)
    for keys, parts in ((at_once, 1), (in_parts, 100)):
        keys.drive({0: 43.0, 1: 38.5, 2: 41.0}, take_up_pct=1.0)
        for _ in range(parts):
            keys.advance(1.0 / parts, FINEST)
    np.testing.assert_allclose(at_once.shaft_pct, in_parts.shaft_pct, atol=1e-9)
    np.testing.assert_allclose(at_once.screw_pct, in_parts.screw_pct, atol=1e-9)


def test_samples_follow_the_motion_closely() -> None:
    """While keys move, no two samples are further apart than asked, turning points included."""
    keys = motors()
    keys.drive({0: 45.0, 1: 30.0, 2: 40.5}, take_up_pct=1.0)
    path = np.vstack([np.full(3, 40.0), keys.advance(5.0, FINEST)])
    assert np.abs(np.diff(path, axis=0)).max() <= FINEST + 1e-9
    assert path[:, 0].max() == pytest.approx(46.0)
    assert path[:, 2].max() == pytest.approx(41.5)


@pytest.mark.parametrize(
    ("asked", "counted"), [(40.04, 400), (40.05, 400), (40.06, 401), (39.96, 400), (39.94, 399)]
)
def test_targets_are_whole_counts(asked: float, counted: int) -> None:
    """A target goes to the nearest encoder count."""
    keys = motors()
    keys.drive({0: asked})
    keys.advance(1.0, FINEST)
    assert keys.counts()[0] == counted


def test_encoder_shows_whole_counts_on_the_way() -> None:
    """The read-back of a moving key is quantised."""
    keys = motors(counts=100)
    keys.drive({0: 50.0})
    keys.advance(0.73, FINEST)
    assert keys.shaft_pct[0] == pytest.approx(43.65)
    assert keys.opening_pct()[0] == pytest.approx(44.0)


def test_opening_leaves_the_blade_behind_by_the_lost_motion() -> None:
    """After opening the screw lags by the backlash, and a closing move takes nothing up at first."""
    keys = motors(backlash_pct=0.6)
    keys.drive({0: 45.0})
    keys.advance(2.0, FINEST)
    assert keys.screw_pct[0] == pytest.approx(44.4)
    keys.drive({0: 44.5})
    keys.advance(1.0, FINEST)
    assert keys.screw_pct[0] == pytest.approx(44.4)
    keys.drive({0: 44.0})
    keys.advance(1.0, FINEST)
    assert keys.screw_pct[0] == pytest.approx(44.0)


@pytest.mark.parametrize(("move_pct", "followed_pct"), [(0.5, 0.0), (0.6, 0.0), (0.7, 0.1)])
def test_opening_by_less_than_the_lost_motion_does_nothing(move_pct: float, followed_pct: float) -> None:
    """A key that was last closed opens only by what exceeds its backlash."""
    keys = motors(backlash_pct=0.6)
    keys.drive({0: 40.0 + move_pct})
    keys.advance(1.0, FINEST)
    assert keys.screw_pct[0] - 40.0 == pytest.approx(followed_pct, abs=1e-9)


def test_take_up_ends_closing() -> None:
    """An opening move with take-up goes beyond the target and comes back, so the blade stands where it is shown."""
    keys = motors(backlash_pct=0.6)
    keys.drive({0: 45.0, 1: 35.0}, take_up_pct=1.0)
    path = keys.advance(5.0, FINEST)
    assert path[:, 0].max() == pytest.approx(45.4)
    assert path[:, 1].min() == pytest.approx(35.0), "a closing move must not overshoot"
    np.testing.assert_allclose(keys.screw_pct[:2], [45.0, 35.0], atol=1e-9)


def test_small_closing_move_does_not_open_first() -> None:
    """Take-up belongs to opening moves only: closing by less than it goes straight down."""
    keys = motors()
    keys.drive({0: 39.5}, take_up_pct=1.0)
    assert keys.advance(2.0, FINEST)[:, 0].max() <= 40.0


def test_new_target_replaces_the_old_one_on_the_way() -> None:
    """A key that is sent back half way turns at once; the others go on undisturbed."""
    keys = motors()
    keys.drive({0: 50.0, 1: 45.0}, take_up_pct=1.0)
    keys.advance(1.1, FINEST)
    keys.drive({0: 40.0})
    keys.advance(0.1, FINEST)
    assert keys.shaft_pct[0] == pytest.approx(45.0)
    assert keys.shaft_pct[1] == pytest.approx(46.0)
    keys.advance(5.0, FINEST)
    np.testing.assert_allclose(keys.shaft_pct[:2], [40.0, 45.0], atol=1e-9)


def test_stop_leaves_keys_where_they_are() -> None:
    """Stopped motors stand at once and do not go on later."""
    keys = motors()
    keys.drive({0: 50.0})
    keys.advance(1.0, FINEST)
    keys.stop()
    keys.advance(3.0, FINEST)
    assert not keys.moving().any()
    assert keys.opening_pct()[0] == pytest.approx(45.0)


def test_stuck_key_accepts_and_stays() -> None:
    """A stuck key takes a command and neither its encoder nor its blade moves."""
    keys = motors()
    keys.drive({0: 50.0})
    keys.advance(0.5, FINEST)
    keys.set_stuck(0)
    keys.drive({0: 60.0, 1: 42.0})
    keys.advance(5.0, FINEST)
    assert keys.opening_pct().tolist() == pytest.approx([42.5, 42.0, 40.0])


def test_slipping_key_shows_a_motion_that_the_blade_does_not_make() -> None:
    """With a slipping coupling the encoder arrives and the blade stays."""
    keys = motors()
    keys.slipping[0] = True
    keys.drive({0: 50.0})
    keys.advance(5.0, FINEST)
    assert keys.opening_pct()[0] == pytest.approx(50.0)
    assert keys.screw_pct[0] == pytest.approx(40.0)


def test_lost_reference_shifts_what_is_shown_and_where_it_goes() -> None:
    """A key without its reference goes to where its encoder reads the target, wherever that is, up to its stop."""
    keys = motors()
    keys.referenced[0], keys.offset_pct[0] = False, 4.0
    assert keys.opening_pct()[0] == pytest.approx(44.0)
    keys.drive({0: 50.0})
    keys.advance(5.0, FINEST)
    assert keys.screw_pct[0] == pytest.approx(46.0)
    keys.drive({0: 2.0})
    keys.advance(20.0, FINEST)
    assert keys.screw_pct[0] == 0.0
