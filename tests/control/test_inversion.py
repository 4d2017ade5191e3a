"""The film model inverted: gaps whose settled film is the aims', and which sweep goes with them."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inksteward.control import inversion
from inksteward.control.inversion import Asked, Found, ends_um, gaps_at, invert, sweeps_between
from inksteward.control.plant import plant, product
from tests.control.situations import unit_of, usual

WAVE = tuple(float(a) for a in 0.35 + 0.15 * np.sin(np.arange(12) / 2.0))


def asked(
    blade: str = "segmented", coverage: tuple[float, ...] = WAVE, film_um: float = 0.9, **fields: object
) -> Asked:
    """What a job wants of a unit with 300 um of key travel."""
    n = len(coverage)
    unit = unit_of(blade, n, travel_um=300.0)
    plain = Asked(unit, coverage, np.full(n, film_um), np.zeros(n), np.array(coverage) > 0.0, 60.0)
    return replace(plain, **fields)  # type: ignore[arg-type]


def found(case: Asked, sweep_pct: float = 25.0) -> Found:
    """The gaps at one sweep, which exist."""
    result = gaps_at(case, sweep_pct)
    assert result is not None
    return result


@pytest.mark.parametrize(("blade", "share"), [("segmented", 0.005), ("spring", 0.015)])
def test_films_come_out_as_asked(blade: str, share: float) -> None:
    """Where no key ends, every zone settles on its film, within half a percent under slides and 1.5 % at the free ends
    of a spring blade: lateral distribution, blade and feed gain are taken out.
    """
    gain = np.linspace(-0.2, 0.2, 12)
    case = asked(blade, ln_gain=gain)
    result = found(case)
    model = plant(case.unit, WAVE, 25.0)
    film = np.exp(gain) * product(model.interaction, result.gaps_um)
    assert result.film_um == pytest.approx(film)
    assert film == pytest.approx(case.film_um, rel=share)


def test_a_zone_beside_a_heavy_one_is_opened_less() -> None:
    """What heavy neighbours lend is taken out of a light zone's gap; a planted blindness to it is seen."""
    coverage = (0.1, 0.1, 0.1, 0.8, 0.1, 0.1, 0.1, 0.1)
    case = asked(coverage=coverage)
    gaps = found(case).gaps_um
    assert gaps[2] < 0.97 * gaps[7]
    blind = replace(case.unit, train=replace(case.unit.train, kappa=0.0))
    assert found(replace(case, unit=blind)).gaps_um[2] == pytest.approx(
        found(replace(case, unit=blind)).gaps_um[7], rel=0.02
    )


def test_zones_without_image_keep_their_least_gap() -> None:
    """Under slides a key without image stands at its least gap exactly, at no sweep lower; and none is closed."""
    coverage = (0.0, 0.0, 0.3, 0.3, 0.3, 0.3, 0.3, 0.0)
    case = asked(coverage=coverage)
    low, _ = ends_um(case.unit)
    for sweep in (8.0, 25.0, 100.0):
        gaps = found(case, sweep).gaps_um
        assert gaps[[0, 1, 7]] == pytest.approx(low[[0, 1, 7]], abs=1e-6)
        assert np.all(gaps >= low - 1e-9)


def test_a_spring_blade_lifts_keys_without_image_no_more_than_it_must() -> None:
    """Under a spring blade neighbours may differ by so much at most; the key without image gives way."""
    coverage = (0.0, 0.9, 0.9, 0.9, 0.9, 0.9, 0.9, 0.9)
    case = asked("spring", coverage, adjacent_um=30.0)
    gaps = found(case).gaps_um
    assert np.abs(np.diff(gaps)).max() <= 30.0 + 1e-6
    assert gaps[0] > ends_um(case.unit)[0][0] + 1.0


def test_differences_that_cannot_be_kept_do_not_stop_an_opening() -> None:
    """Where keys' own least gaps differ by more than neighbours may, the gaps are found without that row."""
    zeros = [0.0, 8.0] * 4
    unit = unit_of(
        "spring", 8, travel_um=300.0, calibration={"zero_um": zeros, "uncertainty_um": [0.5, 5.0] * 4}
    )
    coverage = (0.02,) * 8
    case = Asked(unit, coverage, np.full(8, 0.01), np.zeros(8), np.ones(8, dtype=bool), 0.5)
    low, _ = ends_um(unit)
    assert np.abs(np.diff(low)).max() > 0.5
    assert gaps_at(case, 100.0) is not None


def test_the_sweep_stays_where_it_serves() -> None:
    """A sweep that is nearly as good as the best one is left alone; where light zones need less gap than the least,
    it falls; where full keys are not enough it rises; from where it went, nothing is left to do.
    """
    for film_um, coverage, at, way in (
        (0.9, (0.3,) * 8, 25.0, 0),
        (0.5, (0.05,) * 8, 60.0, -1),
        (1.3, (1.0,) * 8, 10.0, 1),
    ):
        case = asked(coverage=coverage, film_um=film_um)
        first = invert(case, sweeps_between(10.0, 100.0, at, 0.5), at)
        assert first is not None
        assert np.sign(first.sweep_pct - at) == way
        again = invert(case, sweeps_between(10.0, 100.0, first.sweep_pct, 0.5), first.sweep_pct)
        assert again is not None
        assert again.sweep_pct == first.sweep_pct


@given(st.floats(1.0, 99.0), st.floats(0.0, 100.0), st.sampled_from([0.1, 0.5, 5.0]))
def test_sweeps_are_on_the_drives_steps(low: float, present: float, step: float) -> None:
    """Whatever is tried lies within the range, on the drive's steps from the present one, and the present one is
    among it.
    """
    tried = sweeps_between(low, 100.0, present, step)
    assert present in tried
    assert len(tried) <= 60
    for sweep in set(tried) - {present}:
        assert low <= sweep <= 100.0
        assert abs(sweep - present) >= 0.5
        assert (sweep - present) / step == pytest.approx(round((sweep - present) / step), abs=0.01)


@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.sampled_from([0.0, 0.02, 0.1, 0.4, 1.0]), min_size=8, max_size=10), st.floats(5.0, 100.0),
       st.sampled_from(["segmented", "spring"]), st.floats(0.05, 3.0))  # fmt: skip
def test_gaps_are_always_within_the_keys(
    coverage: list[float], sweep: float, blade: str, film_um: float
) -> None:
    """Whatever a job asks, gaps are finite, none below the least gap, none past its travel."""
    case = asked(blade, tuple(coverage), film_um)
    result = found(case, sweep)
    low, high = ends_um(case.unit)
    assert np.all(np.isfinite(result.gaps_um))
    assert np.all((result.gaps_um >= low) & (result.gaps_um <= high))


def test_no_answer_of_the_solver_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    """If the solver finds nothing at any sweep there is no opening."""
    monkeypatch.setattr(inversion, "OPTIMAL", 99)
    assert gaps_at(asked(), 25.0) is None
    assert invert(asked(), (25.0, 30.0), 25.0) is None


def test_one_zone_alone() -> None:
    """A unit of one zone is opened as any other."""
    unit = usual("segmented", 1)
    case = Asked(unit, (0.3,), np.array([0.9]), np.zeros(1), np.array([True]), 60.0)
    assert found(case).film_um == pytest.approx([0.9], rel=1e-3)
