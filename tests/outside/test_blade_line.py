"""The default blade-line coefficients against the beam equation, a cubic spline and Hetenyi's closed form.

Beam on elastic foundation: Hetenyi, Beams on Elastic Foundation, 1946 (from memory). Finite elements: cubic
Hermite beam elements with a consistent foundation matrix, textbook form. Blade dimensions and screw stiffness
are common practice without a source; the zone averages of 0.814053 and so on were derived here, once.
"""

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from inksteward.model import BladeCoupling
from inksteward.model.blade_line import POINTS, segmented, spring
from scipy.interpolate import CubicSpline

FREE_LENGTH_M = 0.060
E_STRAIN_PA = 205e9 / (1 - 0.3**2)
PITCH_M = 0.0325
SOFTEST, STIFFEST = 3e5 / 0.001**3, 1e9 / 0.0006**3  # screw stiffness / thickness^3, N/m^4
SOFT_KEYS, STIFF_KEYS = (SOFTEST, 3 * SOFTEST), (2 * SOFTEST, STIFFEST)
LEAST_PITCH_M, MOST_PITCH_M = 0.030, 0.035


def beam(nodes: int, step_m: float) -> np.ndarray:
    """Stiffness of the free tip line for a thickness of 1 m (all of it goes with thickness^3), 2 rows a node."""
    k = E_STRAIN_PA / (4 * FREE_LENGTH_M**3)
    bending = E_STRAIN_PA / 12 * (33 / 140) * FREE_LENGTH_M
    h = step_m
    element = bending / h**3 * np.array(
        [[12, 6 * h, -12, 6 * h], [6 * h, 4 * h**2, -6 * h, 2 * h**2],
         [-12, -6 * h, 12, -6 * h], [6 * h, 2 * h**2, -6 * h, 4 * h**2]]
    ) + k * h / 420 * np.array(
        [[156, 22 * h, 54, -13 * h], [22 * h, 4 * h**2, 13 * h, -3 * h**2],
         [54, 13 * h, 156, -22 * h], [-13 * h, -3 * h**2, -22 * h, 4 * h**2]]
    )  # fmt: skip
    whole = np.zeros((2 * nodes, 2 * nodes))
    for first in range(0, 2 * nodes - 2, 2):
        whole[first : first + 4, first : first + 4] += element
    return whole


