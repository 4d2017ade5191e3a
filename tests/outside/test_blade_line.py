"""The default blade-line coefficients against the beam equation, a cubic spline and Hetenyi's closed form.

Beam on elastic foundation: Hetenyi, Beams on Elastic Foundation, 1946 (from memory). Finite elements: cubic
Hermite beam elements with a consistent foundation matrix, textbook form. Blade dimensions and screw stiffness
are common practice without a source; the zone averages of 0.814053 and so on were derived here, once.
"""

from fractions import Fraction
from itertools import product

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.linalg import solveh_banded

from inksteward.model import BladeCoupling
from inksteward.model.blade_line import POINTS, segmented, spring

FREE_LENGTH_M = 0.060
E_STRAIN_PA = 205e9 / (1 - 0.3**2)
PITCH_M = 0.0325
SOFTEST, STIFFEST = 3e5 / 0.001**3, 1e9 / 0.0006**3  # screw stiffness / thickness^3, N/m^4
SOFT_KEYS, STIFF_KEYS = (SOFTEST, 8.4e14), (5.6e14, STIFFEST)
LEAST_PITCH_M, MOST_PITCH_M = 0.030, 0.035


def beam(nodes: int, step_m: float) -> np.ndarray:
    """Stiffness of the free tip line for a thickness of 1 m (all of it goes with thickness^3).

    Two columns a node (rise and slope), as the lower band that scipy's solveh_banded takes.
    """
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
    band = np.zeros((4, 2 * nodes))
    for row in range(4):
        for column in range(row + 1):
            band[row - column, column : column + 2 * nodes - 2 : 2] += element[row, column]
    return band


