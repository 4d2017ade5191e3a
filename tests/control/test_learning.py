"""What a scan teaches the estimator: cautious with single readings, quick where many agree, bounded, never broken."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.control.estimator import Estimate, Segment, advance, start
from inksteward.control.film import density, film_slope
from inksteward.control.learning import (
    LOOSENED_FILM,
    LOOSENED_LN_GAIN,
    MANY_LEAST,
    Measured,
    loosen,
    new_sheet,
    update,
)
from inksteward.control.numerics import Array
from tests.control.runs import FED, PRIORS, TAU, at_zone, begun, seen, settled_run
from tests.control.situations import CYAN


@given(st.integers(0, 3), st.floats(-0.1, 0.1), st.floats(0.005, 0.05))
def test_a_reading_reduces_variance(zone: int, off: float, sigma: float) -> None:
    """A patch that is taken in widens nothing and narrows the film and the gain of its zone."""
    before = advance(begun(), TAU, (Segment(0.0, FED),), 120.0, PRIORS)
    after, gated = update(before, (at_zone(zone, seen(before, zone) + off, sigma),), CYAN, PRIORS)
    assert gated == ()
    was, now = np.diag(before.cov), np.diag(after.cov)
    assert (now <= was * (1.0 + 1e-12)).all()
    assert now[zone] < was[zone]
    assert now[4 + zone] < was[4 + zone]
    assert (np.linalg.eigvalsh(after.cov) > -1e-12).all()


def deviations(estimate: Estimate, zone: int, sigma: float) -> float:
    """Standard deviation of the innovation of a patch in this zone, worked out from the covariance."""
    slope = film_slope(float(estimate.film_um[zone]), CYAN)
    row = np.zeros(estimate.mean.shape[0])
    row[zone], row[-1] = slope, 1.0
    return math.sqrt(float(row @ estimate.cov @ row) + sigma**2)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("share", "kept_out"), [(1.0 - 1e-6, 0), (1.0 + 1e-6, 1)])
def test_gate_at_its_limit(sign: float, share: float, kept_out: int) -> None:
    """A patch just within four standard deviations counts, one just beyond is kept out and named."""
    before = settled_run(4)
    off = sign * share * PRIORS.gate * deviations(before, 2, 0.017)
    after, gated = update(before, (at_zone(2, seen(before, 2) + off, index=7),), CYAN, PRIORS)
    assert len(gated) == kept_out == after.gated[2]
    assert (after.film_um == before.film_um).all() == bool(kept_out)
    for item in gated:
        assert item.index == 7
        assert item.predicted == pytest.approx(seen(before, 2))
        assert item.deviations == pytest.approx(sign * PRIORS.gate, rel=1e-5)


def test_absurd_patch_is_refused_once() -> None:
    """A single absurd patch changes nothing; when the next scan says the same, the zone is loosened and read."""
    good, _ = update(settled_run(), tuple(at_zone(z, 1.40, index=z) for z in range(8)), CYAN, PRIORS)
    odd = at_zone(3, seen(good, 3) - 0.20, index=3)
    first, gated = update(good, (odd,), CYAN, PRIORS)
    assert [item.index for item in gated] == [3]
    assert (first.mean == good.mean).all()
    second, gated = update(new_sheet(first, PRIORS), (odd,), CYAN, PRIORS)
    assert gated == ()
    assert second.gated[3] == 0
    assert seen(good, 3) - seen(second, 3) > 0.15
    others = [z for z in range(8) if z != 3]
    assert np.abs(second.film_um - good.film_um)[others].max() < 0.03
    third, _ = update(new_sheet(second, PRIORS), (odd,), CYAN, PRIORS)
    assert abs(seen(third, 3) - odd.density) < 0.04


def test_two_absurd_patches_of_one_scan_are_not_twice() -> None:
    """Two absurd patches in one zone of one scan are both refused; only another scan that says so counts."""
    good, _ = update(settled_run(), tuple(at_zone(z, 1.40, index=z) for z in range(8)), CYAN, PRIORS)
    odd = (at_zone(3, 1.15, index=3), at_zone(3, 1.14, index=4))
    first, gated = update(new_sheet(good, PRIORS), odd, CYAN, PRIORS)
    assert sorted(item.index for item in gated) == [3, 4]
    assert (first.film_um == good.film_um).all()
    second, gated = update(new_sheet(first, PRIORS), odd, CYAN, PRIORS)
    assert gated == ()
    assert seen(second, 3) < 1.25


def test_a_good_patch_beside_an_absurd_one_keeps_it_out() -> None:
    """Where another patch of the zone is as expected, the absurd one is refused scan after scan."""
    estimate, _ = update(settled_run(), tuple(at_zone(z, 1.40, index=z) for z in range(8)), CYAN, PRIORS)
    for _ in range(4):
        pair = (at_zone(3, 1.15, index=3), at_zone(3, seen(estimate, 3), index=4))
        estimate, gated = update(new_sheet(estimate, PRIORS), pair, CYAN, PRIORS)
        assert [item.index for item in gated] == [3]


def test_absurd_patch_does_not_bend_the_rest() -> None:
    """Among good patches an absurd one is met last and refused: the film is that of the scan without it."""
    before = settled_run()
    good = tuple(at_zone(z, 1.36 + 0.01 * z, index=z) for z in range(8) if z != 5)
    odd = at_zone(5, 0.60, index=5)
    with_odd, gated = update(before, (odd, *good), CYAN, PRIORS)
    without, _ = update(before, good, CYAN, PRIORS)
    assert [item.index for item in gated] == [5]
    assert with_odd.film_um == pytest.approx(without.film_um, abs=0.02)


@pytest.mark.parametrize(("many", "kept_out"), [(MANY_LEAST - 1, MANY_LEAST - 1), (MANY_LEAST, 0)])
def test_many_absurd_patches_are_a_change(many: int, kept_out: int) -> None:
    """A quarter of the patches, at least four, beyond the gate to one side is a change of the process: all count."""
    good, _ = update(settled_run(), tuple(at_zone(z, 1.40, index=z) for z in range(8)), CYAN, PRIORS)
    fallen = tuple(at_zone(z, seen(good, z) - (0.25 if z < many else 0.0), index=z) for z in range(8))
    after, gated = update(new_sheet(good, PRIORS), fallen, CYAN, PRIORS)
    assert len(gated) == kept_out
    down = [seen(good, z) - seen(after, z) for z in range(many)]
    assert (min(down) > 0.15) == (kept_out == 0)


def test_few_patches_teach_all_zones() -> None:
    """Three patches of eight zones that all show 20 % more film move the gain of every zone, read or not."""
    before = settled_run()
    heavy = density(1.2, CYAN)
    for number in range(4):
        before, gated = update(
            new_sheet(before, PRIORS), tuple(at_zone(z, heavy, index=number) for z in (0, 3, 6)), CYAN, PRIORS
        )
        assert gated == ()
    assert before.ln_gain == pytest.approx(math.log(1.2), abs=0.05)
    unread = [1, 2, 4, 5, 7]
    assert (before.ln_gain[unread] > 0.7 * math.log(1.2)).all()
    spread = np.sqrt(np.diag(before.cov)[8:16])
    assert spread[unread].min() > spread[[0, 3, 6]].max()


@pytest.mark.parametrize(("theta", "low", "high"), [(5.0, None, 4.0), (-5.0, 0.3, None)])
def test_lag_stays_within_what_a_press_can_have(theta: float, low: float | None, high: float | None) -> None:
    """The lag's scale is held at 0.3 and at 4, whatever the readings say."""
    before = settled_run(4)
    mean = before.mean.copy()
    mean[8] = theta
    after, _ = update(replace(before, mean=mean), (at_zone(0, 1.40),), CYAN, PRIORS)
    assert math.exp(after.ln_lag) == pytest.approx(low or high, rel=1e-12)


