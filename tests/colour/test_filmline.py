"""The film line: what it refuses, and that its arithmetic keeps its own physics (tests/colour/inks.py)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.colour import MeasuredUnder, Spectrum, film_line, lab_of, surface_reflection
from tests.colour.inks import LAYERS, PAPER, SURFACE, density, printed

INKS = st.sampled_from(sorted(LAYERS))
FACTORS = st.floats(0.2, 2.0)


def changed(spectrum: Spectrum, place: int, value: float) -> Spectrum:
    """The spectrum with one value replaced."""
    values = list(spectrum.values)
    values[place] = value
    return Spectrum(spectrum.start_nm, spectrum.step_nm, tuple(values))


@given(INKS, FACTORS)
def test_self_check(ink: str, factor: float) -> None:
    """From one solid of an ink that keeps the line's physics every film of it is found again (a self-check)."""
    line = film_line(PAPER, [printed(ink, 1.0)], SURFACE)
    assert line.reflectance(factor).values == pytest.approx(printed(ink, factor).values, rel=1e-9)


def test_wrong_surface_shows() -> None:
    """With another surface than the print's the line leaves the truth by more than 0.05 D: the check above can fail."""
    line = film_line(PAPER, [printed("C", 1.0)], 0.0)
    here = line.at(1.5, lambda spectrum: density("C", spectrum))
    assert here.density_d - density("C", printed("C", 1.5)) > 0.05


@given(
    INKS, st.lists(st.sampled_from([0.5, 0.7, 0.9, 1.2, 1.5]), min_size=1, max_size=3, unique=True), FACTORS
)
def test_more_solids_of_the_same_physics(ink: str, others: list[float], factor: float) -> None:
    """Solids that agree with one another give the same line in any number, and know their own films."""
    line = film_line(PAPER, [printed(ink, one) for one in (1.0, *others)], SURFACE)
    assert line.factors == pytest.approx(sorted((1.0, *others)))
    assert line.reflectance(factor).values == pytest.approx(printed(ink, factor).values, rel=1e-9)


def test_measured_solids_are_met() -> None:
    """A line through solids that do not agree with one another meets each of them, and stays between them."""
    solids = [printed("C", 1.0), changed(printed("C", 0.6), 26, 0.13), changed(printed("C", 1.4), 5, 0.6)]
    line = film_line(PAPER, solids, SURFACE)
    for factor, solid in zip(line.factors, sorted(solids, key=lambda one: -one.values[28]), strict=True):
        assert line.reflectance(factor).values == pytest.approx(solid.values, rel=1e-9)
    thin, middle, _ = line.factors
    between = line.reflectance((thin * middle) ** 0.5).values[26]
    assert solids[0].values[26] < between < solids[1].values[26]


def test_film_goes_by_the_band() -> None:
    """How much ink a solid carries is told by the ink's own band: a change beside it does not count."""
    beside = changed(printed("C", 1.4), 2, 0.5)
    line = film_line(PAPER, [printed("C", 1.0), beside], SURFACE)
    assert line.factors == pytest.approx((1.0, 1.4), rel=1e-9)
    within = changed(printed("C", 1.4), 26, 0.05)
    assert film_line(PAPER, [printed("C", 1.0), within], SURFACE).factors[1] < 1.39


@given(INKS, st.floats(0.5, 1.0), FACTORS)
def test_paper_and_print_scaled_alike(ink: str, share: float, factor: float) -> None:
    """With paper, print and surface all at a share of their light, so is the line: only ratios count."""

    def less(spectrum: Spectrum) -> Spectrum:
        return Spectrum(380, 10, tuple(share * value for value in spectrum.values))

    line = film_line(less(PAPER), [less(printed(ink, 1.0))], share * SURFACE)
    expected = less(printed(ink, factor)).values
    assert line.reflectance(factor).values == pytest.approx(expected, rel=1e-9)


def test_one_is_the_solid() -> None:
    """At k = 1 the line is the measured solid, with its colour and the density that the caller's function gives."""
    solid = printed("M", 1.0)
    here = film_line(PAPER, [solid], SURFACE).at(1.0, lambda spectrum: density("M", spectrum))
    assert here.reflectance.values == pytest.approx(solid.values, rel=1e-12)
    assert here.lab == pytest.approx(lab_of(solid), abs=1e-9)
    assert here.density_d == pytest.approx(density("M", solid), abs=1e-6)
    assert here.factor == 1.0