def influence(zones: int, pitch_m: float, ratios: np.ndarray, points: int = POINTS) -> np.ndarray:
    """b[place, key]: rise of the tip line at each place for a unit command of each key; ratios: K / t^3."""
    band = beam(zones * points + 1, pitch_m / points)
    tips = 2 * (points * np.arange(zones) + points // 2)
    band[0, tips] += ratios
    loads = np.zeros((band.shape[1], zones))
    loads[tips, np.arange(zones)] = ratios
    return solveh_banded(band, loads, lower=True)[::2]


def zone_average(values: np.ndarray, zone: int) -> float:
    """Simpson's rule over one zone of eight elements."""
    return float(values[zone * 8 : zone * 8 + 9] @ np.array([1, 4, 2, 4, 2, 4, 2, 4, 1])) / 24


def half(coupling: BladeCoupling, keys: tuple[float, float]) -> tuple[tuple[int, tuple], ...]:
    """The rows for soft keys or those for stiff ones."""
    middle = len(coupling.points) // 2
    return coupling.points[:middle] if keys == SOFT_KEYS else coupling.points[middle:]


def bounds(rows: tuple[tuple[int, tuple], ...], zones: int) -> tuple[np.ndarray, np.ndarray]:
    """Low and high ends as [place, key] arrays, zero where a key does not reach."""
    low, high = np.zeros((len(rows), zones)), np.zeros((len(rows), zones))
    for place, (_, row) in enumerate(rows):
        for key, least, most in row:
            low[place, key], high[place, key] = least, most
    return low, high


def misses(rows: tuple[tuple[int, tuple], ...], b: np.ndarray) -> int:
    """How many coefficients lie outside their interval; the last key in reach stands for those beyond it."""
    low, high = bounds(rows, b.shape[1])
    first = np.array([row[0][0] for _, row in rows])
    last = np.array([row[-1][0] for _, row in rows])
    places, keys = np.arange(len(b)), np.arange(b.shape[1])
    reached = (first[:, None] <= keys) & (keys <= last[:, None])
    wrong = 0
    for part, side in ((np.minimum(b, 0), -1), (np.maximum(b, 0), 1)):
        folded = np.where(reached, b, 0)
        folded[places, first] += np.where(keys < first[:, None], part, 0).sum(1)
        folded[places, last] += np.where(keys > last[:, None], part, 0).sum(1)
        over = 1000 * folded < low if side < 0 else 1000 * folded > high
        wrong += int((over & reached).sum())
    return wrong


@pytest.mark.parametrize("keys", [SOFT_KEYS, STIFF_KEYS], ids=["soft", "stiff"])
@pytest.mark.parametrize("zones", [8, 9, 10, 13, 23, 33, 48])
def test_intervals_contain_every_blade_of_the_range(zones: int, keys: tuple[float, float]) -> None:
    """Every coefficient of every blade from 8 to 48 zones in the stated ranges lies in its interval."""
    rows = half(spring("b", zones), keys)
    for pitch_m in (LEAST_PITCH_M, 0.0317, MOST_PITCH_M):
        for ratio in np.geomspace(*keys, 3 if zones > 13 else 11):
            assert misses(rows, influence(zones, pitch_m, np.full(zones, ratio))) == 0


@pytest.mark.parametrize("keys", [SOFT_KEYS, STIFF_KEYS], ids=["soft", "stiff"])
def test_intervals_contain_keys_of_unequal_stiffness(keys: tuple[float, float]) -> None:
    """Keys of one blade may be up to 1.5 times as stiff as one another, in any pattern."""
    rng = np.random.default_rng(11)
    rows = half(spring("b", 10), keys)
    for _ in range(200):
        softest = keys[0] * np.exp(rng.uniform(0, np.log(10)))
        stiffness = np.clip(softest * 1.5 ** rng.choice([0, 1], 10), *keys)
        assert misses(rows, influence(10, rng.uniform(LEAST_PITCH_M, MOST_PITCH_M), stiffness)) == 0


def test_a_table_without_the_negative_neighbours_is_caught() -> None:
    """The containment check fails once the negative coefficients are dropped (a planted fault)."""
    b = influence(9, PITCH_M, np.full(9, SOFTEST))
    rows = half(spring("b", 9), SOFT_KEYS)
    clipped = tuple(
        (zone, tuple((key, max(low, 0), max(high, 0)) for key, low, high in row)) for zone, row in rows
    )
    assert misses(rows, b) == 0
    assert misses(clipped, b) > 9


@pytest.mark.parametrize("keys", [SOFT_KEYS, STIFF_KEYS], ids=["soft", "stiff"])
def test_intervals_are_no_wider_than_the_range_needs(keys: tuple[float, float]) -> None:
    """No interval exceeds by more than three thousandths what blades of nine zones in the range fill."""
    low, high = bounds(half(spring("b", 9), keys), 9)
    softest = [keys[0], *np.geomspace(1.2, 1.6, 2) * keys[0], keys[1] / 1.5]
    blades = [
        influence(9, pitch_m, np.clip(ratio * 1.5 ** np.array(pattern), *keys))
        for pattern in product((0, 1), repeat=9)
        for pitch_m, ratio in product((LEAST_PITCH_M, MOST_PITCH_M), softest)
    ]
    hull_low, hull_high = 1000 * np.min(blades, axis=0), 1000 * np.max(blades, axis=0)
    inner = np.abs(np.arange(73)[:, None] / 8 - 0.5 - np.arange(9)) < 3.5
    assert (hull_low - low)[inner].max() < 3
    assert (high - hull_high)[inner].max() < 3


def test_a_uniform_gap_keeps_seven_tenths_of_itself() -> None:
    """At worst a uniform gap counts 0.731 of itself inside the blade and 0.693 at a free end."""
    points = spring("b", 16).points
    sums = {
        zone: min(sum(low for _, low, _ in row) for at, row in points if at == zone) for zone in range(16)
    }
    assert min(sums[zone] for zone in range(1, 15)) == 731
    assert min(sums.values()) == sums[0] == sums[15] == 693


def test_no_blade_falls_below_the_bound_even_between_the_places() -> None:
    """With keys up to twice as stiff as one another the gap is nowhere below the bound of the nearer places."""
    rng = np.random.default_rng(20)
    low, high = bounds(spring("b", 12).points, 12)
    for _ in range(40):
        stiffness = SOFTEST * np.exp(rng.uniform(0, np.log(100))) * 2 ** rng.choice([0, 1], 12)
        gaps = np.where(rng.random((12, 50)) < 0.5, 20.0, 150.0)
        line = influence(12, rng.uniform(LEAST_PITCH_M, MOST_PITCH_M), stiffness, points=16) @ gaps
        bound = (
            np.minimum(low[..., None] * gaps, high[..., None] * gaps).sum(1).reshape(2, 97, 50).min(0) / 1000
        )
        between = np.minimum(bound[:-1], bound[1:])
        assert (line[:-1:2] >= bound[:-1]).all()
        assert (line[1::2] >= between).all()


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
    load = np.zeros(2 * 801)
    load[800] = 1.0
    line = solveh_banded(beam(801, PITCH_M / 16), load, lower=True)[::2]
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
