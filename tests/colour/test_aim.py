"""The density that comes closest to a colour: found again, bounded, and told in words."""

from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.colour import Closest, DensityOf, FilmLine, Lab, Spectrum, ciede2000, closest, film_line
from tests.colour.inks import LAYERS, PAPER, SURFACE, density, printed

LINES: dict[str, FilmLine] = {ink: film_line(PAPER, [printed(ink, 1.0)], SURFACE) for ink in LAYERS}
READ: dict[str, DensityOf] = {ink: partial(density, ink) for ink in LAYERS}


def search(ink: str, aim: Lab, **words: float) -> Closest:
    """The closest film of an ink, with a limit of dE00 2."""
    return closest(LINES[ink], aim, READ[ink], **{"limit_de00": 2.0, **words})  # type: ignore[arg-type]


@given(st.sampled_from(sorted(LAYERS)), st.floats(0.31, 1.59))
def test_found_again(ink: str, factor: float) -> None:
    """A colour taken from the line itself is found again to 0.001 D, with nothing left over."""
    there = LINES[ink].at(factor, READ[ink])
    found = search(ink, there.lab)
    assert found.density_d == pytest.approx(there.density_d, abs=1e-3)
    assert found.de00 < 1e-4
    assert found.at_end is None


@given(st.sampled_from(sorted(LAYERS)), st.floats(0.5, 1.5), st.floats(-8, 8), st.floats(-8, 8))
def test_band_and_best(ink: str, factor: float, da: float, db: float) -> None:
    """The best lies in its band; the band's ends are within the limit and, inside the range, at it."""
    base = LINES[ink].lab(factor)
    found = search(ink, Lab(base.l_star, base.a_star + da, base.b_star + db))
    aim = Lab(base.l_star, base.a_star + da, base.b_star + db)
    assert found.de00 == ciede2000(LINES[ink].lab(found.factor), aim)
    assert found.present_de00 == ciede2000(LINES[ink].lab(1.0), aim)
    assert found.de00 <= found.present_de00 + 1e-12
    assert (found.band_d is None) == (found.de00 > 2.0)
    if found.band_d is not None:
        low, high = found.band_d
        assert low <= found.density_d <= high
        if low <= found.present_density_d <= high:
            assert found.present_de00 <= 2.0 + 1e-3


def test_band_ends_at_the_limit() -> None:
    """The colours at the ends of the band are off by the limit, and a little farther by more."""
    aim = LINES["C"].lab(1.0)
    found = search("C", aim)
    assert found.band_d is not None
    off = []
    for edge, sign in zip(found.band_d, (-1, 1), strict=True):
        factors = [0.3 + 0.0005 * step for step in range(2601)]
        near = min(factors, key=lambda factor: abs(LINES["C"].at(factor, READ["C"]).density_d - edge))
        off.append(ciede2000(LINES["C"].lab(near), aim))
        assert ciede2000(LINES["C"].lab(near + 0.005 * sign), aim) > 2.0
    assert off == pytest.approx([2.0, 2.0], abs=0.02)


def test_band_reaches_to_the_end_of_the_range() -> None:
    """Where the limit is met up to the end of the range, the band ends there."""
    found = search("C", LINES["C"].lab(1.55))
    assert found.band_d is not None
    assert found.band_d[1] == pytest.approx(LINES["C"].at(1.6, READ["C"]).density_d, abs=1e-6)


@pytest.mark.parametrize(("factor", "end"), [(0.1, "thin"), (2.5, "full")])
def test_end_of_the_range(factor: float, end: str) -> None:
    """A colour beyond the range is best met at its end, and the words say that film comes no closer."""
    found = search("M", LINES["M"].lab(factor))
    assert found.at_end == end
    assert found.factor == {"thin": 0.3, "full": 1.6}[end]
    assert found.de00 > 1.0
    assert f"cannot come closer by ink film: {found.density_d:.2f} D is the {end} end" in found.told


