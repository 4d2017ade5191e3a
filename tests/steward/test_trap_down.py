"""An ink that lies worse on the one before it while both solids are right: told, and nothing is proposed for it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from inksteward.reading import LaneReading, ScanReading, TrapReading
from inksteward.steward.codec import decode, encode, state_digest
from inksteward.steward.state import State, TrapSeen, UnitState
from inksteward.steward.watching import TRAP_DOWN_PCT, TRAP_SHEETS, TRAP_TIMES, watch_traps
from inksteward_simulators.press import colour
from tests.steward.desk import Desk, two_units
from tests.steward.floor import Floor, small
from tests.steward.samples import job_of, ready_desk

BLACK, CYAN = 1.6, 1.4
USUAL = (90.0, 90.0, 90.0)


def over(desk: Desk, trap_pct: float, cyan: float = CYAN, black: float = BLACK, **changes: Any) -> None:
    """A scan with cyan over black in every zone, so many percent of its solid on top of black's (through red)."""
    data = desk.scan_data({"K": black, "C": cyan}, **changes)
    both = round(black + trap_pct / 100.0 * cyan, 6)
    patches = []
    for zone in range(4):
        values = dict.fromkeys("MYK", black) | {"C": both}
        x_mm = 32.5 * (zone + 0.5)
        patches.append({"x_mm": x_mm, "kind": "overprint", "inks": ["C", "K"], "density": values})
    data["patches"] = sorted(data["patches"] + patches, key=lambda patch: patch["x_mm"])
    desk.receive("scan", data)
    assert desk.answer()["accepted"]


def each(desk: Desk, *traps: float, **how: Any) -> None:
    """One such scan after another, 60 sheets apart."""
    for trap_pct in traps:
        desk.run_to(desk.sheet + 60)
        over(desk, trap_pct, **how)


def seen(desk: Desk) -> TrapSeen | None:
    """What is known of cyan on black."""
    found = desk.state.units["u2"].traps
    return found[0] if found else None


def told(desk: Desk) -> list[str]:
    """Texts of the last reading's notes of trap."""
    notes = desk.told("reading")[-1]["notes"]
    return [note["text"] for note in notes if note["code"] == "trap_down"]


def why_not(desk: Desk, unit: str) -> Any:
    """Why the last reading led to no proposal for a unit."""
    return desk.told("reading")[-1]["units"][unit]["no_proposal"]


@pytest.mark.parametrize(
    ("drop", "down"), [(TRAP_DOWN_PCT - 0.01, False), (TRAP_DOWN_PCT, True), (TRAP_DOWN_PCT + 30.0, True)]
)
def test_trap_down_with_solids_right_is_no_key_fault(drop: float, down: bool) -> None:
    """Two sheets running with trap 10 points or more below this run's own and solids on aim: nothing is proposed for
    the ink on top, and the reading says what was and what is; the ink below goes on."""
    desk = ready_desk()
    each(desk, *USUAL, 90.0 - drop, 90.0 - drop)
    assert bool(told(desk)) is down
    assert (why_not(desk, "u2") == "not_a_key_fault") is down
    assert why_not(desk, "u1") != "not_a_key_fault"
    if down:
        assert told(desk) == [
            f"u2 C: C lies down worse on K: trap {90.0 - drop:.0f} %, in this run it was 90 %, "
            "while the solids of both are on aim"
        ]


def test_one_sheet_alone_proves_nothing() -> None:
    """A single sheet that shows it may have a dirty patch; one that does not begins the count anew."""
    desk = ready_desk()
    each(desk, *USUAL, 70.0)
    assert told(desk) == []
    each(desk, 90.0, 70.0)
    assert told(desk) == []
    each(desk, 70.0)
    assert len(told(desk)) == 1
    each(desk, 85.0)
    assert told(desk) == []
    assert why_not(desk, "u2") != "not_a_key_fault"


def test_a_run_is_its_own_measure() -> None:
    """What is usual is the median of the first three sheets, whatever its level; nothing is judged before."""
    desk = ready_desk()
    each(desk, 60.0, 50.0)
    assert seen(desk) == TrapSeen("u1", (60.0, 50.0), 0, 220)
    each(desk, 20.0, 41.0, 41.0)
    assert seen(desk) == TrapSeen("u1", (60.0, 50.0, 20.0), 0, 400)
    each(desk, 39.0, 39.0)
    assert len(told(desk)) == 1


