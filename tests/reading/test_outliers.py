"""Single absurd patches against real steps."""

import pytest

from inksteward.reading import Lane, PatchReading
from inksteward.reading.outliers import outliers
from tests.reading.bar import lane

SIGMA = 0.02
STEP_MM = 16.25


def row(*densities: float, sigma: float = SIGMA, step_mm: float = STEP_MM) -> list[PatchReading]:
    """Solids of one ink, evenly spaced, each wholly in the zone where it lies."""
    return [
        PatchReading(n, step_mm * (n + 0.5), ((int(step_mm * (n + 0.5) / 32.5), 1.0),), density, sigma)
        for n, density in enumerate(densities)
    ]


def found(patches: list[PatchReading], of: Lane | None = None) -> list[int]:
    """Indices of the outliers."""
    return sorted(outliers(patches, of or lane("C", 8)))


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("jump", "odd"), [(0.149, []), (0.151, [4])])
def test_jump_against_neighbours(sign: float, jump: float, odd: list[int]) -> None:
    """A lone patch is an outlier from just above 0.15 D off its neighbours, either way."""
    densities = [1.4] * 9
    densities[4] += sign * jump
    assert found(row(*densities)) == odd


def test_outlier_tells_how_far() -> None:
    """An outlier comes with its distance from the neighbours and from what was expected."""
    densities = [1.4] * 9
    densities[4] = 1.8
    bare = outliers(row(*densities), lane("C", 8))[4]
    assert bare.neighbours == pytest.approx(0.4)
    assert bare.expected is None
    told = outliers(row(*densities), lane("C", 8, expected=(1.5,) * 8, expected_sigma=(0.02,) * 8))[4]
    assert told.neighbours == pytest.approx(0.4)
    assert told.expected == pytest.approx(0.3)


@pytest.mark.parametrize(("jump", "odd"), [(0.199, []), (0.201, [4])])
def test_noise_widens_the_limit(jump: float, odd: list[int]) -> None:
    """With a patch sigma of 0.04 D the limit is five of them."""
    densities = [1.4] * 9
    densities[4] += jump
    assert found(row(*densities, sigma=0.04)) == odd


@pytest.mark.parametrize(("jump", "odd"), [(0.36, []), (0.38, [4])])
def test_scatter_of_the_neighbours_widens_the_limit(jump: float, odd: list[int]) -> None:
    """Among neighbours that scatter by 0.05 D the limit is five times 1.4826 of that, 0.371 D."""
    densities = [1.45, 1.35, 1.45, 1.35, 1.4, 1.35, 1.45, 1.35, 1.45]
    densities[4] += jump
    assert found(row(*densities)) == odd


@pytest.mark.parametrize(("beside", "odd"), [(1.701, []), (1.699, [4, 5]), (1.799, []), (1.801, [4, 5])])
def test_same_jump_beside_is_a_step(beside: float, odd: list[int]) -> None:
    """Two adjacent patches whose jumps differ by up to 0.05 D are a real step; beyond, both are outliers."""
    densities = [1.4] * 9
    densities[4], densities[5] = 1.75, beside
    assert found(row(*densities, sigma=0.01)) == odd


@pytest.mark.parametrize(("beside", "odd"), [(1.651, []), (1.649, [4, 5])])
def test_same_means_within_noise(beside: float, odd: list[int]) -> None:
    """With noise, adjacent jumps are the same within three sigma of a difference of two patches, here 0.1 D."""
    densities = [1.4] * 9
    densities[4], densities[5] = 1.75, beside
    assert found(row(*densities, sigma=0.1 / (3.0 * 2.0**0.5))) == odd


def test_step_down_the_strip() -> None:
    """A step that stays is no outlier on either of its sides."""
    assert found(row(*[1.2] * 5, *[1.6] * 5)) == []


def test_step_at_an_end() -> None:
    """The outermost two solids of a strip can be a step too."""
    assert found(row(1.8, 1.8, *[1.4] * 7)) == []
    assert found(row(*[1.4] * 7, 1.8, 1.8)) == []


def test_same_jump_far_away_is_no_step() -> None:
    """A like reading more than two pitches away does not make a lone patch a step."""
    patches = row(*[1.4] * 9)
    lone = PatchReading(4, 61.0, ((1, 1.0),), 1.8, SIGMA)
    far = PatchReading(9, 8 * 32.5, ((7, 1.0),), 1.8, SIGMA)
    crowd = [patch for patch in patches if patch.x_mm < 60.0]
    assert found([*crowd, lone, far]) == [4]


