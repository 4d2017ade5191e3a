"""From a position payload to the integers of a read-back."""

from typing import Any

import pytest

from inksteward.contract.inputs import KeyPosition
from inksteward.ports import DriverError
from inksteward_drivers.positions import read_back
from tests.drivers.bench import unit


def _position(**changes: Any) -> KeyPosition:
    fields: dict[str, Any] = {
        "unit": "u1",
        "seq": 1,
        "sheet": 0,
        "opening_pct": (10.0, 42.125),
        "referenced": (True, False),
        "sweep_pct": 30.5,
        "moving": False,
        "blade_id": "blade-1",
    }
    return KeyPosition(**(fields | changes))


def test_openings_become_thousandths() -> None:
    """Openings and sweep come out in thousandths of a percent, references as they were told."""
    seen = read_back(unit(zones=2), _position(), 40)
    assert (seen.opening_mpct, seen.referenced, seen.sweep_mpct, seen.age_ms) == (
        (10_000, 42_125),
        (True, False),
        30_500,
        40,
    )


@pytest.mark.parametrize("opening", [None, 42.1234])
def test_what_is_not_a_contract_opening_is_unknown(opening: float | None) -> None:
    """An opening that is null, or finer than the contract allows, is unknown: it is never guessed."""
    assert read_back(unit(zones=2), _position(opening_pct=(10.0, opening)), 0).opening_mpct == (10_000, None)


def test_unknown_sweep_stays_unknown() -> None:
    """A sweep that is not told is unknown."""
    assert read_back(unit(zones=2), _position(sweep_pct=None), 0).sweep_mpct is None


@pytest.mark.parametrize(("age_ms", "young"), [(2999, True), (3000, True), (3001, False)])
def test_age_at_its_limit(age_ms: int, young: bool) -> None:
    """A position as old as the unit allows is a read-back; one millisecond older it is none."""
    if young:
        assert read_back(unit(zones=2), _position(), age_ms).age_ms == age_ms
    else:
        with pytest.raises(
            DriverError, match="u1: the last position is 3001 ms old, expected at most 3000 ms"
        ):
            read_back(unit(zones=2), _position(), age_ms)


@pytest.mark.parametrize("zones", [1, 3])
def test_other_number_of_keys(zones: int) -> None:
    """A position with one key too few or too many is no read-back."""
    with pytest.raises(DriverError, match=f"2 openings were read back, expected {zones}"):
        read_back(unit(zones=zones), _position(), 0)


def test_other_number_of_references() -> None:
    """A position that leaves open whether a key is referenced is no read-back."""
    with pytest.raises(DriverError, match="1 referenced flags were read back, expected 2"):
        read_back(unit(zones=2), _position(referenced=(True,)), 0)


def test_other_unit() -> None:
    """A position of another unit is never taken for this one's."""
    with pytest.raises(DriverError, match="position of u2 came in place of u1's"):
        read_back(unit(zones=2), _position(unit="u2"), 0)
