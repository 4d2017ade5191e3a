"""What can come between at any time: standing, hands, lost references, jobs, links, restarts."""

from __future__ import annotations

from typing import Any

from inksteward.bench.configuration import job
from inksteward.events import LinkChanged, Ticked
from inksteward.steward.codec import encode
from tests.steward.desk import OPERATOR, Desk
from tests.steward.samples import position_of

UNITS = ("u1", "u2")


class Troubles:
    """A desk to which it happens. ``pick`` is any number: it chooses unit, zone, amount."""

    desk: Desk
    run_id: str
    lives: int

    def number(self, kind: str) -> str:
        raise NotImplementedError

    def speak(self, **changes: Any) -> None:
        """Counter and positions."""
        self.desk.count(self.desk.sheet, run_id=self.run_id, **changes)
        self.desk.positions()

    def stands(self, pick: int) -> None:
        printing, alive = pick % 3 == 0, pick % 5 != 0
        seconds = (1, 5, 6, 11, 61, 125)[pick % 6]
        self.desk.count(self.desk.sheet, run_id=self.run_id, printing=printing, fountain_turning=printing)
        for _ in range(seconds):
            self.desk.now_ms += 1000
            if alive:
                self.speak(printing=printing)
            self.desk.send(Ticked({"u1": 1} if alive else {}))

    def key_by_hand(self, pick: int) -> None:
        at = self.desk.opening[UNITS[pick % 2]]
        by = (-20.0, -3.0, -0.4, 0.4, 3.0, 20.0)[pick // 2 % 6]
        zone = pick // 12 % len(at)
        at[zone] = round(min(max(at[zone] + by, -0.5), 100.5), 3)
        self.desk.positions()

    def sweep_by_hand(self, pick: int) -> None:
        unit = UNITS[pick % 2]
        by = (-10.0, -0.6, 0.6, 10.0)[pick // 2 % 4]
        self.desk.sweep[unit] = round(min(max(self.desk.sweep[unit] + by, 0.0), 100.0), 3)
        self.desk.positions(unit)

    def position_unknown(self, pick: int) -> None:
        unit, at = UNITS[pick % 2], self.desk.opening[UNITS[pick % 2]]
        known = [each != pick // 2 % len(at) for each in range(len(at))]
        openings = [value if there else None for value, there in zip(at, known, strict=True)]
        changes: list[dict[str, Any]] = [
            {"referenced": known},
            {"opening_pct": openings},
            {"sweep_pct": None},
            {"moving": True},
        ]
        self.desk.positions(unit, **changes[pick // 8 % 4])

    def retained_position(self, pick: int) -> None:
        unit = UNITS[pick % 2]
        data = position_of(self.desk, unit, opening_pct=[50.0] * len(self.desk.opening[unit]))
        self.desk.receive(f"keys/{unit}/position", data, retained=True)

    def job_comes(self, pick: int) -> None:
        what = ("same", "aim", "gone", "stopped", "run", "new run", "new run")[pick % 7]
        if what == "new run":
            self.run_id = self.number("run")
            self.desk.sheet = 0
        data = job(self.desk.scenario, self.run_id, what if what in {"stopped", "run"} else "makeready")
        if what == "aim":
            data["units"][0]["aim"] = 1.5
        if what == "gone":
            del data["units"][1]
        self.desk.receive("job", data, retained=what == "same")

    def link_changes(self, pick: int) -> None:
        self.desk.send(LinkChanged(("broker", "keys", "strip")[pick % 3], pick % 2 == 0, "cable"))

    def another_instance(self, pick: int) -> None:
        self.desk.receive("status", {"state": "online", "instance": f"other-{pick % 2}"})

    def starts_again(self, pick: int) -> None:
        self.lives += pick % 3 > 0
        if pick % 3 == 2:
            self.desk.now_ms = 5_000
        name = "one" if self.lives == 1 else f"life-{self.lives}"
        self.desk.start(instance=name, snapshot=encode(self.desk.state), operators=(OPERATOR,))


KINDS = (
    Troubles.stands,
    Troubles.key_by_hand,
    Troubles.sweep_by_hand,
    Troubles.position_unknown,
    Troubles.retained_position,
    Troubles.job_comes,
    Troubles.link_changes,
    Troubles.another_instance,
    Troubles.starts_again,
)
