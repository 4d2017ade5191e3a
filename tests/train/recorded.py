"""A recorded run of two units with two zones each, small enough to be counted by hand."""

from typing import Any

from inksteward.train.debrief import Lesson
from inksteward.train.record import Row, Run, Sample
from inksteward_simulators.fault_plan import PlannedFault
from inksteward_simulators.link_messages import FaultKind, Patch

INKS = {"u1": "K", "u2": "C"}
STUCK = PlannedFault(at_sheet=60, kind=FaultKind.STUCK, unit="u2", zone=2)
DIRTY = PlannedFault(at_sheet=100, kind=FaultKind.INSTRUMENT_DIRTY, unit="u1", zone=1, value=0.3)
FEED = PlannedFault(at_sheet=110, until_sheet=150, kind=FaultKind.FEED, unit="u1", value=-0.2)
FREE = PlannedFault(at_sheet=150, kind=FaultKind.FREE, unit="u2", zone=2)
DEAD = PlannedFault(at_sheet=170, kind=FaultKind.INSTRUMENT_DEAD)
UNPRINTED = PlannedFault(at_sheet=200, kind=FaultKind.STOP, value=10.0)
STRIP = tuple(Patch(x_mm=5.0 * number, kind="solid", inks=(ink,)) for number, ink in enumerate("KCKC"))


def move(zone: int, from_pct: float, to_pct: float) -> dict[str, Any]:
    """A row of a proposal."""
    told = {"measured": 1.3, "aim": 1.6, "predicted_settled": 1.58, "why": "more ink"}
    return {"zone": zone, "from_pct": from_pct, "to_pct": to_pct, **told}


def proposal(
    number: int, unit: str, scan: int, *moves: dict[str, Any], **changes: Any
) -> tuple[str, dict[str, Any]]:
    """Topic and payload of proposal ``p-number`` on the scan of this sheet."""
    form = {
        "proposal_id": f"p-{number}",
        "unit": unit,
        "ink": INKS[unit],
        "scan_id": f"s-{scan}",
        "sheet": scan,
    }
    return f"proposal/{unit}", {**form, "sweep": None, "moves": list(moves), "notes": [], **changes}


def decision(number: int, verdict: str = "approve", **changes: Any) -> tuple[str, dict[str, Any]]:
    """The decision ``d-number`` on proposal ``p-number``."""
    form = {"decision_id": f"d-{number}", "proposal_id": f"p-{number}", "verdict": verdict, "reason": None}
    return "decision", {**form, "leave": [], "change": [], "leave_sweep": False, **changes}


def outcome(
    number: int, unit: str, result: str, *moved: tuple[int, float, float, float | None], **changes: Any
) -> Any:
    """How ``p-number`` ended; ``moved``: zone, from, to and read back, percent."""
    names = ("zone", "from_pct", "to_pct", "read_back_pct")
    rows = [dict(zip(names, row, strict=True)) for row in moved]
    form = {
        "proposal_id": f"p-{number}",
        "decision_id": f"d-{number}",
        "unit": unit,
        "result": result,
        "code": None,
    }
    return "outcome", {**form, "moved": rows, "sweep": None, **changes}


def reading(
    scan: int, u1: tuple[float, float], u2: tuple[float, float], **changes: Any
) -> tuple[str, dict[str, Any]]:
    """Densities of the four zones; right is 1.5 to 1.7."""
    units = {
        unit: {
            "ink": INKS[unit],
            "density": list(values),
            "in_tolerance": [1.5 <= value <= 1.7 for value in values],
            "patches": [1, 1],
            "no_proposal": None,
        }
        for unit, values in (("u1", u1), ("u2", u2))
    }
    return "reading", {
        "scan_id": f"s-{scan}",
        "sheet": scan,
        "units": units,
        "set_aside": [],
        "notes": [],
        **changes,
    }


