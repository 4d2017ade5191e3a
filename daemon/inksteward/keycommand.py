"""A KeyCommand of the public contract as the integers that the interlock judges."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from inksteward.model import KeyMove, Moves, ReadBack
from inksteward.model.thousandths import thousandths
from inksteward.model.verdict import Refusal, Rule


@dataclass(frozen=True, slots=True)
class Ordered:
    """What a KeyCommand orders. ``from_mpct`` are the openings it starts from, key index from 0 -> 0.001 %."""

    moves: Moves
    from_mpct: dict[int, int]
    tolerance_mpct: int

    def strayed(self, read_back: ReadBack) -> Refusal | None:
        """The refusal if a key is read back farther from where the command starts than it tolerates.

        Unknown positions and zones that do not exist are left to the interlock.
        """
        seen = dict(enumerate(read_back.opening_mpct))
        for key, origin in self.from_mpct.items():
            at = seen.get(key)
            if at is not None and abs(at - origin) > self.tolerance_mpct:
                text = (
                    f"zone {key + 1}: read back at {at / 1000} %, the command starts from {origin / 1000} % "
                    f"and tolerates {self.tolerance_mpct / 1000} %"
                )
                return Refusal(Rule.POSITION_CHANGED, self.moves.unit, key + 1, origin, at, text)
        return None


def ordered(command: Mapping[str, Any]) -> Ordered:
    """Read a KeyCommand.

    Raises ValueError naming field, value and what was expected where a number is none, KeyError or TypeError
    where the object has another shape. Whether zones and openings exist is the interlock's to judge.
    """
    keys: list[KeyMove] = []
    origins: dict[int, int] = {}
    for n, row in enumerate(command["targets"]):
        zone = row["zone"]
        if type(zone) is not int:
            raise ValueError(f"targets.{n}.zone: {zone!r}: expected a whole number")
        keys.append(KeyMove(zone - 1, _mpct(row["to_pct"], f"targets.{n}.to_pct")))
        origins[zone - 1] = _mpct(row["from_pct"], f"targets.{n}.from_pct")
    sweep = command["sweep_pct"]
    moves = Moves(command["unit"], tuple(keys), None if sweep is None else _mpct(sweep, "sweep_pct"))
    return Ordered(moves, origins, _mpct(command["from_tol_pct"], "from_tol_pct"))


def _mpct(value: object, field: str) -> int:
    whole = thousandths(value)
    if whole is None:
        raise ValueError(f"{field}: {value!r}: expected a number with at most three decimals")
    return whole
