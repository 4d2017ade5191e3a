"""What the interlock knows of keys and blade, in integers.

Openings are thousandths of a percent of key travel (``mpct``), gaps are nanometres (``nm``), coupling
coefficients are thousandths. The configuration is rounded into these once, always to the side that makes
the interlock stricter.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class KeyCalibration:
    """One key: opening to gap at the key tip.

    ``opening_mpct`` and ``gap_nm`` are knots of equal length, both strictly increasing; the zero offset is
    already contained in ``gap_nm``. ``uncertainty_nm`` is what calibration and read-back leave open.
    ``backlash_mpct`` and ``overshoot_mpct`` widen a position; ``overshoot_closes`` says that the drive may
    run past its target toward the roller before it comes back.
    """

    opening_mpct: tuple[int, ...]
    gap_nm: tuple[int, ...]
    uncertainty_nm: int
    backlash_mpct: int
    overshoot_mpct: int
    overshoot_closes: bool = False


@dataclass(frozen=True, slots=True)
class Calibration:
    """The keys of one unit with what dates and binds them.

    ``valid`` is decided by the caller from the configured expiry date (the interlock has no clock).
    ``limit_nm`` is the least permitted gap anywhere on the blade line, ``hard_floor_nm`` the lowest gap that
    a move may leave at a place that lies below its limit already. ``max_age_ms`` bounds the age of a
    read-back. ``sweep_min_mpct`` keeps the nip wet, ``sweep_max_mpct`` is the end of the sweep drive.
    """

    unit: str
    blade_id: str
    valid: bool
    keys: tuple[KeyCalibration, ...]
    limit_nm: int
    hard_floor_nm: int
    max_age_ms: int
    sweep_min_mpct: int
    sweep_max_mpct: int


@dataclass(frozen=True, slots=True)
class BladeCoupling:
    """How openings act along the blade line: for every point the keys that reach it.

    ``points`` is a tuple over places on the blade line (every key tip and at least eight points a zone);
    each place is ``(zone, ((key, low, high), ...))`` with zone and key as indices from 0 and the coefficient
    known to lie in ``[low, high]`` thousandths. A segmented blade has the identity.
    """

    blade_id: str
    points: tuple[tuple[int, tuple[tuple[int, int, int], ...]], ...]