def test_films_and_gains_stay_possible() -> None:
    """Films stay above 0 and gains within a factor of e squared, however far a reading pulls."""
    wide = replace(settled_run(4), cov=np.diag([4.0] * 4 + [9.0] * 4 + [1.0, 1e-4]))
    low, _ = update(wide, (at_zone(0, -1.0, 0.001),), CYAN, PRIORS)
    assert low.film_um.min() == pytest.approx(1e-4)
    mean = wide.mean.copy()
    mean[4:6] = (7.0, -7.0)
    kept, _ = update(replace(wide, mean=mean), (), CYAN, PRIORS)
    assert kept.ln_gain.tolist() == [2.0, -2.0, 0.0, 0.0]


def test_new_sheet_forgets_the_old_ones_offset() -> None:
    """Each sheet has an offset of its own: mean 0, its prior's variance, correlated with nothing."""
    before, _ = update(settled_run(4), (at_zone(0, 1.50), at_zone(1, 1.45)), CYAN, PRIORS)
    assert before.mean[9] != 0.0
    after = new_sheet(before, PRIORS)
    assert after.mean[9] == 0.0
    assert after.cov[9].tolist() == after.cov[:, 9].tolist() == [0.0] * 9 + [PRIORS.sheet_offset**2]
    assert (after.cov[:9, :9] == before.cov[:9, :9]).all()
    assert (after.mean[:9] == before.mean[:9]).all()


