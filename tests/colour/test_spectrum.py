"""What a spectrum must be, and which conditions of measurement go together."""

from itertools import product
from math import inf, nan

import pytest

from inksteward.colour import MeasuredUnder, Spectrum, check_same_condition


@pytest.mark.parametrize("step_nm", [0, -10, 21])
def test_step_is_refused(step_nm: int) -> None:
    """A step outside 1 to 20 nm is refused by its name."""
    with pytest.raises(ValueError, match=rf"step_nm {step_nm}: expected 1 to 20"):
        Spectrum(400, step_nm, (0.5, 0.5))


@pytest.mark.parametrize("value", [-0.001, nan, inf])
def test_value_is_refused(value: float) -> None:
    """A negative value, or one that is no number, is refused at its wavelength."""
    with pytest.raises(ValueError, match=rf"values, 420 nm: {value}: expected a finite number, 0 or more"):
        Spectrum(400, 10, (0.5, 0.5, value, 0.5))


def test_single_value_is_refused() -> None:
    """One value is no spectrum."""
    with pytest.raises(ValueError, match="values: 1 of them: expected at least 2"):
        Spectrum(400, 10, (0.5,))


def test_grid() -> None:
    """A spectrum tells its last wavelength and its grid."""
    spectrum = Spectrum(380, 10, (0.0,) * 36)
    assert spectrum.end_nm == 730
    assert spectrum.grid == (380, 10, 36)


@pytest.mark.parametrize(("one", "other"), list(product(MeasuredUnder, MeasuredUnder)))
def test_conditions(one: MeasuredUnder, other: MeasuredUnder) -> None:
    """Readings under two conditions are refused with both named and a reason; under one condition they are taken."""
    if one is other:
        check_same_condition(one, other)
        return
    with pytest.raises(
        ValueError, match=rf"condition {one} \(.*\) against {other} \(.*expected one condition"
    ) as found:
        check_same_condition(one, other)
    text = str(found.value)
    assert ("polarisers take away" in text) == (MeasuredUnder.M3 in (one, other))
    assert ("ultraviolet makes a brightened paper" in text) == (
        {one, other} != {MeasuredUnder.M2, MeasuredUnder.M3}
    )