def alarm(*rows: tuple[str, str, str, int]) -> tuple[str, dict[str, Any]]:
    """Standing alarms by code, unit, text and how often they were raised."""
    names = ("code", "unit", "text", "count")
    more = {"zone": None, "since": "2026-03-02T08:15:30.000Z", "latched": True, "remedy": "look"}
    return "alarm", {"alarms": [dict(zip(names, row, strict=True)) | more for row in rows]}


SWEPT = {"from_pct": 20.0, "to_pct": 22.0, "read_back_pct": 22.0}
ASIDE = {"index": 2, "code": "jump", "text": "lies 5.0 standard deviations away"}
OTHERS = {"index": 1, "code": "jump", "text": "a patch of the other ink"}
ROWS: tuple[tuple[int, tuple[str, dict[str, Any]]], ...] = (
    (42, alarm(("move_failed", "u2", "an older fault", 1))),
    (50, proposal(1, "u1", 40, move(1, 20.0, 25.0), move(2, 30.0, 31.0), sweep={"from_pct": 20.0, "to_pct": 22.0})),
    (50, proposal(2, "u2", 40, move(1, 40.0, 50.0), move(2, 40.0, 42.5))),
    (50, reading(40, (1.3, 1.4), (1.2, 1.6))),
    (55, decision(1)),
    (58, decision(2, leave=[1], reason="cleaned a moment ago")),
    (62, outcome(1, "u1", "moved", (1, 20.0, 25.0, 25.1), (2, 30.0, 31.0, None), sweep=SWEPT)),
    (66, outcome(2, "u2", "failed", (2, 40.0, 42.5, 40.0), code="move_failed")),
    (66, alarm(("move_failed", "u2", "an older fault", 1))),
    (67, alarm(("move_failed", "u2", "zone 2 is not where it should be", 2))),
    (75, ("request", {"request_id": "r-1", "kind": "acknowledge", "code": "move_failed", "unit": "u2"})),
    (110, proposal(3, "u1", 100, move(1, 25.1, 20.0))),
    (110, reading(100, (1.9, 1.6), (1.3, 1.6), set_aside=[OTHERS])),
    (112, decision(3, "reject", reason="that patch is dirty")),
    (113, outcome(3, "u1", "rejected")),
    (130, proposal(4, "u1", 120, move(2, 31.0, 33.0))),
    (130, reading(120, (1.6, 1.6), (1.5, 1.6), set_aside=[OTHERS, ASIDE])),
    (130, reading(120, (1.6, 1.6), (1.5, 1.6), set_aside=[OTHERS, ASIDE])),
    (150, outcome(4, "u1", "lapsed", code="expired", decision_id=None)),
    (152, decision(4)),
    (152, ("answer", {"id": "d-4", "accepted": False, "stands": False, "errors": []})),
    (170, ("proposal/u1", {})),
    (190, proposal(5, "u2", 180, move(1, 40.0, 41.0))),
    (190, reading(180, (1.6, 1.6), (1.4, 1.6))),
)  # fmt: skip
SAMPLES = (
    Sample(9, {"u1": 2, "u2": 2}),
    Sample(59, {"u1": 1, "u2": 1}),
    Sample(99, {"u1": 0, "u2": 1}),
    Sample(119, {"u1": 0, "u2": 0}),
    Sample(159, {"u1": 0, "u2": 0}),
    Sample(179, {"u1": 1, "u2": 0}),
    Sample(199, {"u1": 0, "u2": 0}),
)
RUN = Run(tuple(Row(sheet, *row) for sheet, row in ROWS), SAMPLES)
BESIDE = Run(
    tuple(Row(0, *row) for row in (outcome(1, "u1", "moved", (1, 20.0, 24.0, 24.0)),)),
    (Sample(29, {"u1": 1, "u2": 1}), Sample(199, {"u1": 0, "u2": 0})),
)
LESSON = Lesson(
    title="two units, seed 1, 1 press seconds in one",
    inks=INKS,
    faults=(UNPRINTED, FREE, STUCK, DIRTY, FEED, DEAD),
    strip=STRIP,
    stay_sheets=60,
    delay_sheets=10,
)
