"""When the scripted operator names an OK sheet."""

from collections.abc import AsyncIterator
from typing import Any

import pytest

from inksteward_simulators import operator_seat
from inksteward_simulators.operator_seat import in_tolerance
from tests.simulators.operator_room import Room, reading_of


@pytest.fixture
async def room(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Room]:
    monkeypatch.setattr(operator_seat, "ANSWER_S", 0.02)
    made = Room()
    yield made
    await made.seat.close()


async def test_ok_sheet_after_two_calm_scans(room: Room) -> None:
    """When every zone is in tolerance on two scans in a row, the second one is named as the OK sheet, once a run."""
    await room.hear("status", {"run_id": "run-1", "phase": "makeready"})
    await room.hear("reading", reading_of(True, True))
    await room.hear("reading", reading_of(True, False))
    await room.hear("reading", reading_of(True, None, scan_id="s-3"))
    await room.settle()
    assert room.sent == []
    await room.hear("reading", reading_of(True, True, scan_id="s-4"))
    await room.settle()
    await room.hear("reading", reading_of(True, True, scan_id="s-5"))
    await room.settle()
    [(topic, request)] = room.sent
    assert topic == "request"
    assert (request["kind"], request["scan_id"], request["per_zone"]) == ("ok_sheet", "s-4", False)


async def test_refused_ok_sheet_is_asked_for_again(room: Room) -> None:
    """When the OK sheet is refused, the next calm scan is named."""
    room.answers = [{"accepted": False, "errors": [], "stands": None}]
    for scan_id in ("s-1", "s-2", "s-3", "s-4"):
        await room.hear("reading", reading_of(True, scan_id=scan_id))
        await room.settle()
    assert [body["scan_id"] for _, body in room.sent] == ["s-2", "s-3"]


async def test_no_ok_sheet_in_the_run_and_from_old_readings(room: Room) -> None:
    """In the run no OK sheet is named any more, and a retained reading counts for nothing."""
    await room.hear("reading", reading_of(True), retained=True)
    await room.hear("reading", reading_of(True))
    await room.settle()
    assert room.sent == []
    await room.hear("status", {"run_id": None, "phase": "run"})
    await room.hear("reading", reading_of(True))
    await room.settle()
    assert room.sent == []


async def test_new_run_counts_anew(room: Room) -> None:
    """A new run starts the counting of calm scans again, and may have its own OK sheet."""
    for run_id in ("run-1", "run-2"):
        await room.hear("status", {"run_id": run_id, "phase": "makeready"})
        await room.hear("reading", reading_of(True, scan_id=f"{run_id}-a"))
        await room.settle()
        await room.hear("reading", reading_of(True, scan_id=f"{run_id}-b"))
        await room.settle()
    assert [body["scan_id"] for _, body in room.sent] == ["run-1-b", "run-2-b"]


@pytest.mark.parametrize(
    ("reading", "calm"),
    [
        (reading_of(True, True), True),
        (reading_of(True, None), True),
        (reading_of(None, None), False),
        (reading_of(True, False), False),
        (reading_of(), False),
        (reading_of(False, aim=None), False),
        ({"units": {}}, False),
        (
            {
                "units": {
                    "u1": {"aim": None, "in_tolerance": [False]},
                    "u2": {"aim": [1], "in_tolerance": [True]},
                }
            },
            True,
        ),
    ],
)
def test_what_counts_as_calm(reading: dict[str, Any], calm: bool) -> None:
    """In tolerance means: every unit with an aim was read, and no zone that was read is out."""
    assert in_tolerance(reading) is calm