def test_greatest_density() -> None:
    """A greatest density cuts the range, and what would need more is best met there."""
    found = search("C", LINES["C"].lab(1.4), density_max_d=1.40)
    assert found.at_end == "full"
    assert found.density_d == pytest.approx(1.40, abs=1e-5)
    assert found.density_d <= 1.40
    free = search("C", LINES["C"].lab(1.4), density_max_d=9.0)
    assert free == search("C", LINES["C"].lab(1.4))


def test_greatest_density_below_the_range() -> None:
    """A greatest density that the thinnest film reaches already is refused."""
    with pytest.raises(
        ValueError, match=r"density_max_d 0\.2: expected more than the 0\.\d+ D of the thinnest"
    ):
        search("C", LINES["C"].lab(1.0), density_max_d=0.2)


def test_present_film() -> None:
    """What is left at the present film goes by the present film, not by the solid the line was made of."""
    aim = LINES["Y"].lab(1.2)
    found = search("Y", aim, present_factor=0.8)
    assert found.present_density_d == LINES["Y"].at(0.8, READ["Y"]).density_d
    assert found.present_de00 == ciede2000(LINES["Y"].lab(0.8), aim)


def test_hue_is_not_of_film() -> None:
    """An aim of another hue is not reached: what remains is of hue nearly alone, and more or less ink does not help."""
    base = LINES["M"].lab(1.0)
    found = search("M", Lab(base.l_star, base.a_star * 0.98, base.b_star + 15.0))
    assert found.at_end is None
    assert found.band_d is None
    assert abs(found.terms.hue) > 0.9 * found.de00
    assert "neither more ink nor less comes closer; dE00" in found.told


def test_told() -> None:
    """The words give the density, what remains and of what, and how it stands now."""
    base = LINES["K"].lab(1.0)
    found = search("K", Lab(base.l_star, base.a_star, base.b_star + 4.0))
    assert found.told.startswith(
        f"closest at {found.density_d:.2f} D, and neither more ink nor less comes closer; "
    )
    assert f"dE00 {found.de00:.1f} remains (lightness " in found.told
    assert found.told.endswith(
        f"at the present {found.present_density_d:.2f} D it is {found.present_de00:.1f}"
    )
    assert "-0.0" not in found.told


@pytest.mark.parametrize(
    ("words", "text"),
    [
        ({"factor_range": (0.0, 1.6)}, r"factor_range 0\.0 to 1\.6"),
        ({"factor_range": (1.6, 1.6)}, r"factor_range 1\.6 to 1\.6"),
        ({"limit_de00": 0.0}, r"limit_de00 0\.0: expected more than 0"),
        ({"aim": Lab(50.0, float("nan"), 0.0)}, r"aim \(50\.0, nan, 0\.0\): expected finite"),
    ],
)
def test_refused(words: dict, text: str) -> None:
    """A range without room, a limit of nothing and an aim that is no colour are refused by name."""
    aim = words.pop("aim", LINES["C"].lab(1.0))
    with pytest.raises(ValueError, match=text):
        search("C", aim, **words)


def test_line_that_passes_an_aim_twice() -> None:
    """On a line that goes astray at one of its solids and comes back, every colour is found again all the same."""
    stray = printed("Y", 0.7).values
    astray = Spectrum(380, 10, (*stray[:20], *([0.35] * 10), *stray[30:]))
    line = film_line(PAPER, [printed("Y", 1.0), astray, printed("Y", 0.5)], SURFACE)
    for factor in (0.31 + 0.02 * step for step in range(65)):
        found = closest(line, line.lab(factor), READ["Y"], limit_de00=2.0)
        assert found.factor == pytest.approx(factor, abs=1e-4)


def test_same_every_time() -> None:
    """The search has no chance in it: twice the same, to the last bit."""
    aim = Lab(54.0, -36.0, -49.0)
    again = film_line(PAPER, [printed("C", 1.0)], SURFACE)
    assert closest(again, aim, READ["C"], limit_de00=2.0) == search("C", aim)
