"""From films to the densities of patches."""

import numpy as np
import pytest

from inksteward_simulators.press.colour import ABSORPTION, TRAP, Layer, dot_area, patch_density, solid_density
from tests.simulators.press_forms import quiet_press, unit_form


def layer(ink: str, film_um: float = 1.0, error_d: float = 0.0) -> Layer:
    return Layer(ink, film_um, error_d, 1.65, 2.1, ABSORPTION[ink])


@pytest.mark.parametrize(
    ("film_um", "density"), [(0.0, 0.0), (0.7, 1.270623), (1.0, 1.447947), (1.3, 1.542388)]
)
def test_solid_saturates_with_film(film_um: float, density: float) -> None:
    """D = d_inf (1 - exp(-m y)) (Tollenaar and Ernst 1961, from memory); values computed here."""
    assert solid_density(film_um, 1.65, 2.1) == pytest.approx(density, abs=1e-6)


def test_cyan_reads_in_every_filter() -> None:
    """A cyan solid of 1.41 D reads about 0.47 through green, 0.14 through blue and 0.52 through the visual filter."""
    film_um = -np.log(1 - 1.41 / 1.65) / 2.1
    density = patch_density([layer("C", float(film_um))], 100.0, 0.0)
    assert density == pytest.approx({"C": 1.41, "M": 0.47, "Y": 0.14, "K": 0.52}, abs=0.005)


def test_paper_reads_nothing_but_toning() -> None:
    """Paper-relative density of the paper is 0 in all filters, and what toning adds is there in all."""
    assert patch_density([], 0.0, 0.0) == {"C": 0.0, "M": 0.0, "Y": 0.0, "K": 0.0}
    assert patch_density([], 0.0, 0.03) == pytest.approx(dict.fromkeys("CMYK", 0.03))


def test_tint_is_read_back_as_its_dot_area() -> None:
    """A tint obeys A = (1 - 10^-Dt) / (1 - 10^-Ds) (Murray 1936, from memory), with the gain of the dot in A."""
    tint = patch_density([layer("C")], 50.0, 0.0)["C"]
    solid = patch_density([layer("C")], 100.0, 0.0)["C"]
    assert (1 - 10**-tint) / (1 - 10**-solid) == pytest.approx(0.66)


@pytest.mark.parametrize(("tone", "area"), [(0.0, 0.0), (0.5, 0.66), (1.0, 1.0)])
def test_dot_area_keeps_its_ends(tone: float, area: float) -> None:
    """Gain is none at paper and solid, 16 points at half tone."""
    assert dot_area(tone, 1.0) == pytest.approx(area)


def test_gain_grows_with_film() -> None:
    """More ink means larger dots; none means no dot at all."""
    assert dot_area(0.5, 1.3) > dot_area(0.5, 1.0) > dot_area(0.5, 0.7)
    assert dot_area(1.0, 0.0) == 0.0


def test_overprint_is_trapped() -> None:
    """A second ink lies down less on the first: the overprint is below the sum of the solids by that much."""
    over = patch_density([layer("C"), layer("M")], 100.0, 0.0)
    cyan = patch_density([layer("C")], 100.0, 0.0)
    magenta = patch_density([layer("M", TRAP)], 100.0, 0.0)
    assert over["M"] == pytest.approx(cyan["M"] + magenta["M"], abs=1e-9)
    assert over["M"] < cyan["M"] + patch_density([layer("M")], 100.0, 0.0)["M"]


def test_spot_ink_is_added_under_its_own_name() -> None:
    """An ink outside the four is read through the filter that it absorbs most."""
    absorption = {"C": 0.1, "M": 0.9, "Y": 1.0, "K": 0.4}
    density = patch_density([Layer("orange", 1.0, 0.0, 1.5, 2.0, absorption)], 100.0, 0.0)
    assert density["orange"] == density["Y"] > density["M"]


def test_patch_over_a_border_averages_the_film() -> None:
    """A patch that lies by 3/5 in one zone and 2/5 in the next shows the density of the mean film."""
    press = quiet_press(unit_form(start_openings_pct=[30.0, 60.0, 30.0, 30.0, 30.0, 30.0]))
    press.step(600)
    film = press.unit("u1").film_um()
    sheet = press.pull()
    read = sheet.patch(("C",), 100.0, 32.0, 5.0)["C"]
    assert read == pytest.approx(solid_density(0.6 * film[0] + 0.4 * film[1], 1.7, 2.0), abs=1e-9)
    assert sheet.density_at("u1", 32.4) == pytest.approx(solid_density(film[0], 1.7, 2.0), abs=1e-9)
    assert sheet.density_at("u1", 32.5) == pytest.approx(solid_density(film[1], 1.7, 2.0), abs=1e-9)


def test_patch_outside_the_zones_is_blank() -> None:
    """Where no roller inks, the sheet is paper."""
    press = quiet_press()
    press.step(100)
    assert press.pull().patch(("C",), 100.0, 6 * 32.5 + 10.0, 5.0)["C"] == 0.0


def test_sheet_names_what_it_does_not_have() -> None:
    """An ink that this side does not carry and a unit that is not there are refused by name."""
    press = quiet_press()
    press.step(1)
    with pytest.raises(ValueError, match="inks = 'M': expected of C on the front"):
        press.pull().patch(("M",), 100.0, 10.0, 5.0)
    with pytest.raises(ValueError, match="unit = 'u7': expected one of u1"):
        press.pull().density_at("u7", 10.0)
