"""Lives of the shop drawn from a seed: what happens next is a throw of the dice, and every promise is looked at.

``python -m tests.steward.shop_lives KIND FIRST LAST STEPS`` lives chunks FIRST to LAST of so many steps each.
"""

from __future__ import annotations

import random
import sys
import time
from collections import Counter
from collections.abc import Callable
from functools import lru_cache

from tests.steward.desk import Desk, two_units
from tests.steward.gap_promise import GapPromise
from tests.steward.samples import copied
from tests.steward.shop import BLACK, Shop
from tests.steward.troubles import KINDS, UNITS

KINDS_OF_DESK = ("far", "near", "spring")
"""Four separate keys far from their limit of 10 um, four near theirs, eight under one spring blade and near theirs."""
LIMIT_UM = {"near": 45.0, "spring": 25.0}
"""Keys that stand at 54 um at the start meet these after a move or two; a spring blade keeps seven tenths of that."""
LIMIT_PCT = {"far": 12.0, "near": 28.5, "spring": 29.0}
"""Where all keys of a unit would just be at their limit, roughly."""
STEPS = 200
"""Steps of one life."""


@lru_cache(maxsize=len(KINDS_OF_DESK))
def _ready(kind: str) -> Desk:
    scenario = two_units(8, "spring") if kind == "spring" else two_units()
    if kind in LIMIT_UM:
        units = tuple(unit.model_copy(update={"min_gap_um": LIMIT_UM[kind]}) for unit in scenario.units)
        scenario = scenario.model_copy(update={"units": units})
    return Desk(scenario).ready()


def desk_of(kind: str) -> Desk:
    """A desk of this kind, ready."""
    return copied(_ready(kind))


class Lived(Shop):
    """A shop, its dice, and what it has seen."""

    def __init__(self, kind: str, seed: str) -> None:
        super().__init__(desk_of(kind))
        self.gaps = GapPromise(self.desk)
        self._dice, self._limit_pct = random.Random(seed), LIMIT_PCT[kind]

    def step(self) -> None:
        """One thing happens; then every promise holds."""
        dice = self._dice
        pick = dice.randrange(10**6)
        acts: list[Callable[[], None]] = [
            lambda: self.prints(tens=1 + pick % 12),
            lambda: self.scans(self._black(), (1.1, 1.4, 1.55)[pick % 3], ((), (), (2,), (1, 2))[pick % 4]),
            lambda: self.scans(BLACK[pick % 4], 1.4, ()),
            lambda: self.asks(pick=pick, aim=(1.3, 1.5, 1.6, 1.85)[pick % 4]),
            lambda: dice.choice(KINDS)(self, pick),
            self.all_is_well_again,
            self._turned_near_the_limit,
        ]
        if self.made():
            acts.append(lambda: self.decides(which=pick, edit=pick // 7))
        if self.stand():
            acts += [lambda: self.approves(pick=pick)] * 2
            acts.append(lambda: self.closes(pick=pick, to_pct=pick % 3000 / 100))
        if self.desk.moves:
            off_pct, refused = (0.0, 0.0, 0.0, 0.4, 2.0)[pick % 5], (None, None, None, "locked")[pick % 4]
            acts += [lambda: self.carries_out(off_pct=off_pct, refused=refused)] * 2
            acts.append(lambda: self.news_of_a_command(which=pick % 3, what=pick % 5))
        dice.choice(acts)()
        self.promises()

    def _turned_near_the_limit(self) -> None:
        """Somebody turns all keys of a unit, some of them too far."""
        at = self.desk.opening[self._dice.choice(UNITS)]
        for zone in range(len(at)):
            by = self._dice.choice((-3.0, -0.4, 0.0, 0.4, 1.0, 2.0, 4.0, 8.0))
            at[zone] = round(self._limit_pct + by, 3)
        self.desk.positions()

    def _black(self) -> list[float]:
        return [self._dice.choice((0.05, 0.9, 1.3, 1.5, 1.6, 1.7, 1.85, 1.99)) for _ in range(4)]


def lives(kind: str, chunk: int, steps: int) -> tuple[Counter[str], list[float]]:
    """Live so many steps; what was counted, and the smallest surplus over the limit, um, of the blade as it is and as
    far as the service knows it. A life is made again from the seed that is named when a promise is broken.
    """
    seen: Counter[str] = Counter()
    least_um = [float("inf")] * 2
    for number in range(-(-steps // STEPS)):
        seed = f"{kind} {chunk} {number}"
        shop = Lived(kind, seed)
        for step in range(STEPS):
            try:
                shop.step()
            except BaseException as error:
                error.add_note(f"life {seed!r}, step {step}")
                raise
        shop.comes_back()
        seen.update(steps=STEPS, events=shop.desk.seq - desk_of(kind).seq, **shop.gaps.seen)
        seen.update(proposals=len(shop.made()), approved=len(shop.approved))
        found = zip(least_um, (shop.gaps.least_um, shop.gaps.least_known_um), strict=True)
        least_um = [min((before, *now)) for before, now in found]
    return seen, least_um


def main(kind: str, first: str, last: str, steps: str) -> None:
    """Live some chunks and say what was counted."""
    for chunk in range(int(first), int(last) + 1):
        begun_s = time.process_time()
        seen, least_um = lives(kind, chunk, int(steps))
        figures = {
            **seen,
            "least_um": [round(um, 3) for um in least_um],
            "cpu_s": round(time.process_time() - begun_s),
        }
        sys.stdout.write(f"{kind} {chunk}: {figures}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main(*sys.argv[1:])
