"""The simulated densitometer: its errors, and what it is asked to do wrong."""

import statistics
from typing import Any

import pytest

from inksteward_simulators.instrument import BIAS_D, NOISE_D, Densitometer, Faults
from inksteward_simulators.link_messages import PatchDensity

EXACT = Faults(noise_d=0.0, bias_d=0.0, outliers=0.0, missed=0.0)


def _patch(x_mm: float, ink: str = "C", **density: float) -> PatchDensity:
    filters = {"C": 1.4, "M": 0.5, "Y": 0.15, "K": 0.5} | density
    return PatchDensity(x_mm=x_mm, kind="solid", inks=(ink,), density=filters)


def _paper(x_mm: float) -> PatchDensity:
    return PatchDensity(x_mm=x_mm, kind="paper", tone_pct=0.0, density=dict.fromkeys("CMYK", 0.0))


def _values(scans: list[list[dict[str, Any]]], name: str = "C") -> list[float]:
    return [patch["density"][name] for scan in scans for patch in scan]


def test_without_errors_it_gives_the_truth() -> None:
    """Without any error a scan holds each patch as it is, in the contract's form."""
    [patch] = Densitometer(1, EXACT).measure([_patch(14.0)])
    assert patch == {
        "x_mm": 14.0,
        "kind": "solid",
        "inks": ["C"],
        "tone_pct": 100.0,
        "density": {"C": 1.4, "M": 0.5, "Y": 0.15, "K": 0.5},
    }


def test_noise_has_the_size_asked_for() -> None:
    """Readings of one patch scatter by the repeatability, 0.0075 D (common practice 0.005 to 0.01 D, no source)."""
    meter = Densitometer(3, Faults(bias_d=0.0, outliers=0.0, missed=0.0))
    read = _values([meter.measure([_patch(14.0)]) for _ in range(4000)])
    assert statistics.fmean(read) == pytest.approx(1.4, abs=4 * NOISE_D / 4000**0.5)
    # the scatter of a standard deviation from n readings is sigma / sqrt(2 n); rounding to 0.001 D adds 0.0003
    assert statistics.stdev(read) == pytest.approx(NOISE_D, rel=4 / (2 * 4000) ** 0.5 + 0.002)


def test_bias_is_constant_for_an_ink_and_a_seed() -> None:
    """An instrument's offset is the same in every scan and for whatever is read before; another seed has another."""
    faults = Faults(noise_d=0.0, outliers=0.0, missed=0.0)
    one, other = Densitometer(5, faults), Densitometer(5, faults)
    other.measure([_patch(1.0, M=0.3), _paper(2.0)] * 7)
    assert one.measure([_patch(14.0)]) == other.measure([_patch(14.0)]) == one.measure([_patch(14.0)])
    offsets = [
        Densitometer(seed, faults).measure([_patch(1.0)])[0]["density"]["C"] - 1.4 for seed in range(400)
    ]
    assert statistics.stdev(offsets) == pytest.approx(BIAS_D, rel=0.15)
    assert Densitometer(5, faults).measure([_paper(1.0)])[0]["density"]["C"] == 0.0


def test_same_seed_same_scans() -> None:
    """The same seed gives the same scans, another one gives others."""
    true = [_patch(14.0), _patch(19.0, "M")]
    assert Densitometer(7).measure(true) == Densitometer(7).measure(true)
    assert Densitometer(7).measure(true) != Densitometer(8).measure(true)


@pytest.mark.parametrize("fault", ["outliers", "missed", "dropped"])
def test_shares_of_faulty_patches(fault: str) -> None:
    """Outliers, missed and left-out patches come as often as asked for, and never when not asked for."""
    true = [_patch(5.0 * number) for number in range(2000)]
    for share in (0.0, 0.1, 1.0):
        form: dict[str, Any] = {"noise_d": 0.0, "bias_d": 0.0, "outliers": 0.0, "missed": 0.0} | {
            fault: share
        }
        scan = Densitometer(1, Faults(**form)).measure(true)
        found = {
            "dropped": len(true) - len(scan),
            "missed": sum(patch["density"] is None for patch in scan),
            "outliers": sum(abs((patch["density"] or {"C": 1.4})["C"] - 1.4) >= 0.149 for patch in scan),
        }
        assert found[fault] / len(true) == pytest.approx(share, abs=0.03)
        assert sum(found.values()) == found[fault]


def test_sheet_laid_the_wrong_way_round() -> None:
    """On a sheet that lies the wrong way round, each place has the density of its mirror image."""
    true = [_patch(1.0, "C", C=1.1), _patch(2.0, "M", C=1.2), _patch(3.0, "Y", C=1.3)]
    scan = Densitometer(1, Faults(0.0, 0.0, 0.0, 0.0, turned="turned")).measure(true)
    assert [(patch["x_mm"], patch["inks"], patch["density"]["C"]) for patch in scan] == [
        (1.0, ["C"], 1.3),
        (2.0, ["M"], 1.2),
        (3.0, ["Y"], 1.1),
    ]


def test_places_counted_from_the_other_end() -> None:
    """Mirrored, every patch keeps its ink and density and lies at its place counted from the other end."""
    true = [_patch(1.0, "C", C=1.1), _patch(2.5, "M", C=1.2), _patch(6.0, "Y", C=1.3)]
    scan = Densitometer(1, Faults(0.0, 0.0, 0.0, 0.0, turned="mirrored")).measure(true)
    assert [(patch["x_mm"], patch["inks"], patch["density"]["C"]) for patch in scan] == [
        (1.0, ["Y"], 1.3),
        (4.5, ["M"], 1.2),
        (6.0, ["C"], 1.1),
    ]


def test_wrong_filter() -> None:
    """With two filters exchanged, each reads what the other one would."""
    scan = Densitometer(1, Faults(0.0, 0.0, 0.0, 0.0, swapped=("C", "M"))).measure([_patch(1.0)])
    assert scan[0]["density"] == {"C": 0.5, "M": 1.4, "Y": 0.15, "K": 0.5}


def test_no_density_below_zero() -> None:
    """Noise on bare paper never gives a density below zero."""
    meter = Densitometer(2, Faults(outliers=0.5, missed=0.0))
    assert min(_values([meter.measure([_paper(1.0)]) for _ in range(300)])) >= 0.0