def test_no_darker_than_paper_is_held() -> None:
    """Where the solid is as bright as the paper nothing is divided by zero: the reading stays, at every film."""
    for bright in (PAPER.values[30], PAPER.values[30] + 0.02):
        solid = changed(printed("Y", 1.0), 30, bright)
        line = film_line(PAPER, [solid], SURFACE)
        assert line.held_nm == (680,)
        for factor in (0.3, 1.0, 1.6):
            assert line.reflectance(factor).values[30] == bright
    assert film_line(PAPER, [printed("Y", 1.0)], SURFACE).held_nm == ()


def test_held_by_one_solid_of_two() -> None:
    """A wavelength at which one solid of two is as bright as the paper is held too, and goes from one to the other."""
    thin, full = changed(printed("Y", 0.7), 30, 0.90), printed("Y", 1.4)
    line = film_line(PAPER, [thin, full], SURFACE)
    assert line.held_nm == (680,)
    ends = (0.90, full.values[30])
    found = [line.reflectance(factor).values[30] for factor in (0.5, 1.0, 2.0**0.5, 2.0, 3.0)]
    assert found == pytest.approx([ends[0], ends[0], sum(ends) / 2.0, ends[1], ends[1]])


def test_nothing_but_paper() -> None:
    """A solid that is nowhere darker than the paper is no ink."""
    with pytest.raises(ValueError, match="nowhere darker than the paper"):
        film_line(PAPER, [PAPER], SURFACE)


def test_darker_than_the_surface() -> None:
    """A reading at or below the surface's share is refused with its wavelength: the surface was given too bright."""
    with pytest.raises(
        ValueError, match=r"solids\.0, 640 nm: reflectance factor 0\.01: expected more than the surf"
    ):
        film_line(PAPER, [changed(printed("C", 1.0), 26, 0.01)], SURFACE)
    with pytest.raises(ValueError, match=r"paper, 380 nm: reflectance factor 0\.005"):
        film_line(changed(PAPER, 0, 0.005), [printed("C", 1.0)], SURFACE)


@pytest.mark.parametrize("surface", [-0.01, 1.0, float("nan")])
def test_surface_out_of_range(surface: float) -> None:
    """A surface that reflects nothing less than nothing, or all, is refused by its name."""
    with pytest.raises(ValueError, match=rf"surface {surface}: expected 0 or more and below 1"):
        film_line(PAPER, [printed("C", 1.0)], surface)


def test_grids_must_agree() -> None:
    """Spectra on two grids are refused, and which one."""
    short = Spectrum(390, 10, printed("C", 1.0).values[1:])
    with pytest.raises(
        ValueError, match=r"solids\.1: .*\(390, 10, 35\): expected the paper's \(380, 10, 36\)"
    ):
        film_line(PAPER, [printed("C", 1.0), short], SURFACE)


def test_solids_must_differ() -> None:
    """No solid at all, or two of the same film, are refused."""
    with pytest.raises(ValueError, match="solids: none"):
        film_line(PAPER, [], SURFACE)
    with pytest.raises(ValueError, match=r"solids: two with 1\.0000 and 1\.0050 times the ink"):
        film_line(PAPER, [printed("C", 1.0), printed("C", 1.005)], SURFACE)


@pytest.mark.parametrize("factor", [0.0, -1.0, float("nan")])
def test_factor_above_nothing(factor: float) -> None:
    """A film of nothing or less is refused."""
    with pytest.raises(ValueError, match=f"factor {factor}: expected more than 0"):
        film_line(PAPER, [printed("C", 1.0)], SURFACE).reflectance(factor)


def test_polarisers_take_the_surface_away() -> None:
    """Through crossed polarisers nothing of the surface is left; else a hundredth (common practice, no source)."""
    assert {condition: surface_reflection(condition) for condition in MeasuredUnder} == {
        MeasuredUnder.M0: 0.01,
        MeasuredUnder.M1: 0.01,
        MeasuredUnder.M2: 0.01,
        MeasuredUnder.M3: 0.0,
    }
