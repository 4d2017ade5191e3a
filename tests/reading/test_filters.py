"""What a patch shows through the filters, sent as densities or as a spectrum."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.contract.inputs import Patch, Reflectance
from inksteward.reading import status_density
from inksteward.reading.filters import dominant_filter, measure, median, paper_density
from inksteward.reading.status import CHANNELS
from tests.reading.bar import INKS, paper, scan, solid, through_filters


def spectrum(*values: float) -> Reflectance:
    """A spectrum from 380 nm on, its last value held to 730 nm."""
    return Reflectance(start_nm=380, step_nm=10, values=values + (values[-1],) * (36 - len(values)))


BRIGHT = spectrum(0.8)
BLUE_LESS = spectrum(*(0.06,) * 12, 0.8)


def spectral(kind: str, reflectance: Reflectance, *inks: str) -> Patch:
    """A patch read as a spectrum."""
    return Patch.model_validate(
        {"x_mm": 5.0, "kind": kind, "inks": inks, "reflectance": reflectance.model_dump()}
    )


@pytest.mark.parametrize("ink", INKS)
@pytest.mark.parametrize("density", [0.16, 1.4])
def test_solid_shows_its_ink(ink: str, density: float) -> None:
    """A solid of a process ink speaks for that ink, thin or full."""
    assert dominant_filter(through_filters(ink, density)) == ink


@pytest.mark.parametrize(
    ("colours", "shows"),
    [
        ((0.149, 0.02, 0.02), None),
        ((0.150, 0.02, 0.02), "C"),
        ((1.0, 0.9, 0.70), "K"),
        ((1.0, 0.9, 0.69), "C"),
        ((0.69, 1.0, 0.9), "M"),
        ((0.9, 0.69, 1.0), "Y"),
        ((-0.01, -0.02, -0.03), None),
    ],
)
def test_dominant_filter_at_its_limits(colours: tuple[float, float, float], shows: str | None) -> None:
    """No ink is seen below 0.15 D, and black from a greyness of 0.7 on."""
    assert dominant_filter(dict(zip("CMY", colours, strict=True))) == shows


@pytest.mark.parametrize("missing", ["C", "M", "Y"])
def test_dominance_needs_three_filters(missing: str) -> None:
    """Without one of the three colour filters nothing is said of the ink."""
    density = through_filters("C", 1.4)
    del density[missing]
    assert dominant_filter(density) is None


def test_visual_filter_is_not_needed() -> None:
    """Dominance rests on the three colour filters alone."""
    assert dominant_filter({"C": 1.4, "M": 0.5, "Y": 0.1}) == "C"


@given(st.lists(st.floats(-1, 4), min_size=1))
def test_median(values: list[float]) -> None:
    """The median has as many values above it as below it."""
    middle = median(values)
    assert sum(value < middle for value in values) <= len(values) / 2
    assert sum(value > middle for value in values) <= len(values) / 2


def test_densities_as_sent() -> None:
    """Densities that were sent are taken as they are, and stand above a spectrum sent with them."""
    patch = Patch(x_mm=1.0, kind="solid", inks=("C",), density={"C": 1.4}, reflectance=BRIGHT)
    assert measure(scan([patch]))[0].density == {"C": 1.4}


def test_missed_patch() -> None:
    """A patch without density and spectrum has none, and says so."""
    found = measure(scan([solid(5.0, "C", None)]))[0]
    assert found.density is None
    assert found.why == "no density was measured"


@pytest.mark.parametrize("status", ["T", "E"])
def test_spectrum_on_an_absolute_basis(status: str) -> None:
    """On an absolute basis a spectrum gives the densities of the instrument's status."""
    instrument = {"paper_relative": False, "status": status}
    found = measure(scan([spectral("solid", BLUE_LESS, "Y")], instrument=instrument))[0].density
    assert found == {channel: status_density(BLUE_LESS, status, channel) for channel in CHANNELS}


def test_spectrum_relative_to_paper() -> None:
    """On a paper-relative basis the median of the scan's paper spectra is taken off, filter by filter."""
    papers = [spectral("paper", spectrum(value)) for value in (0.7, 0.8, 0.9)]
    found = measure(scan([*papers, spectral("solid", BLUE_LESS, "Y")]))
    bare = {channel: status_density(BRIGHT, "E", channel) for channel in CHANNELS}
    density = found[3].density
    assert density is not None
    for channel in CHANNELS:
        assert density[channel] == pytest.approx(
            status_density(BLUE_LESS, "E", channel) - bare[channel], abs=1e-12
        )
    assert found[1].density == dict.fromkeys(CHANNELS, 0.0)


def test_spectrum_without_paper() -> None:
    """A paper-relative spectrum without a paper spectrum gives no density: densities sent do not serve."""
    found = measure(scan([paper(1.0), spectral("solid", BLUE_LESS, "Y")]))
    assert found[0].density is not None
    assert found[1].density is None
    assert "no spectrum of bare paper" in found[1].why


def test_spectrum_of_a_status_without_tables() -> None:
    """A spectrum under a status without tables gives no density, and says why."""
    found = measure(scan([spectral("solid", BRIGHT, "Y")], instrument={"status": "I"}))[0]
    assert found.density is None
    assert "expected status T or E" in found.why


def test_spot_ink_as_spectrum() -> None:
    """A spot ink read as a spectrum has, under its own id, the highest of its three colour filters."""
    patch = spectral("solid", BLUE_LESS, "P1")
    found = measure(scan([patch], instrument={"paper_relative": False}))[0].density
    assert found is not None
    assert found["P1"] == found["Y"] == max(found[channel] for channel in ("C", "M", "Y"))


def test_paper_density_is_a_median_of_paper_alone() -> None:
    """The paper's density is the median over paper patches that were read, per filter."""
    patches = [paper(1.0, 0.06), paper(2.0, 0.08), paper(3.0, 0.30), solid(4.0, "C", 1.4)]
    unread = Patch(x_mm=5.0, kind="paper")
    pairs = zip([*patches, unread], measure(scan([*patches, unread])), strict=True)
    assert paper_density(pairs) == dict.fromkeys(("C", "M", "Y", "K"), 0.08)
    assert paper_density([]) == {}