def influence(zones: int, pitch_m: float, ratios: np.ndarray, points: int = POINTS) -> np.ndarray:
    """b[place, key]: rise of the tip line at each place for a unit command of each key; ratios: K / t^3."""
    matrix = beam(zones * points + 1, pitch_m / points)
    tips = 2 * (points * np.arange(zones) + points // 2)
    matrix[tips, tips] += ratios
    loads = np.zeros((len(matrix), zones))
    loads[tips, np.arange(zones)] = ratios
    return np.linalg.solve(matrix, loads)[::2]


def zone_average(values: np.ndarray, zone: int) -> float:
    """Simpson's rule over one zone of eight elements."""
    return float(values[zone * 8 : zone * 8 + 9] @ np.array([1, 4, 2, 4, 2, 4, 2, 4, 1])) / 24


def half(coupling: BladeCoupling, keys: tuple[float, float]) -> tuple[tuple[int, tuple], ...]:
    """The rows for soft keys or those for stiff ones."""
    middle = len(coupling.points) // 2
    return coupling.points[:middle] if keys == SOFT_KEYS else coupling.points[middle:]


def misses(coupling: BladeCoupling, keys: tuple[float, float], b: np.ndarray) -> list[tuple[int, int]]:
    """(place, key) whose coefficient lies outside its interval; the last key in reach stands for those beyond."""
    found = []
    for place, (_, row) in enumerate(half(coupling, keys)):
        reached = [key for key, _, _ in row]
        for key, low, high in row:
            beyond = b[place, : min(reached)] if key == min(reached) else b[place, :0]
            beyond = np.append(beyond, b[place, max(reached) + 1 :] if key == max(reached) else b[place, :0])
            lowest = b[place, key] + np.minimum(beyond, 0).sum()
            highest = b[place, key] + np.maximum(beyond, 0).sum()
            if not low <= 1000 * lowest <= 1000 * highest <= high:
                found.append((place, key))
    return found


def ratios(keys: tuple[float, float], number: int) -> np.ndarray:
    """Stiffness ratios from the softest to the stiffest of a class."""
    return np.geomspace(*keys, number)


@pytest.mark.parametrize("keys", [SOFT_KEYS, STIFF_KEYS], ids=["soft", "stiff"])
@pytest.mark.parametrize("zones", [8, 9, 12, 33, 48])
def test_intervals_contain_every_blade_of_the_range(zones: int, keys: tuple[float, float]) -> None:
    """Every coefficient of every blade from 8 to 48 zones in the stated ranges lies in its interval."""
    coupling = spring("b", zones)
    for pitch_m in np.linspace(LEAST_PITCH_M, MOST_PITCH_M, 4):
        for ratio in ratios(keys, 5 if zones > 12 else 10):
            assert misses(coupling, keys, influence(zones, pitch_m, np.full(zones, ratio))) == []


def test_a_table_without_the_negative_neighbours_is_caught() -> None:
    """The containment check fails once the negative coefficients are dropped (a planted fault)."""
    points = tuple(
        (zone, tuple((key, max(low, 0), max(high, 0)) for key, low, high in row))
        for zone, row in spring("b", 9).points
    )
    assert misses(BladeCoupling("b", points), SOFT_KEYS, influence(9, PITCH_M, np.full(9, SOFTEST)))


@pytest.mark.parametrize("keys", [SOFT_KEYS, STIFF_KEYS], ids=["soft", "stiff"])
def test_intervals_are_no_wider_than_the_range_needs(keys: tuple[float, float]) -> None:
    """No interval exceeds the hull over the stated ranges by more than two thousandths."""
    blades = [(zones, pitch) for zones in (8, 9, 13) for pitch in (LEAST_PITCH_M, PITCH_M, MOST_PITCH_M)]
    inside = {}
    for zones, pitch in blades:
        for ratio in ratios(keys, 13):
            b = influence(zones, pitch, np.full(zones, ratio))
            for place in range(POINTS * zones // 2 + 1):
                zone, point = divmod(place, POINTS)
                for key in range(max(0, zone - 3), min(zones, zone + 4)):
                    inside.setdefault((min(zone, 4), point, key - zone), []).append(1000 * b[place, key])
    rows = half(spring("b", 13), keys)
    for (zone, point, offset), values in inside.items():
        low, high = next(pair for key, *pair in rows[POINTS * zone + point][1] if key == zone + offset)
        assert min(values) - low < 3 and high - max(values) < 3, (zone, point, offset)


def test_a_uniform_gap_keeps_three_quarters_of_itself() -> None:
    """At worst a uniform gap counts 0.769 of itself inside the blade and 0.709 at a free end."""
    sums = {}
    for zone, row in spring("b", 16).points:
        sums[zone] = min(sums.get(zone, 9999), sum(low for _, low, _ in row))
    assert min(sums[zone] for zone in range(1, 15)) == 769
    assert min(sums.values()) == sums[0] == sums[15] == 709


@pytest.mark.parametrize("spread", [1.0, 3.0])
def test_no_blade_falls_below_the_bound_even_between_the_places(spread: float) -> None:
    """The gap of a blade, its keys up to three times as stiff as one another, is nowhere below the bound."""
    rng = np.random.default_rng(20)
    rows = spring("b", 12).points
    for _ in range(60):
        softest = SOFTEST * np.exp(rng.uniform(0, np.log(100)))
        stiffness = (
            softest * np.exp(rng.uniform(0, np.log(spread), 12)) if spread > 1 else np.full(12, softest)
        )
        gaps = rng.uniform(20, 150, 12)
        line = influence(12, rng.uniform(LEAST_PITCH_M, MOST_PITCH_M), stiffness, points=32) @ gaps
        bound = [
            sum(min(low * gaps[key], high * gaps[key]) for key, low, high in row) / 1000 for _, row in rows
        ]
        places = np.minimum(bound[:97], bound[97:])
        for place, (left, right) in enumerate(pairwise(places)):
            assert line[4 * place : 4 * place + 5].min() >= min(left, right)


def test_zone_averages_as_derived() -> None:
    """With screws of 1e6 N/m on 0.8 mm the zone averages are 0.814053, 0.111979 and -0.026357 (derived here)."""
    b = influence(21, PITCH_M, np.full(21, 1e6 / 0.0008**3))
    averages = [zone_average(b[:, 10 + offset], 10) for offset in range(3)]
    assert averages == pytest.approx([0.814053, 0.111979, -0.026357], abs=1e-4)


def test_rigid_keys_make_a_cubic_spline() -> None:
    """Keys that do not give bend the blade like a natural cubic spline (scipy), the foundation aside."""
    cardinal = np.zeros(21)
    cardinal[10] = 1.0
    spline = CubicSpline(np.arange(21), cardinal, bc_type="natural")
    averages = [float(spline.integrate(10 + offset - 0.5, 10 + offset + 0.5)) for offset in range(4)]
    assert averages == pytest.approx([0.854367, 0.088141, -0.019431, 0.005206], abs=1e-6)
    b = influence(21, PITCH_M, np.full(21, 1e9 / 0.0008**3))
    assert [zone_average(b[:, 10 + offset], 10) for offset in range(4)] == pytest.approx(averages, abs=0.002)


def test_a_free_push_decays_as_hetenyi_says() -> None:
    """One push on a long free blade decays as exp(-x/a) (cos(x/a) + sin(x/a)), a = 0.749 free lengths."""
    matrix = beam(801, PITCH_M / 16)
    load = np.zeros(len(matrix))
    load[800] = 1.0
    line = np.linalg.solve(matrix, load)[::2]
    a = (33 / 140 * FREE_LENGTH_M**4 * 4 / 3) ** 0.25
    assert a / FREE_LENGTH_M == pytest.approx(0.749, abs=5e-4)
    for pitches, expected in ((1, 0.684693), (2, 0.262585), (3, 0.029833)):
        x = pitches * PITCH_M / a
        closed = np.exp(-x) * (np.cos(x) + np.sin(x))
        assert line[400 + 16 * pitches] / line[400] == pytest.approx(closed, abs=1e-4)
        assert closed == pytest.approx(expected, abs=1e-6)


def test_the_strip_bends_with_33_of_140_of_its_length() -> None:
    """The square of a cantilever's deflection (3 s^2 - s^3) / 2 has the integral 33/140."""
    square = (Fraction(9, 5) - Fraction(6, 6) + Fraction(1, 7)) / 4
    assert square == Fraction(33, 140)


def test_the_places_cover_the_blade() -> None:
    """A spring blade is judged at every key tip, eight places a zone and both ends, each for soft and stiff keys."""
    points = spring("blade-7", 9).points
    assert spring("blade-7", 9).blade_id == "blade-7"
    zones = [zone for zone, _ in points]
    assert zones == 2 * ([zone for zone in range(9) for _ in range(8)] + [8])
    for keys in (SOFT_KEYS, STIFF_KEYS):
        rows = half(spring("blade-7", 9), keys)
        mirrored = [tuple((8 - key, low, high) for key, low, high in reversed(row)) for _, row in rows[::-1]]
        assert mirrored[:36] == [row for _, row in rows[:36]]
        for zone in range(9):
            own = {key: low for key, low, _ in rows[8 * zone + 4][1]}
            assert max(own, key=lambda key: own[key]) == zone
            assert sorted(own) == list(range(max(0, zone - 4), min(9, zone + 5)))


def test_a_segmented_blade_is_the_identity() -> None:
    """On a segmented blade every key acts on its own zone alone, exactly."""
    assert segmented("s", 3) == BladeCoupling(
        "s", ((0, ((0, 1000, 1000),)), (1, ((1, 1000, 1000),)), (2, ((2, 1000, 1000),)))
    )


def test_a_blade_of_seven_zones_is_refused() -> None:
    """A spring blade of fewer than eight zones has no default coefficients, and the error says so."""
    with pytest.raises(ValueError, match="zones: 7: expected 8 or more"):
        spring("b", 7)
    assert spring("b", 8).points
