"""Small units for the tests of interlock and guard: 1 mpct of opening is 1 nm of gap unless said otherwise."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from inksteward.interlock import Permit, Refusal, Rule, permit
from inksteward.model import (
    BladeCoupling,
    Calibration,
    KeyCalibration,
    KeyMove,
    Moves,
    ReadBack,
    UnresolvedCommand,
)

LIMIT_NM = 20_000
FLOOR_NM = 8_000
Coefficients = Mapping[int, tuple[int, int]]


def key(**differs: Any) -> KeyCalibration:
    """A key of 100 um travel without play or uncertainty."""
    plain = KeyCalibration((0, 100_000), (0, 100_000), uncertainty_nm=0, backlash_mpct=0, overshoot_mpct=0)
    return replace(plain, **differs)


def calibration(keys: int | Sequence[KeyCalibration] = 3, **differs: Any) -> Calibration:
    """A valid calibration of unit u1 with blade b1."""
    plain = Calibration(
        unit="u1",
        blade_id="b1",
        valid=True,
        keys=(key(),) * keys if isinstance(keys, int) else tuple(keys),
        limit_nm=LIMIT_NM,
        hard_floor_nm=FLOOR_NM,
        max_age_ms=2_000,
        sweep_min_mpct=10_000,
        sweep_max_mpct=90_000,
    )
    return replace(plain, **differs)


def blade(*points: tuple[int, Coefficients], zones: int = 3, **differs: Any) -> BladeCoupling:
    """Identity for every zone, and the points given: (zone index, {key index: (low, high)})."""
    own = [(zone, ((zone, 1000, 1000),)) for zone in range(zones)]
    rows = [(zone, tuple((k, low, high) for k, (low, high) in row.items())) for zone, row in points]
    return replace(BladeCoupling("b1", tuple(own + rows)), **differs)


def read_back(*openings: int | None, **differs: Any) -> ReadBack:
    """A fresh read-back of unit u1, the fountain turning."""
    plain = ReadBack(
        unit="u1",
        blade_id="b1",
        opening_mpct=openings,
        referenced=(True,) * len(openings),
        sweep_mpct=50_000,
        age_ms=100,
        moving=False,
        fountain_turning=True,
    )
    return replace(plain, **differs)


def moves(targets: Mapping[int, int], sweep: int | None = None) -> Moves:
    """Targets by key index."""
    return Moves("u1", tuple(KeyMove(zone, to) for zone, to in targets.items()), sweep)


def pending(targets: Mapping[int, int], unit: str = "u1") -> UnresolvedCommand:
    """A command whose end is not known."""
    return UnresolvedCommand(unit, tuple(KeyMove(zone, to) for zone, to in targets.items()))


OPEN = {1: 60_000}
STANDS = (50_000, 50_000, 50_000)


def judge(
    wanted: Moves | None = None, live: ReadBack | None = None, unresolved: tuple = (), **differs: Any
) -> Permit | Refusal:
    """A harmless opening of zone 2, but for what is given."""
    given: dict[str, Any] = {"calibration": calibration(), "blade": blade()} | differs
    return permit(wanted or moves(OPEN), live or read_back(*STANDS), unresolved, **given)


def refused(verdict: Permit | Refusal, rule: Rule, zone: int | None = None) -> Refusal:
    """The verdict, which must be this refusal of unit u1."""
    assert isinstance(verdict, Refusal)
    assert (verdict.rule, verdict.unit, verdict.zone) == (rule, "u1", zone)
    return verdict
