"""Process quantities: what has no value, and what must hold. Published numbers stand in tests/outside."""

from collections.abc import Callable
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.colour import (
    Undefined,
    Xyz,
    ink_efficiency_pct,
    mid_tone_spread,
    tone_value_xyz_pct,
    trap_brunner_pct,
    trap_ritz_pct,
    yule_nielsen_pct,
)
from inksteward.colour.process import ProcessInk
from inksteward.reading import tone_value_pct

PAPER, SOLID = Xyz(84.0, 87.0, 74.0), Xyz(15.0, 23.0, 53.0)
AIM = {"C": 14.3, "M": 14.3, "Y": 14.3}


def test_tone_of_a_solid_no_darker_than_paper() -> None:
    """Without a solid darker than the paper there is no tone value, and the text names the ink."""
    with pytest.raises(Undefined, match=r"ink M: solid 87\.000, paper 87\.000: expected a solid darker"):
        tone_value_xyz_pct("M", SOLID, PAPER, PAPER)


@pytest.mark.parametrize("ink", get_args(ProcessInk))
def test_tone_goes_from_none_to_all(ink: ProcessInk) -> None:
    """Bare paper is 0 %, the solid 100 %, and half of the light between them 50 %; a darker tint is not clipped."""
    half = Xyz(*((bare + full) / 2.0 for bare, full in zip(PAPER, SOLID, strict=True)))
    darker = Xyz(*(1.2 * full - 0.2 * bare for bare, full in zip(PAPER, SOLID, strict=True)))
    found = [tone_value_xyz_pct(ink, tint, SOLID, PAPER) for tint in (PAPER, half, SOLID, darker)]
    assert found == pytest.approx([0.0, 50.0, 100.0, 120.0], abs=1e-6)


@given(st.floats(0.0, 1.4), st.floats(1.41, 2.2), st.floats(0.0, 0.1))
def test_no_spread_is_murray(tint: float, solid: float, paper: float) -> None:
    """With n = 1 Yule and Nielsen's dot area is Murray's; with more spread it is smaller for the same tint."""
    assert yule_nielsen_pct(tint, solid, paper, 1.0) == pytest.approx(
        tone_value_pct(tint, solid, paper), abs=2e-6
    )
    if tint > paper + 0.01:
        assert yule_nielsen_pct(tint, solid, paper, 1.8) < yule_nielsen_pct(tint, solid, paper, 1.0)


@pytest.mark.parametrize("n", [0.99, 2.01, float("nan")])
def test_spread_out_of_range(n: float) -> None:
    """Spread outside 1 to 2 is refused by its name."""
    with pytest.raises(Undefined, match=rf"n {n}: expected 1 to 2"):
        yule_nielsen_pct(0.5, 1.4, 0.0, n)


def test_spread_without_a_solid() -> None:
    """Without a solid denser than paper there is no dot area."""
    with pytest.raises(Undefined, match=r"solid 0\.080 D, paper 0\.080 D"):
        yule_nielsen_pct(0.5, 0.08, 0.08, 1.7)


@pytest.mark.parametrize("trap", [trap_brunner_pct, trap_ritz_pct])
def test_trap(trap: Callable[[float, float, float], float]) -> None:
    """An overprint that adds up has 100 %; without a second ink, or with a first below paper, there is no trap."""
    assert trap(1.55, 0.50, 1.05) == pytest.approx(100.0, abs=1e-6)
    with pytest.raises(Undefined, match=r"second ink 0\.000 D: expected more than 0"):
        trap(1.5, 0.5, 0.0)
    with pytest.raises(Undefined, match=r"first ink -0\.100 D: expected 0 or more"):
        trap(1.5, -0.1, 1.0)


def test_efficiency_of_no_ink() -> None:
    """An ink that takes no light has no efficiency; one that takes all of one third has 100 %."""
    with pytest.raises(Undefined, match=r"highest filter density 0\.000 D"):
        ink_efficiency_pct(0.0, 0.0, 0.0)
    assert ink_efficiency_pct(0.0, 1.4, 0.0) == 100.0
    assert ink_efficiency_pct(1.4, 1.4, 1.4) == 0.0


def test_spread_of_a_common_shift() -> None:
    """Inks that are all off alike have no spread; black does not count; a missing ink is named."""
    shifted = {ink: value + 3.0 for ink, value in AIM.items()}
    assert mid_tone_spread({**shifted, "K": 40.0}, {**AIM, "K": 14.3}) == 0.0
    assert mid_tone_spread({**shifted, "M": 10.3}, AIM) == pytest.approx(7.0)
    with pytest.raises(Undefined, match="measured tone values without M, Y: expected C, M and Y"):
        mid_tone_spread({"C": 14.0}, AIM)
    with pytest.raises(Undefined, match="aim tone values without Y"):
        mid_tone_spread(AIM, {"C": 14.0, "M": 14.0})
