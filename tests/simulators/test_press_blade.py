"""The spring blade against a spline and against the classical beam on an elastic foundation."""

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from inksteward_simulators.press.blade import ELEMENTS_PER_ZONE, segmented_blade, spring_blade
from inksteward_simulators.scenario_forms import SpringBlade

PITCH = 32.5
# Response of the zone averages to one key far from the ends; derived here with the formulas of blade.py.
KERNELS = [
    ({"key_stiffness_n_per_m": 1e5}, (0.637500, 0.193252, -0.027249, -0.007759)),
    ({}, (0.814053, 0.111979, -0.026357, 0.005314)),
    ({"key_stiffness_n_per_m": 1e9}, (0.852991, 0.087931, -0.019226, 0.005112)),
    ({"thickness_mm": 1.5}, (0.684444, 0.176814, -0.031804, -0.003041)),
]


@pytest.mark.parametrize(("changes", "kernel"), KERNELS)
def test_kernel_of_one_key(changes: dict[str, float], kernel: tuple[float, ...]) -> None:
    """One key moves its own zone most, its neighbours with it, the second neighbours the other way."""
    blade = spring_blade(41, PITCH, SpringBlade(**changes))
    np.testing.assert_allclose(blade.zone_matrix[20, 20:24], kernel, atol=1e-4)
    np.testing.assert_allclose(blade.zone_matrix[20, 20:16:-1], kernel, atol=1e-4)


def test_rigid_keys_are_a_natural_spline() -> None:
    """With rigid keys the zone averages are those of the cardinal natural cubic spline, to the foundation's share."""
    blade = spring_blade(41, PITCH, SpringBlade(key_stiffness_n_per_m=1e9))
    centres = (np.arange(41) + 0.5) * PITCH
    spline = CubicSpline(centres, np.eye(41)[20], bc_type="natural")
    averages = [float(spline.integrate(z * PITCH, (z + 1) * PITCH)) / PITCH for z in range(20, 24)]
    np.testing.assert_allclose(averages, (0.854367, 0.088141, -0.019431, 0.005206), atol=1e-6)
    np.testing.assert_allclose(blade.zone_matrix[20, 20:24], averages, atol=2e-3)


def test_lone_push_decays_as_a_beam_on_its_foundation() -> None:
    """A push that no other key resists falls off as exp(-lx)(cos lx + sin lx) (Hetenyi 1946, from memory)."""
    form = SpringBlade(key_stiffness_n_per_m=1.0)
    line = spring_blade(41, PITCH, form).line_matrix[:, 20]
    tip = 20 * ELEMENTS_PER_ZONE + ELEMENTS_PER_ZONE // 2
    # k_f / (4 EI) = (3 / l^4) (35 / 33): its fourth root is 1.335577 / l
    per_mm = (3.0 * 140.0 / 33.0 / 4.0) ** 0.25 / form.free_length_mm
    for zones in (1, 2, 3):
        x = per_mm * zones * PITCH
        expected = np.exp(-x) * (np.cos(x) + np.sin(x))
        assert line[tip + zones * ELEMENTS_PER_ZONE] / line[tip] == pytest.approx(expected, abs=1e-4)


def test_even_keys_give_an_even_gap_to_the_very_ends() -> None:
    """End blocks keep the blade's ends level, so keys at one height give one gap along the whole line."""
    gaps = spring_blade(12, PITCH, SpringBlade()).line_gap_um(np.full(12, 50.0))
    assert np.ptp(gaps) == pytest.approx(0.0, abs=0.2)


def test_line_has_eight_points_a_zone_and_the_key_tips() -> None:
    """The blade line is watched at no fewer than eight points a zone, key tips among them."""
    blade = spring_blade(5, PITCH, SpringBlade())
    assert np.bincount(blade.point_zone).min() >= 8
    for zone in range(5):
        assert np.isclose(blade.point_mm[blade.point_zone == zone], (zone + 0.5) * PITCH).any()


def test_blade_dips_below_both_neighbouring_averages() -> None:
    """The least gap of a spring blade lies below what the zone average shows when neighbours differ."""
    blade = spring_blade(8, PITCH, SpringBlade())
    opening_um = np.array([60.0, 60.0, 60.0, 15.0, 60.0, 60.0, 60.0, 60.0])
    assert blade.least_gap_um(opening_um)[3] < blade.zone_gap_um(opening_um)[3]


def test_slides_are_independent() -> None:
    """A segmented blade gives each zone the opening of its own key."""
    blade = segmented_blade(4, PITCH)
    opening_um = np.array([10.0, 0.0, -3.0, 250.0])
    np.testing.assert_array_equal(blade.least_gap_um(opening_um), opening_um)
    np.testing.assert_array_equal(blade.zone_gap_um(opening_um), [10.0, 0.0, 0.0, 250.0])
