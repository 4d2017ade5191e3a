"""What comes next, whatever people answer and wherever the session was broken off."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.commissioning.answers import (
    Again,
    direction_fault,
    key_and_way,
    one_of,
    thickness_um,
    zones_of,
)
from inksteward.commissioning.plan import (
    Count,
    Gauge,
    Look,
    Move,
    NotPossible,
    Scan,
    Settings,
    Task,
    Write,
    level_pcts,
    next_task,
)
from inksteward.commissioning.session import Session
from inksteward.control.gaps import gap_um
from inksteward.control.limits import floor_um
from tests.commissioning.test_result import unit_of
from tests.commissioning.test_session import AT, FIRST, SECOND

UNIT, _ = unit_of()
SETTINGS = Settings()
START = 22.0


@dataclass
class World:
    """Keys that go where they are told, and a session; every move that was asked for is looked at."""

    session: Session = field(default_factory=lambda: Session("press-a", "u1", "slides-u1", UNIT.zones))
    at: list[float] = field(default_factory=lambda: [START] * UNIT.zones)
    moves: int = 0
    opened: set[int] = field(default_factory=set)

    def task(self) -> Task:
        return next_task(self.session, UNIT, self.at, SETTINGS)

    def note(self, step: str, evidence: dict[str, object], *, both: bool = False) -> None:
        self.session = self.session.with_entry(step, AT, [FIRST, SECOND] if both else [FIRST], evidence)

    def looked_at(self, task: Move) -> None:
        """No key is asked below where it stood at first, none to close that was not opened, none too far at once."""
        for zone, to in task.targets.items():
            here = self.at[zone - 1]
            assert to >= START
            assert abs(to - here) <= max(SETTINGS.move_pct, SETTINGS.step_pct, SETTINGS.lost_pct) + 1e-9
            assert to > here or not task.purpose.startswith("level")
            if to < here:
                assert zone in self.opened
                assert gap_um(UNIT.calibration.keys[zone - 1], to) >= floor_um(UNIT, zone - 1)
            else:
                self.opened.add(zone)

    def do(self, what: str) -> bool:
        """One task, done as ``what`` says: well, not at all, not written down, or left out. False at the end."""
        if what == "by hand":
            self.at[self.moves % UNIT.zones] += 3.0
            self.opened.add(self.moves % UNIT.zones + 1)
        task = self.task()
        if isinstance(task, Write):
            return False
        if isinstance(task, Move):
            self.looked_at(task)
            step = task.purpose.partition(":")[0]
            if what == "skip" and step in ("reference", "lost", "strip"):
                self.note("skip", {"skipped": step, "reason": "so"})
            elif what != "not":
                self.moves += bool(task.targets)
                for zone, to in task.targets.items():
                    self.at[zone - 1] = to
                if what == "well":
                    self.note(
                        "move", {"purpose": task.purpose, "done": task.done, "read_back_pct": list(self.at)}
                    )
        elif what == "well":
            self.answered(task)
        return True

    def answered(self, task: Task) -> None:
        match task:
            case Count():
                self.note("count", {"zones": UNIT.zones, "opening_pct": list(self.at)})
            case Look():
                self.note("direction", {"zone": task.zone, "right": True})
            case Gauge():
                rows = [{"zone": zone, "pct": self.at[zone - 1], "gauge_um": 50.0} for zone in task.zones]
                self.note("gauge", {"purpose": task.purpose, "readings": rows}, both=True)
            case Scan():
                self.note("scan", {"purpose": task.purpose, "density": [1.4] * UNIT.zones})


WAYS = st.lists(st.sampled_from(("well", "well", "well", "not", "lost", "skip", "by hand")), max_size=60)


@given(ways=WAYS)
def test_no_way_of_answering_asks_for_a_move_too_near(ways: list[str]) -> None:
    """Moves that are made, declined, or made and not written down, steps left out: no target lies nearer to the roller
    than the keys stood at first; and then, answered well, the session ends.
    """
    world = World()
    for way in ways:
        world.do(way)
    for _ in range(120):
        if not world.do("well"):
            break
    else:
        raise AssertionError(f"no end: {world.task()}")
    steps = {entry.step for entry in world.session.entries}
    assert {"count", "direction", "gauge"} <= steps
    levels = {row["purpose"] for row in world.session.of("gauge")}
    assert {"level:0", "level:1", "level:2"} <= levels


def test_the_order_of_a_session_without_a_hitch() -> None:
    """Count, every key's direction, reference run opening last, three rounds of gauges, lost motion, strip, the end."""
    world, names = World(), []
    while not isinstance(task := world.task(), Write):
        names.append(task.purpose if isinstance(task, Move | Gauge | Scan) else type(task).__name__)
        world.do("well")
    kinds = [name for n, name in enumerate(names) if n == 0 or name != names[n - 1]]
    assert kinds[:3] == ["Count", "direction:1", "Look"]
    rest = kinds[kinds.index("reference:open:1") :]
    assert rest[:5] == [
        "reference:open:1",
        "reference:back:1",
        "reference:open:2",
        "reference:back:2",
        "reference:open:3",
    ]
    assert [name for name in rest if not name.startswith("reference")] == [
        *("level:0", "level:1", "level:2", "lost:open", "lost:back", "lost:closed"),
        *("strip:before", "strip:1", "strip:4"),
    ]


def test_keys_too_far_open_leave_no_room() -> None:
    """Then it says how far is too far."""
    world = World(at=[70.0] * UNIT.zones)
    world.do("well")
    with pytest.raises(NotPossible, match="at most 57 %"):
        world.task()
    assert level_pcts(30.0, SETTINGS) == (34.0, 59.5, 85.0)


@pytest.mark.parametrize(
    ("said", "found"),
    [
        ("45", 45.0),
        (" 45,5 ", 45.5),
        ("0.05", None),
        ("4", None),
        ("1001", None),
        ("nan", None),
        ("inf", None),
        ("", None),
        ("-45", None),
        ("45 um", None),
    ],
)
def test_a_thickness(said: str, found: float | None) -> None:
    """Micrometres within what gauges are made in, anything else is asked again."""
    value = thickness_um(said)
    assert value == found if found is not None else isinstance(value, Again)


def test_other_answers() -> None:
    """Which key and way, zones, and words: taken as meant or asked again."""
    assert key_and_way("3 opened", 4) == (3, "opened")
    assert key_and_way("None", 4) == (0, "none")
    for said in ("5 opened", "0 closed", "3", "3 open", "opened 3", "\u0663 opened", ""):
        assert isinstance(key_and_way(said, 4), Again)
    assert zones_of("yes", (1, 2)) == ()
    assert zones_of("2, 1 2", (1, 2)) == (2, 1)
    for said in ("", "no", "3", "1 yes"):
        assert isinstance(zones_of(said, (1, 2)), Again)
    assert one_of(" YES\n", "yes", "no") == "yes"
    assert isinstance(one_of("y", "yes", "no"), Again)


@pytest.mark.parametrize(
    ("seen", "way", "text"),
    [
        (2, "opened", None),
        (2, "closed", "reversed"),
        (3, "opened", "counted from the other end"),
        (3, "closed", "reversed"),
        (4, "opened", "exchanged"),
        (0, "none", "no key moved"),
    ],
)
def test_what_is_wrong_with_a_direction(seen: int, way: str, text: str | None) -> None:
    """Of four keys the second is told to open: each fault is named with what to change."""
    found = direction_fault(2, 4, seen, way)
    assert found is None if text is None else text in (found or "")
