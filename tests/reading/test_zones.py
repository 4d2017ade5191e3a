"""From patches to zones: means, sigmas, counts, and the zones between."""

from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.contract.codes import SetAside
from inksteward.reading import LaneReading, PatchReading
from inksteward.reading.lanes import Weights
from inksteward.reading.zones import lane_reading
from tests.reading.bar import lane

INSTRUMENT, SHEET = 0.009, 0.012


def patch(density: float, *weights: tuple[int, float]) -> PatchReading:
    """A solid with its shares."""
    return PatchReading(0, 0.0, weights, density, 0.015)


def reading(
    *patches: PatchReading, zones: int = 4, extremes: list[tuple[Weights, SetAside]] | None = None
) -> LaneReading:
    """The lane of these patches."""
    return lane_reading(lane("C", zones), patches, extremes or [], INSTRUMENT, SHEET)


def test_mean_weighted_by_overlap() -> None:
    """A zone's density is the mean of its patches, each by its share in the zone."""
    found = reading(patch(1.4, (0, 1.0)), patch(1.6, (0, 0.25), (1, 0.75)))
    assert found.density[:2] == pytest.approx(((1.4 + 0.25 * 1.6) / 1.25, 1.6))
    assert found.counts == (2, 1, 0, 0)


def test_sigma_of_a_zone() -> None:
    """Instrument noise averages over the shares in a zone, the sheet's own does not."""
    found = reading(patch(1.4, (0, 1.0)), patch(1.4, (0, 1.0)), patch(1.4, (0, 0.25), (1, 0.75)))
    assert found.sigma[0] == pytest.approx(sqrt(INSTRUMENT**2 / 2.25 + SHEET**2))
    assert found.sigma[1] == pytest.approx(sqrt(INSTRUMENT**2 / 0.75 + SHEET**2))


@pytest.mark.parametrize(("share", "read"), [(0.1, True), (0.0999, False)])
def test_sliver(share: float, read: bool) -> None:
    """A zone is read from a tenth of a patch on; below that the sliver neither counts nor is named."""
    found = reading(patch(1.4, (0, 1.0 - share), (1, share)))
    assert (found.density[1] is not None) is read
    assert found.counts[1] == (1 if read else 0)


def test_between_two_read_zones() -> None:
    """An unread zone between two read ones has their mean and twice the larger sigma, and counts no patch."""
    found = reading(patch(1.2, (0, 1.0)), patch(1.4, (2, 0.25)))
    assert found.density[:3] == pytest.approx((1.2, 1.3, 1.4))
    assert found.sigma[1] == pytest.approx(2.0 * sqrt(INSTRUMENT**2 / 0.25 + SHEET**2))
    assert found.counts == (1, 0, 1, 0)
    assert found.interpolated == (False, True, False, False)


def test_nothing_is_extrapolated() -> None:
    """Zones beyond the last read one, and two unread zones side by side, stay unread."""
    found = reading(patch(1.2, (1, 1.0)), patch(1.4, (4, 1.0)), zones=6)
    assert found.density == (None, 1.2, None, None, 1.4, None)
    assert found.sigma[0] is found.sigma[2] is found.sigma[3] is found.sigma[5] is None
    assert found.interpolated == (False,) * 6


def test_interpolated_zones_do_not_bridge() -> None:
    """An interpolated zone does not serve to interpolate the next."""
    found = reading(patch(1.2, (0, 1.0)), patch(1.4, (2, 1.0)), zones=5)
    assert found.density[3] is None


@pytest.mark.parametrize("code", [SetAside.NOT_INKED, SetAside.SATURATED])
def test_zone_without_a_film(code: SetAside) -> None:
    """A zone whose every solid is not inked or saturated says so and is not interpolated."""
    found = reading(patch(1.2, (0, 1.0)), patch(1.4, (2, 1.0)), extremes=[(((1, 1.0),), code)])
    assert found.film == (None, code, None, None)
    assert found.density[1] is None
    assert found.interpolated == (False,) * 4


def test_usable_solid_outweighs_extremes() -> None:
    """A zone with a usable solid is read, whatever its other solids were set aside for."""
    found = reading(patch(1.2, (1, 1.0)), extremes=[(((1, 1.0),), SetAside.SATURATED)])
    assert found.film == (None,) * 4
    assert found.density[1] == 1.2


def test_larger_share_names_the_film() -> None:
    """Where both kinds of extreme meet in a zone, the larger share names it; a sliver names nothing."""
    found = reading(
        extremes=[
            (((0, 1.0),), SetAside.SATURATED),
            (((0, 0.6), (1, 0.4)), SetAside.NOT_INKED),
            (((1, 0.3), (2, 0.7)), SetAside.SATURATED),
            (((2, 0.95), (3, 0.05)), SetAside.NOT_INKED),
            (((3, 0.0499), (4, 0.9501)), SetAside.NOT_INKED),
            (((4, 0.9), (5, 0.1)), SetAside.SATURATED),
        ],
        zones=6,
    )
    inked_not, full = SetAside.NOT_INKED, SetAside.SATURATED
    assert found.film == (full, inked_not, inked_not, None, inked_not, full)


@given(
    st.lists(
        st.tuples(st.floats(0.1, 2.0), st.integers(0, 6), st.floats(0.01, 1.0)),
        max_size=40,
    )
)
def test_zone_lies_within_its_patches(parts: list[tuple[float, int, float]]) -> None:
    """A zone's density lies between its patches' lowest and highest, its sigma never below the sheet's."""
    patches = [patch(density, (zone, share), (zone + 1, 1.0 - share)) for density, zone, share in parts]
    found = reading(*patches, zones=8)
    for zone in range(8):
        own = [p.density for p in patches if dict(p.weights).get(zone, 0.0) > 0.0]
        density, sigma = found.density[zone], found.sigma[zone]
        assert (density is None) is (sigma is None)
        if density is not None and sigma is not None and not found.interpolated[zone]:
            assert min(own) - 1e-12 <= density <= max(own) + 1e-12
            assert sigma >= SHEET