def test_a_sheet_scanned_again_counts_once() -> None:
    """The same sheet read twice is one sheet, for what is usual and for what is down."""
    desk = ready_desk()
    each(desk, 90.0)
    for number in range(4):
        over(desk, 10.0, scan_id=f"again-{number}")
    assert seen(desk) == TrapSeen("u1", (90.0,), 0, 160)
    each(desk, 90.0, 90.0, 70.0)
    over(desk, 70.0, scan_id="again")
    assert told(desk) == []


@pytest.mark.parametrize(("cyan", "black"), [(1.55, BLACK), (1.20, BLACK), (CYAN, 1.75), (CYAN, 1.45)])
def test_nothing_is_known_while_a_solid_is_off(cyan: float, black: float) -> None:
    """While either solid is out of tolerance trap is neither learned nor judged, and the count begins anew."""
    desk = ready_desk()
    over(desk, 90.0, cyan=cyan, black=black)
    assert seen(desk) == TrapSeen("u1", (), 0, 100)
    desk = ready_desk()
    each(desk, *USUAL, 70.0)
    each(desk, 70.0, cyan=cyan, black=black)
    assert told(desk) == []
    assert seen(desk) == TrapSeen("u1", USUAL, 0, 340 + 60)
    each(desk, 70.0)
    assert told(desk) == []


def lane_of(unit: str, *density: float | None) -> LaneReading:
    """Zones of a unit as read."""
    n = len(density)
    return LaneReading(unit, (), density, (0.02,) * n, (1,) * n, (False,) * n, (None,) * n)


@pytest.mark.parametrize(("out", "judged"), [(1, True), (2, False)])
def test_nearly_all_zones_must_be_right(out: int, judged: bool) -> None:
    """Nine of ten zones in tolerance are right solids, eight are not; unread zones have no say."""
    zones = 10
    first, second = (
        UnitState(name, aim=(1.4,) * zones, low=(1.3,) * zones, high=(1.5,) * zones) for name in ("a", "b")
    )
    read = ScanReading(
        lanes={
            "a": lane_of("a", *[1.6] * out, *[1.4] * (zones - out)),
            "b": lane_of("b", *[None] * 5, *[1.4] * 5),
        },
        asides=(),
        notes=(),
        traps={"a": (), "b": (TrapReading(0, 5.0, "a", 80.0), TrapReading(1, 9.0, "a", 70.0))},
    )
    found = watch_traps(second, {"a": first, "b": second}, read, 100)
    assert found.traps == (TrapSeen("a", (75.0,) if judged else (), 0, 100),)
    blind = replace(first, aim=None, low=(), high=())
    assert watch_traps(second, {"a": blind, "b": second}, read, 100).traps[0].reference == ()
    assert watch_traps(first, {"a": first, "b": second}, read, 100).traps == ()


def test_a_strip_without_overprints_says_nothing() -> None:
    """A sheet read without overprints neither repeats the note nor ends the count."""
    desk = ready_desk()
    each(desk, *USUAL, 70.0, 70.0)
    assert len(told(desk)) == 1
    desk.run_to(desk.sheet + 60)
    desk.scan({"K": BLACK, "C": CYAN})
    assert told(desk) == []
    assert why_not(desk, "u2") != "not_a_key_fault"
    each(desk, 70.0)
    assert len(told(desk)) == 1


def test_sheets_that_are_not_acted_on_tell_nothing_of_trap() -> None:
    """Sheets from before the film built up do not say what is usual."""
    desk = Desk().start()
    desk.receive("job", job_of(desk))
    desk.count(0)
    desk.positions()
    desk.run_to(39)
    over(desk, 50.0)
    assert seen(desk) is None
    desk.run_to(40)
    over(desk, 90.0)
    assert seen(desk) == TrapSeen("u1", (90.0,), 0, 40)


def test_the_first_sheets_after_a_stop_are_not_judged() -> None:
    """A sheet from right after a long stop neither repeats the note nor ends the count."""
    desk = ready_desk()
    each(desk, *USUAL, 70.0, 70.0)
    desk.count(desk.sheet, printing=False)
    desk.wait(70.0)
    desk.count(desk.sheet + 1)
    desk.run_to(desk.sheet + 10)
    over(desk, 70.0)
    assert why_not(desk, "u2") == "waiting"
    assert told(desk) == []
    each(desk, 70.0)
    assert len(told(desk)) == 1


