"""Properties of a reading that hold for any scan."""

import math
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from inksteward.contract.inputs import Patch
from inksteward.reading import ScanReading
from tests.reading.bar import INKS, lane, lanes, printed, read, slots, strip

DENSITIES = st.floats(-0.5, 6.0) | st.floats(0.9, 1.6)
PATCHES = st.lists(
    st.builds(
        Patch,
        x_mm=st.integers(-50, 350).map(float),
        kind=st.sampled_from(["solid", "solid", "solid", "tint", "overprint", "grey", "paper"]),
        inks=st.lists(st.sampled_from([*INKS, "P1"]), min_size=0, max_size=2).map(tuple)
        | st.sampled_from(INKS).map(lambda ink: (ink,)),
        density=st.none() | st.dictionaries(st.sampled_from([*INKS, "P1"]), DENSITIES),
    ),
    max_size=40,
)


def numbers(found: ScanReading) -> list[float]:
    """Every number of a reading."""
    of_lanes = [
        value
        for unit in found.lanes.values()
        for value in (*unit.density, *unit.sigma, *(patch.density for patch in unit.patches))
        if value is not None
    ]
    return of_lanes + [tint.tone_value_pct for tints in found.tints.values() for tint in tints]


@given(PATCHES)
def test_any_scan_reads(patches: list[Patch]) -> None:
    """Whatever a scan holds, every number of its reading is finite and no patch is both used and set aside."""
    found = read(patches)
    assert all(math.isfinite(value) for value in numbers(found))
    used = [patch.index for unit in found.lanes.values() for patch in unit.patches]
    aside = [aside.index for aside in found.asides]
    assert len(used) == len(set(used))
    assert len(aside) == len(set(aside))
    assert not set(used) & set(aside)
    assert aside == sorted(aside)


@given(PATCHES)
def test_every_solid_is_accounted_for(patches: list[Patch]) -> None:
    """Every solid is either used or set aside with a reason, unless the strip was placed otherwise."""
    found = read(patches)
    used = {patch.index for unit in found.lanes.values() for patch in unit.patches}
    aside = {aside.index for aside in found.asides}
    if not found.notes:
        assert {n for n, patch in enumerate(patches) if patch.kind == "solid"} <= used | aside


@given(PATCHES)
def test_weights_of_used_patches(patches: list[Patch]) -> None:
    """The shares of every used patch sum to 1."""
    for unit in read(patches).lanes.values():
        for patch in unit.patches:
            assert math.fsum(share for _, share in patch.weights) == 1.0 or math.isclose(
                math.fsum(share for _, share in patch.weights), 1.0, abs_tol=1e-12
            )


@given(st.data())
def test_order_of_patches_does_not_matter(data: st.DataObject) -> None:
    """A scan whose patches come in another order reads the same zones to the last bit."""
    noise = st.integers(-40, 40).map(lambda n: n / 1000.0)
    offsets: dict[float, float] = {x: data.draw(noise) for x, _ in slots(4)}
    patches = printed(slots(4), lambda ink, x: 1.2 + offsets[x])
    shuffled = data.draw(st.permutations(patches))
    there, back = read(patches, *lanes(4)), read(shuffled, *lanes(4))
    for unit, reading in there.lanes.items():
        other: Any = back.lanes[unit]
        assert (reading.density, reading.sigma, reading.counts) == (other.density, other.sigma, other.counts)


@given(st.integers(2, 12), st.floats(0.5, 1.5))
def test_reading_from_the_other_end_and_back(zones: int, density: float) -> None:
    """A strip counted from the wrong end, set right, reads the zones of the strip counted from the right one."""
    places = slots(zones)
    end_mm = places[0][0] + places[-1][0]
    straight = printed(places, lambda ink, x: density + 0.0005 * x)
    turned = [patch.model_copy(update={"x_mm": end_mm - patch.x_mm}) for patch in straight]
    one = read(straight, lane("C", zones), lane("M", zones), strip=strip(places))
    other = read(turned, lane("C", zones), lane("M", zones), strip=strip(places))
    assert len(other.notes) == 1
    for unit, reading in one.lanes.items():
        for here, there in zip(reading.density, other.lanes[unit].density, strict=True):
            assert (here is None) is (there is None)
            assert here is None or there is None or math.isclose(here, there, abs_tol=1e-9)


@given(PATCHES)
def test_reading_is_pure(patches: list[Patch]) -> None:
    """The same scan read twice gives equal readings."""
    assert read(patches) == read(patches)
