"""Each rule on a quiet strip with one thing changed: named at a plain size, silent below it and without its patches."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from inksteward.diagnosis import Cause, Filters, Seen, SeenUnit
from tests.diagnosis.strips import SHARES, ZONES, codes, quiet, solids, tints, told, with_unit

Change = Callable[[Seen], Seen]


def sweep(size: float) -> Change:
    """All zones of u2 in proportion to their elasticity, by so much in the mean, D."""
    middle = sum(SHARES) / len(SHARES)
    return lambda seen: with_unit(seen, "u2", solids([size * SHARES[z] / middle for z in range(ZONES)]))


def water(size: float) -> Change:
    """u3 low by so much in the mean, more in light zones, with tints and trap."""

    def change(seen: Seen) -> Seen:
        seen = with_unit(seen, "u3", solids([-size * (1.3 - SHARES[z]) / 0.73 for z in range(ZONES)]))
        seen = with_unit(seen, "u3", tints(-30.0 * size))
        return trap(60.0 * size)(seen)

    return change


def trap(points: float) -> Change:
    """u3 lies so much worse on u2."""
    return lambda seen: replace(
        seen, traps=tuple(replace(t, trap_pct=t.trap_pct - points * (t.second == "u3")) for t in seen.traps)
    )


def paper(size: Filters) -> Change:
    """Bare paper changed by so much by filter, D."""
    return lambda seen: replace(
        seen, paper=tuple({name: p[name] + size.get(name, 0.0) for name in p} for p in seen.paper)
    )


def everything(size: float) -> Change:
    """Every patch by as much, D."""

    def change(seen: Seen) -> Seen:
        return paper(dict.fromkeys("CMYK", size))(with_unit(seen, "all", solids([size] * ZONES)))

    return change


def part(size: float) -> Change:
    """Every solid by a part of itself, and tints with them."""

    def scaled(u: SeenUnit) -> SeenUnit:
        return replace(u, density=tuple((1.0 + size) * (d or 0.0) for d in u.density))

    return lambda seen: with_unit(with_unit(seen, "all", scaled), "all", tints(30.0 * size))


def old(size: float, age_s: float = 7200.0) -> Change:
    """A sheet of an age with all inks lower, D."""
    return lambda seen: replace(with_unit(seen, "all", solids([-size] * ZONES)), age_s=age_s)


def spot(size: float, *units: str) -> Change:
    """Solid and tints weak at zone 5 of the units, D and 60 points per D."""

    def change(seen: Seen) -> Seen:
        for name in units:
            seen = with_unit(seen, name, solids([-size if z == 4 else 0.0 for z in range(ZONES)]))
            seen = with_unit(seen, name, tints(-60.0 * size, 4))
        return seen

    return change


def hue(size: float) -> Change:
    """Side absorptions of u3 more by so much, D."""
    return lambda seen: with_unit(
        seen, "u3", lambda u: replace(u, filters=tuple({**f, "C": f["C"] + size} for f in u.filters))
    )


def grey(size: float) -> Change:
    """Grey patches off in red by so much, D."""
    return lambda seen: replace(
        seen, grey=tuple(replace(g, density={**g.density, "C": g.density["C"] + size}) for g in seen.grey)
    )


def points(size: float) -> Change:
    """Tone values of u2 by so many points."""
    return lambda seen: with_unit(seen, "u2", tints(size))


def jump(size: float) -> Change:
    """The solid of u2 at zone 5 by so much, D."""
    return lambda seen: with_unit(seen, "u2", solids([size * (z == 4) for z in range(ZONES)]))


def down(size: float) -> Change:
    """All solids lower by so much, D, black more and yellow less."""

    def change(seen: Seen) -> Seen:
        for name, share in {"u1": 1.3, "u2": 0.7, "u3": 1.2, "u4": 1.1}.items():
            seen = with_unit(seen, name, solids([-size * share] * ZONES))
        return seen

    return change


CASES: list[tuple[Cause, Callable[[float], Change], float, float]] = [
    (Cause.WHOLE_FORM_SHORT, sweep, -0.09, -0.02),
    (Cause.WHOLE_FORM_FULL, sweep, 0.09, 0.02),
    (Cause.WATER_HIGH, water, 0.07, 0.015),
    (
        Cause.TONING,
        lambda size: paper({"C": 0.1 * size, "M": size, "Y": 0.5 * size, "K": 0.5 * size}),
        0.03,
        0.006,
    ),
    (Cause.DRY_BACK, old, 0.05, 0.01),
    (Cause.BLANKET_SPOT, lambda size: spot(size, "u2"), 0.10, 0.02),
    (Cause.IMPRESSION_SPOT, lambda size: spot(size, "u2", "u4"), 0.10, 0.02),
    (Cause.TONE_UP, points, 5.0, 1.5),
    (Cause.TONE_DOWN, points, -5.0, -1.5),
    (Cause.TRAP_DOWN, trap, 10.0, 2.0),
    (Cause.GREY_OFF, grey, 0.08, 0.02),
    (Cause.HUE_CHANGED, hue, 0.12, 0.01),
    (Cause.ABSURD_PATCH, jump, 0.25, 0.12),
    (Cause.INSTRUMENT, everything, 0.06, 0.01),
    (Cause.INSTRUMENT, everything, -0.06, -0.01),
    (Cause.INSTRUMENT, part, -0.12, -0.02),
    (Cause.COMMON_LOSS, down, 0.07, 0.01),
]


@pytest.mark.parametrize(("cause", "make", "size", "little"), CASES)
def test_cause_is_named(cause: Cause, make: Callable[[float], Change], size: float, little: float) -> None:
    """A plain case of a cause is the first thing that the scan that shows it, or the next, is told to mean; little of
    it is told as nothing."""
    assert codes(told(make(size), 2))[:1] == [cause.value]
    assert told(make(little), 2) == ()


def test_drift_is_named_and_a_step_is_not_called_one() -> None:
    """All inks and tints going up little by little is a drift; the same at once is none."""

    def at(share: float) -> Change:
        return lambda seen: with_unit(
            with_unit(seen, "all", solids([0.07 * share] * ZONES)), "all", tints(2.5 * share)
        )

    def slowly(seen: Seen) -> Seen:
        return at(min(1.0, (seen.sheet - 1750) / 3000.0))(seen)

    assert codes(told(slowly, 12)) == [Cause.SLOW_DRIFT.value]
    assert Cause.SLOW_DRIFT.value not in codes(told(at(1.0), 2))


@pytest.mark.parametrize(("cause", "make", "size", "left_out"), [
    (Cause.TONING, CASES[3][1], 0.03, {"paper": ()}),
    (Cause.TRAP_DOWN, trap, 10.0, {"traps": ()}),
    (Cause.GREY_OFF, grey, 0.08, {"grey": ()}),
    (Cause.DRY_BACK, old, 0.05, {"age_s": None}),
    (Cause.INSTRUMENT, everything, 0.06, {"paper": ()}),
])  # fmt: skip
def test_silent_on_what_was_not_measured(
    cause: Cause, make: Callable[[float], Change], size: float, left_out: dict[str, Any]
) -> None:
    """A cause that shows on patches that the strip has not is not named."""
    assert cause.value not in codes(told(lambda seen: replace(make(size)(seen), **left_out), 2))


@pytest.mark.parametrize(("make", "size", "cause"), [
    (points, 5.0, Cause.TONE_UP),
    (lambda size: spot(size, "u2"), 0.1, Cause.BLANKET_SPOT),
    (part, -0.12, Cause.INSTRUMENT),
])  # fmt: skip
def test_silent_without_tints(make: Callable[[float], Change], size: float, cause: Cause) -> None:
    """What shows on tints is not named where there are none."""

    def bare(seen: Seen) -> Seen:
        return with_unit(make(size)(seen), "all", lambda u: replace(u, tints=()))

    assert cause.value not in codes(told(bare, 2))


def test_unread_zones_are_no_fault() -> None:
    """Zones and units that were not read lead to nothing."""

    def unread(seen: Seen) -> Seen:
        return with_unit(seen, "u2", lambda u: replace(u, density=(None,) * len(u.density)))

    assert told(unread) == ()


def test_solids_out_of_place_silence_what_needs_them_right() -> None:
    """Tone values that are off beside solids that are off as well are not called a fault of pressure."""

    def both(seen: Seen) -> Seen:
        return with_unit(points(5.0)(seen), "u2", solids([0.08] * ZONES))

    assert Cause.TONE_UP.value not in codes(told(both, 2))


def test_finding_says_what_where_and_what_to_do() -> None:
    """A finding names units and zones, holds proposals back only there, and speaks of numbers and of a remedy."""
    finding = told(spot(0.10, "u2"), 2)[0]
    assert (finding.units, finding.zones) == (("u2",), (5,))
    assert finding.suppresses == frozenset({("u2", 5)})
    assert "-0." in finding.seen
    assert "blanket" in finding.check
    whole = told(points(5.0), 2)[0]
    assert whole.suppresses == frozenset({("u2", None)})


def test_quiet_press_is_left_alone() -> None:
    """A press that does not change is told nothing of, for a hundred scans."""
    assert told(lambda seen: seen, 100) == ()


def test_scans_are_plain_values() -> None:
    """Lengths that do not fit and numbers that are none are refused with field and value."""
    u2 = quiet().units[1]
    with pytest.raises(ValueError, match="elasticity of u2: 1 values: expected 12"):
        replace(u2, elasticity=(0.5,))
    with pytest.raises(ValueError, match=r"sigma of u2.*expected more than 0"):
        replace(u2, sigma=(0.0,) * 12)
    with pytest.raises(ValueError, match="density of u2: no zones: expected at least 1"):
        replace(u2, density=())
    with pytest.raises(ValueError, match="density of u2"):
        replace(u2, density=(float("nan"),) * 12)
    with pytest.raises(ValueError, match="expected_change of u2"):
        replace(u2, expected_change=(float("inf"),) * 12)