@pytest.mark.parametrize(
    ("what", "unit", "anew"),
    [
        *(("ink", None, True), ("ink", "u1", True), ("ink", "u2", True), ("paper", None, True)),
        *(("water", None, False), ("wash", "u2", False), ("plate", None, False)),
    ],
)
def test_other_ink_or_paper_is_learned_anew(what: str, unit: str | None, anew: bool) -> None:
    """After another ink on either unit, or another paper, what is usual is learned anew; nothing else makes it so."""
    desk = ready_desk()
    each(desk, *USUAL)
    assert desk.request("event", what=what, unit=unit)["accepted"]
    assert (seen(desk) is None) is anew


def test_an_ink_elsewhere_changes_nothing() -> None:
    """Another ink on a unit that is no part of the pair leaves what is known."""
    desk = ready_desk()
    state = replace(desk.state.units["u1"], traps=(TrapSeen("u0", USUAL),))
    desk.state = replace(desk.state, units={**desk.state.units, "u1": state})
    each(desk, *USUAL)
    assert desk.request("event", what="ink", unit="u2")["accepted"]
    assert desk.state.units["u1"].traps == (TrapSeen("u0", USUAL),)


def test_the_ok_sheet_is_the_new_measure() -> None:
    """What the operator accepts as the OK sheet is usual from then on."""
    desk = ready_desk()
    each(desk, *USUAL, 70.0, 70.0)
    assert len(told(desk)) == 1
    scan_id = desk.told("reading")[-1]["scan_id"]
    assert desk.request("ok_sheet", scan_id=scan_id)["accepted"]
    assert seen(desk) is None
    each(desk, 70.0, 70.0, 70.0, 70.0, 70.0)
    assert told(desk) == []


def test_the_note_is_told_beside_a_proposal_that_stands() -> None:
    """A proposal that stands from an earlier scan cannot carry the note: the reading does."""
    desk = ready_desk()
    while desk.state.units["u2"].standing is None:
        each(desk, 90.0, cyan=1.55)
    state = replace(desk.state.units["u2"], traps=(TrapSeen("u1", USUAL, TRAP_TIMES - 1, desk.sheet),))
    desk.state = replace(desk.state, units={**desk.state.units, "u2": state})
    desk.run_to(desk.sheet + 10)
    over(desk, 70.0)
    assert len(told(desk)) == 1
    reading = desk.told("reading")[-1]["units"]["u2"]
    assert reading["proposal_id"] == desk.told("proposal/u2")[-1]["proposal_id"]


def test_the_order_of_the_units_is_the_order_of_printing() -> None:
    """With the units the other way round in the configuration, black is the ink on top."""
    scenario = two_units()
    desk = Desk(scenario.model_copy(update={"units": scenario.units[::-1]})).ready()
    over(desk, 90.0)
    assert desk.state.units["u2"].traps == ()
    assert [item.first for item in desk.state.units["u1"].traps] == ["u2"]


def test_what_is_known_of_trap_outlives_a_restart() -> None:
    """Stored and read back the state is the same, and the count goes on."""
    desk = ready_desk()
    each(desk, *USUAL, 70.0)
    again = replace(decode(State, encode(desk.state)), config=desk.state.config)
    assert again.units["u2"].traps == (TrapSeen("u1", USUAL, 1, 340),)
    assert state_digest(again) == state_digest(desk.state)
    desk.state = again
    each(desk, 70.0)
    assert len(told(desk)) == 1


@pytest.mark.parametrize("seed", [1, 2])
def test_a_healthy_press_is_not_suspected_and_a_fall_is_found(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On the simulated press nothing is said of trap over 900 sheets; when inks lie down on others with 60 % of their
    film instead of 85 % (invented numbers), both inks that print on others are named within four scans, and nothing is
    proposed for them then."""
    floor = Floor(small(units=4), seed=seed)
    floor.run(900)
    assert "trap_down" not in floor.note_codes()
    traps = {name: state.traps for name, state in floor.state.units.items()}
    assert {name: [item.first for item in found] for name, found in traps.items()} == {
        "u1": [],
        "u2": [],
        "u3": ["u2"],
        "u4": ["u2", "u3"],
    }
    assert all(len(item.reference) == TRAP_SHEETS for found in traps.values() for item in found)
    monkeypatch.setattr(colour, "TRAP", 0.60)
    floor.run(240)
    told: dict[str, set[str]] = {}
    for reading in floor.ledger.readings:
        for note in reading["notes"]:
            if note["code"] == "trap_down":
                told.setdefault(note["text"].split(":")[1].strip(), set()).add(reading["scan_id"])
                assert reading["units"][note["text"].split()[0]]["no_proposal"] == "not_a_key_fault"
    assert sorted(told) == ["M lies down worse on C", "Y lies down worse on C", "Y lies down worse on M"]