@pytest.mark.parametrize(("expected", "odd"), [(1.651, []), (1.649, [4]), (1.949, []), (1.951, [4])])
def test_expected_density_speaks_for_a_patch(expected: float, odd: list[int]) -> None:
    """A patch off its neighbours but within 0.15 D of what was expected is no outlier."""
    densities = [1.4] * 9
    densities[4] = 1.8
    known = lane("C", 8, expected=(expected,) * 8, expected_sigma=(0.0,) * 8)
    assert found(row(*densities), known) == odd


@pytest.mark.parametrize(("sigma", "odd"), [(0.0995, [4]), (0.1005, [])])
def test_vague_expectation(sigma: float, odd: list[int]) -> None:
    """The vaguer the expectation, the farther a patch may lie: five of the common sigma."""
    densities = [1.4] * 9
    densities[4] = 1.9
    patch_sigma = 0.0
    known = lane("C", 8, expected=(1.4,) * 8, expected_sigma=(sigma,) * 8)
    assert found(row(*densities, sigma=patch_sigma), known) == odd


def test_expectation_without_sigma() -> None:
    """An expectation whose sigma is unknown counts as sharp."""
    densities = [1.4] * 9
    densities[4] = 1.8
    assert found(row(*densities), lane("C", 8, expected=(1.66,) * 8)) == []
    assert found(row(*densities), lane("C", 8, expected=(1.64,) * 8)) == [4]


def test_expectation_missing_under_the_patch() -> None:
    """Where nothing is expected of one zone under a patch, the neighbours alone decide."""
    densities = [1.4] * 9
    densities[4] = 1.8
    patches = row(*densities)
    patches[4] = PatchReading(4, 73.125, ((1, 0.4), (2, 0.6)), 1.8, SIGMA)
    expected = (None, None, 1.8, *(1.4,) * 5)
    assert found(patches, lane("C", 8, expected=expected, expected_sigma=(None,) * 8)) == [4]
    both = (None, 1.5, 1.9, *(1.4,) * 5)  # 0.4 x 1.5 + 0.6 x 1.9 = 1.74
    assert found(patches, lane("C", 8, expected=both, expected_sigma=(0.0,) * 8)) == []


@pytest.mark.parametrize(("share", "odd"), [(1.0, []), (0.8, []), (0.3, [8])])
def test_only_solid_of_its_zone(share: float, odd: list[int]) -> None:
    """With nothing expected, the only solid of a zone is never an outlier: that one key may really be off."""
    lone = PatchReading(8, 146.25, ((3, 1.0 - share), (4, share)) if share < 1.0 else ((4, 1.0),), 1.9, SIGMA)
    patches = [*row(*[1.4] * 8), lone]
    assert found(patches) == odd
    assert found(patches, lane("C", 8, expected=(1.45,) * 8, expected_sigma=(0.02,) * 8)) == [8]


@pytest.mark.parametrize(("share", "odd"), [(0.099, []), (0.1, [8])])
def test_a_sliver_of_another_solid_reads_no_zone(share: float, odd: list[int]) -> None:
    """A neighbour's patch that reaches into the zone by too little to read it leaves the solid there the only one:
    it would be set aside sheet after sheet, and its zone never seen."""
    lone = PatchReading(8, 146.25, ((4, 1.0),), 1.9, SIGMA)
    beside = PatchReading(9, 164.0, ((4, share), (5, 1.0 - share)), 1.4, SIGMA)
    assert found([*row(*[1.4] * 8), lone, beside]) == odd


def test_two_neighbours_are_needed() -> None:
    """With fewer than two neighbours within two pitches nothing is called an outlier."""
    assert found(row(1.4, 1.9)) == []
    assert found(row(1.4)) == []
    assert found([]) == []
    assert found(row(1.4, 1.9, 1.4)) == [1]


SHARP = lane("C", 8, expected=(1.4,) * 8, expected_sigma=(0.0,) * 8)


def test_neighbours_within_two_pitches() -> None:
    """Neighbours count up to two key pitches away and no farther."""
    assert found(row(1.4, 1.9, 1.4, step_mm=65.0), SHARP) == [1]
    assert found(row(1.4, 1.9, 1.4, step_mm=65.1), SHARP) == []
