"""Contacts: recorded if and only if the true gap closes somewhere on the blade line, at rest or on the way."""

import numpy as np
import pytest

from inksteward_simulators.link_messages import FaultKind, FaultRequest
from inksteward_simulators.press.faults import inject
from inksteward_simulators.press.press import Press
from tests.simulators.press_forms import quiet_press, unit_form

# The default table gives 12 um at 10 %.
AT_12_UM = [10.0] * 6


def plant(press: Press, zone: int, zero_error_um: float) -> None:
    inject(press, FaultRequest(unit="u1", kind=FaultKind.ZERO_ERROR_UM, zone=zone, value=zero_error_um))


@pytest.mark.parametrize(("zero_error_um", "contacts"), [(-11.999, 0), (-12.0, 1), (-12.001, 1), (12.0, 0)])
def test_contact_when_the_true_gap_is_gone(zero_error_um: float, contacts: int) -> None:
    """A gap of exactly nothing is a contact, a nanometre more is none."""
    press = quiet_press(unit_form(start_openings_pct=AT_12_UM))
    plant(press, 3, zero_error_um)
    assert len(press.contacts) == contacts


def test_planted_zero_error_is_found_when_the_key_closes() -> None:
    """A move that is safe by the nominal table touches on a key whose zero is off, and on that key only."""
    press = quiet_press(unit_form())
    plant(press, 4, -13.0)
    assert press.contacts == []
    press.drive("u1", dict.fromkeys(range(1, 7), 10.0))
    press.step(60)
    [contact] = press.contacts
    assert (contact.unit, contact.zone, contact.run_id) == ("u1", 4, "run-1")
    assert contact.gap_um == pytest.approx(-1.0)
    assert contact.x_mm == pytest.approx(3.5 * 32.5)
    assert 0 <= contact.sheet < 60


def test_key_driven_home_touches() -> None:
    """The press does not protect itself: a command to 0 % ends on the roller."""
    press = quiet_press(unit_form())
    press.drive("u1", {2: 0.0})
    press.step(60)
    assert [(contact.zone, contact.gap_um) for contact in press.contacts] == [(2, 0.0)]


def test_episode_counts_once_until_it_is_clear() -> None:
    """Staying on the roller is one contact, coming back to it is another."""
    press = quiet_press(unit_form(start_openings_pct=AT_12_UM))
    for _ in range(2):
        for to_pct in (1.0, 2.0, 0.5, 10.0):
            plant(press, 1, -4.0)
            press.drive("u1", {1: to_pct})
            press.step(30)
    assert [contact.zone for contact in press.contacts] == [1, 1]
    assert press.contacts[0].gap_um == pytest.approx(0.6 - 4.0)


def test_touch_on_the_way_is_seen() -> None:
    """A key that goes home and is called back before the next sheet has touched all the same."""
    press = quiet_press(unit_form(start_openings_pct=[1.0] * 6), speed_sph=1000.0)
    plant(press, 5, -0.6)
    press.stop()
    press.drive("u1", {5: 0.0})
    press.advance(0.17)
    press.drive("u1", {5: 10.0})
    press.advance(5.0)
    assert [contact.zone for contact in press.contacts] == [5]
    assert (
        press.unit("u1")
        .blade.least_gap_um(press.unit("u1").opening_um(press.unit("u1").keys.screw_pct))
        .min()
        > 0
    )


def test_spring_blade_touches_between_two_safe_states() -> None:
    """Keys that arrive before others press a spring blade down where both ends of the move are clear."""
    press = quiet_press(unit_form(zones=9, blade="spring", start_openings_pct=[40.0] * 9))
    unit = press.unit("u1")
    near, far = (4, 6), (3, 7)
    start_um = unit.blade.least_gap_um(unit.opening_um(unit.keys.screw_pct))[4]
    targets = dict.fromkeys(near, 36.0) | dict.fromkeys(far, 14.0)
    keys_pct = unit.keys.screw_pct.copy()
    for zone, to_pct in targets.items():
        keys_pct[zone - 1] = to_pct
    end_um = unit.blade.least_gap_um(unit.opening_um(keys_pct))[4]
    lowered_um = min(start_um, end_um) - 0.2
    plant(press, 5, -lowered_um / unit.blade.line_matrix[:, 4].max())
    assert press.contacts == []
    press.drive("u1", targets)
    press.step(60)
    end_um = unit.blade.least_gap_um(unit.opening_um(unit.keys.screw_pct))[4]
    assert end_um > 0.0
    assert 5 in [contact.zone for contact in press.contacts]


def test_contact_ignores_zone_averages() -> None:
    """A spring blade that touches at one key is in contact though the zone's average gap is open."""
    press = quiet_press(unit_form(blade="spring"))
    unit = press.unit("u1")
    press.drive("u1", {3: 0.0})
    press.step(60)
    assert press.contacts == [], "the neighbours hold a compliant screw's blade off the roller"
    plant(press, 3, -15.0)
    assert unit.blade.zone_gap_um(unit.opening_um(unit.keys.screw_pct))[2] > 0.0
    assert [contact.zone for contact in press.contacts] == [3]


def test_watch_looks_every_half_micrometre() -> None:
    """While keys run, no opening changes by more than 0.5 um between two looks at the blade line."""
    press = quiet_press(unit_form(start_openings_pct=[90.0] * 6), speed_sph=1000.0)
    unit, looked = press.unit("u1"), [np.full((1, 6), np.nan)]
    see = unit.watch.look

    def look(openings_um: np.ndarray, run_id: str, sheet: int, time_s: float) -> None:
        looked.append(np.atleast_2d(openings_um))
        see(openings_um, run_id, sheet, time_s)

    unit.watch.look = look  # type: ignore[method-assign]
    press.drive("u1", {1: 100.0, 2: 50.0, 5: 91.0})
    press.step(3)
    steps_um = np.diff(np.vstack(looked[1:]), axis=0)
    assert 0.4 < np.abs(steps_um).max() <= 0.5 + 1e-9


def test_watch_agrees_with_the_gaps() -> None:
    """Over random moves a zone is in the record if and only if its true gap was ever closed."""
    rng = np.random.default_rng(5)
    press = quiet_press(unit_form(blade="spring", zones=8, start_openings_pct=[30.0] * 8, coverage=[0.3] * 8))
    unit = press.unit("u1")
    closed: set[int] = set()
    for _ in range(60):
        press.drive("u1", {int(rng.integers(1, 9)): float(rng.uniform(2.0, 40.0))})
        for _ in range(200):
            press.advance(0.02)
            least = unit.blade.least_gap_um(unit.opening_um(unit.keys.screw_pct))
            closed |= {int(zone) + 1 for zone in np.flatnonzero(least <= 0.0)}
    assert closed, "the moves must reach the roller for this to say anything"
    assert {contact.zone for contact in press.contacts} == closed
