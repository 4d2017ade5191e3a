"""Grey balance against the grey that looks neutral on the paper."""

import pytest

from inksteward.colour import Lab, Undefined, grey_aim, grey_balance

PAPER, DARKEST = Lab(95.0, 1.5, -6.0), Lab(23.0, -1.4, -1.7)


def test_aim_fades_from_paper() -> None:
    """The aim is the paper itself at the paper's lightness, and 15 % of its tint at the darkest overprint's."""
    assert grey_aim(95.0, PAPER, DARKEST) == pytest.approx(PAPER)
    assert grey_aim(23.0, PAPER, DARKEST) == pytest.approx(Lab(23.0, 0.15 * 1.5, 0.15 * -6.0))
    assert grey_aim(59.0, PAPER, DARKEST) == pytest.approx(Lab(59.0, 0.575 * 1.5, 0.575 * -6.0))


def test_neutral_paper_asks_for_neutral_grey() -> None:
    """On a neutral paper the aim is neutral, whatever the overprint's own tint."""
    assert grey_aim(60.0, Lab(95.0, 0.0, 0.0), DARKEST)[1:] == (0.0, 0.0)


def test_balance() -> None:
    """A patch 3 and 4 off its aim in a* and b* is 5 off in chroma; the spread is highest less lowest density."""
    aim = grey_aim(60.0, PAPER, DARKEST)
    found = grey_balance((0.52, 0.55, 0.49), Lab(60.0, aim.a_star + 3.0, aim.b_star - 4.0), PAPER, DARKEST)
    assert found.chroma_off_aim == pytest.approx(5.0)
    assert found.filter_spread_d == pytest.approx(0.06)
    assert found.aim == aim


def test_overprint_lighter_than_paper() -> None:
    """Without an overprint darker than the paper there is no aim."""
    with pytest.raises(Undefined, match=r"overprint L\* 95\.00, paper L\* 95\.00"):
        grey_aim(60.0, PAPER, PAPER)