def test_loosening_widens_films_and_gains_alone() -> None:
    """After an event at the press films and gains are known less well, by the stated amounts, and nothing moved."""
    before = settled_run(4)
    after = loosen(before, CYAN)
    wider: Array = np.diag(after.cov - before.cov)
    assert wider[:4] == pytest.approx((LOOSENED_FILM * before.film_um) ** 2)
    assert wider[4:8] == pytest.approx(LOOSENED_LN_GAIN**2)
    assert wider[8:].tolist() == [0.0, 0.0]
    assert after.mean is before.mean


READINGS = st.lists(
    st.tuples(st.integers(0, 3), st.floats(0.2, 1.0), st.floats(-0.2, 2.5), st.floats(0.003, 0.05)),
    max_size=10,
)


@given(st.floats(0.1, 4.0), st.lists(st.tuples(st.floats(1.0, 300.0), READINGS), min_size=1, max_size=5))
def test_no_reading_breaks_the_filter(fed: float, scans: list[tuple[float, list[tuple]]]) -> None:
    """Whatever is read, however far from what was expected, the estimate stays finite and its covariance sound."""
    estimate, sheet = start(fed * FED, 0.0, 0.15, PRIORS), 0.0
    for sheets, readings in scans:
        sheet += sheets
        estimate = advance(estimate, TAU, (Segment(0.0, fed * FED),), sheet, PRIORS)
        patches = tuple(
            Measured(k, ((zone, share), ((zone + 1) % 4, 1.0 - share)), density_d, sigma)
            for k, (zone, share, density_d, sigma) in enumerate(readings)
        )
        estimate, _ = update(new_sheet(estimate, PRIORS), patches, CYAN, PRIORS)
        assert np.isfinite(estimate.mean).all()
        assert np.linalg.eigvalsh(estimate.cov).min() > -1e-9


@pytest.mark.parametrize(
    ("fed", "lag", "scans"),
    [
        (3.0, 60.0, [[(0.7, 0.017), (0.3, 0.005)], [(0.5, 0.005), (1.0, 0.03), (0.4, 0.03)]]),
        (2.0, 60.0, [[(0.8, 0.03), (0.1, 0.017)], [(0.2, 0.03), (0.9, 0.005), (0.5, 0.017)]]),
        (
            5.0,
            150.0,
            [[(0.3, 0.017), (0.1, 0.017)], [(0.1, 0.03), (0.9, 0.005), (1.2, 0.005)], [(1.5, 0.005)]],
        ),
    ],
)
def test_a_saturated_zone_that_reads_pale(
    fed: float, lag: float, scans: list[list[tuple[float, float]]]
) -> None:
    """Readings far below a zone that is thought saturated are taken in, however they contradict one another."""
    film, tau = np.array([fed]), np.array([lag])
    estimate = start(film, 0.0, 0.15, PRIORS)
    for number, readings in enumerate(scans, 1):
        estimate = advance(estimate, tau, (Segment(0.0, film),), 60.0 * number, PRIORS)
        patches = tuple(
            at_zone(0, density_d, sigma, index=k) for k, (density_d, sigma) in enumerate(readings)
        )
        estimate, _ = update(new_sheet(estimate, PRIORS), patches, CYAN, PRIORS)
        assert np.isfinite(estimate.mean).all()
        assert np.linalg.eigvalsh(estimate.cov).min() > -1e-9


def test_a_zone_that_is_believed_at_the_second_look_settles_elsewhere_too() -> None:
    """A film that is not where it was expected is most likely on its way to another end: of the change that is believed
    at the second look at least half goes into the zone's gain, and none into another zone's."""
    good, _ = update(settled_run(), tuple(at_zone(z, 1.40, index=z) for z in range(8)), CYAN, PRIORS)
    odd = at_zone(3, seen(good, 3) - 0.20, index=3)
    first, _ = update(good, (odd,), CYAN, PRIORS)
    second, _ = update(new_sheet(first, PRIORS), (odd,), CYAN, PRIORS)
    film_ln = math.log(second.film_um[3] / good.film_um[3])
    gain_ln = second.ln_gain - good.ln_gain
    assert film_ln < -0.2
    assert 0.5 <= gain_ln[3] / film_ln <= 1.2
    assert np.abs(np.delete(gain_ln, 3)).max() < 0.1 * abs(gain_ln[3])
