"""The beam that the interlock is held to, itself held to a cubic spline, a closed form and finite elements.

Hetenyi, Beams on Elastic Foundation, 1946, is cited from memory; the zone averages were derived once, apart from
this, by finite elements of eight a zone.
"""

from itertools import product

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from tests.outside import blade_beam
from tests.outside.blade_beam import (
    LEAST_PITCH_M,
    MOST_PITCH_M,
    SOFTEST,
    STIFFEST,
    Array,
    Blades,
    influence,
    spring_blades,
)
from tests.outside.blade_oracle import Key, Line, over_completions
from tests.outside.test_blade_line import influence as by_finite_elements

PITCH_M = 0.0325


def uniform(zones: int, ratio: float, points: int, pitch_m: float = PITCH_M) -> Array:
    """Influence [places, keys] of a blade whose keys are all alike."""
    return influence(pitch_m, np.full((1, zones), ratio), points)[0]


def few_blades(points: int, step: int) -> Blades:
    """Every so many of the blades of eight zones."""
    return Blades(spring_blades(8, points, soft=(SOFTEST, 5.6e14)).influence[::step])


def averages(line: Array, points: int, zone: int) -> list[float]:
    """Zone averages (Simpson's rule) of the rise by the zone's own key and the three next to it."""
    weights = np.array([1, *[4, 2] * (points // 2 - 1), 4, 1]) / (3 * points)
    return [float(weights @ line[points * zone : points * zone + points + 1, zone + k]) for k in range(4)]


@pytest.mark.parametrize(
    ("newton_per_m", "thickness_m", "expected"),
    [
        (1e5, 0.0008, [0.637500, 0.193252, -0.027249, -0.007759]),
        (1e6, 0.0008, [0.814053, 0.111979, -0.026357, 0.005314]),
        (1e9, 0.0008, [0.852991, 0.087931, -0.019226, 0.005112]),
        (1e6, 0.0015, [0.684444, 0.176814, -0.031804, -0.003041]),
    ],
)
def test_zone_averages(newton_per_m: float, thickness_m: float, expected: list[float]) -> None:
    """From soft screws to rigid ones the zone averages are those derived by finite elements."""
    line = uniform(21, newton_per_m / thickness_m**3, 32)
    assert averages(line, 32, 10) == pytest.approx(expected, abs=3e-6)


def test_unequal_keys_by_finite_elements() -> None:
    """Blades of unequal keys over the whole range agree with 64 finite elements a zone, at every place."""
    rng = np.random.default_rng(5)
    for pitch_m in (LEAST_PITCH_M, MOST_PITCH_M):
        stiffness = SOFTEST * np.exp(rng.uniform(0, np.log(STIFFEST / SOFTEST), (3, 8)))
        for ours, keys in zip(influence(pitch_m, stiffness, 16), stiffness, strict=True):
            assert ours == pytest.approx(by_finite_elements(8, pitch_m, keys, points=64)[::4], abs=1e-8)


def test_rigid_keys_on_a_soft_foundation_make_a_cubic_spline(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the foundation, rigid keys bend the inner blade into the natural cubic spline (scipy)."""
    soft = 1e-6
    monkeypatch.setattr(blade_beam, "FOUNDATION", blade_beam.FOUNDATION * soft)
    monkeypatch.setattr(blade_beam, "RATE", blade_beam.RATE * soft**0.25)
    line = uniform(9, STIFFEST, 16)
    tips = np.arange(9) + 0.5
    for key in range(9):
        spline = CubicSpline(tips, np.eye(9)[key], bc_type="natural")
        assert line[8:-8, key] == pytest.approx(spline(np.arange(8, 137) / 16), abs=2e-3)


def test_a_free_push_decays_as_hetenyi_says() -> None:
    """A push by one key alone, the others out of touch, decays as exp(-x/a) (cos(x/a) + sin(x/a)), a = 44.92 mm."""
    stiffness = np.full((1, 41), 1e-3)
    stiffness[0, 20] = 1e15
    line = influence(PITCH_M, stiffness, 2)[0, :, 20]
    assert blade_beam.DECAY_M == pytest.approx(0.04492, abs=5e-6)
    for pitches, expected in ((1, 0.684693), (2, 0.262585), (3, 0.029833)):
        assert line[41 + 2 * pitches] / line[41] == pytest.approx(expected, abs=1e-6)


def test_a_finer_line_finds_little_more() -> None:
    """Places four times as dense find no least gap that is lower by more than 60 nm."""
    keys = [Key((0, 100_000), (0, 200_000), 1_000, 500, 500, closes=True)] * 8
    positions = dict.fromkeys((0, 1, 2), (12_500, 15_000, 18_000, 35_000))
    coarse, fine = (
        Line(few_blades(points, 37), keys, (25_000,) * 8, positions).least() for points in (16, 64)
    )
    assert (fine <= coarse).all()
    assert (coarse - fine).max() < 60


def test_no_key_on_its_way_beats_the_ends_of_the_way() -> None:
    """Keys that stop between where they stood and where they are to go lower no place below the 2^n ends."""
    keys = [Key((0, 30_000, 100_000), (-2_000, 40_001, 200_000), 1_000, 500, 300, closes=True)] * 8
    ways = {
        0: (12_000, 14_000, 30_500, 40_000),
        1: (40_000, 29_000, 20_001, 9_000),
        3: (0, 1, 50_000, 95_000),
    }
    line = Line(few_blades(16, 41), keys, (25_000,) * 8, ways)
    ends = np.min([line.gaps(state) for state in product((0, 3), repeat=3)], axis=0)
    for state in product(range(4), repeat=3):
        assert (line.gaps(state) >= ends - 1e-6).all()


def test_completions_are_all_two_to_the_n() -> None:
    """The worst case of a way is the least over its 2^n partial completions, by hand."""
    least = np.random.default_rng(1).random((3, 4, 2))
    worst = over_completions(least)
    assert worst.shape == (3, 4, 2, 3, 4, 2)
    for at in np.ndindex(3, 4, 2):
        for to in np.ndindex(3, 4, 2):
            assert worst[at + to] == min(least[state] for state in product(*zip(at, to, strict=True)))
