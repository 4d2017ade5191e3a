"""Jobs, scans and requests of the right form that cannot be."""

from __future__ import annotations

from typing import Any

import pytest

from tests.steward.desk import Desk
from tests.steward.samples import (
    fields,
    job_of,
    proposed_desk,
    ready_desk,
    refused,
    request_of,
)

RIGHT: dict[str, float | list[float]] = {"K": 1.6, "C": 1.4}


@pytest.mark.parametrize(("row", "field"), [
    ({"unit": "u9"}, "units.0.unit"),
    ({"unit": "u2"}, "units.1.unit"),
    ({"ink": "gold", "d_inf": ..., "m": ...}, "units.0.ink"),
    ({"ink": "gold", "d_inf": 1.7, "m": ...}, "units.0.ink"),
    ({"aim": [1.6] * 3}, "units.0.aim"),
    ({"aim": [1.6] * 5}, "units.0.aim"),
    ({"coverage": [0.3] * 3}, "units.0.coverage"),
    ({"coverage": [0.3] * 5}, "units.0.coverage"),
    ({"coverage": [0.3, 1.001, 0.3, 0.3]}, "units.0.coverage.1"),
    ({"aim": 1.901}, "units.0.aim"),
    ({"aim": [1.6, 1.6, 1.901, 1.6]}, "units.0.aim.2"),
    ({"aim": 0.06}, "units.0.aim"),
    ({"tolerance": [0.01, 0.05]}, "units.0.tolerance"),
    ({"tolerance": [-0.05, -0.01]}, "units.0.tolerance"),
    ({"tolerance": [0.05, -0.05]}, "units.0.tolerance"),
    ({"tolerance": [0.0, 0.05]}, "units.0.tolerance"),
    ({"tolerance": [-0.05]}, "units.0.tolerance"),
    ({"d_inf": 0.0}, "units.0.d_inf"),
])  # fmt: skip
def test_a_job_that_cannot_be(row: dict[str, Any], field: str) -> None:
    """A job is refused as a whole, naming the row: unknown unit or ink, wrong number of zones, aim, tolerance."""
    desk = ready_desk()
    answer = refused(desk, "job", job_of(desk, **row))
    assert any(name.startswith(field) for name in fields(answer))


@pytest.mark.parametrize("aim", [1.9, 0.061])
def test_aims_at_the_limits_are_taken(aim: float) -> None:
    """The highest aim is 95 % of saturation (2.00 D for this ink), the lowest just above 3 %."""
    desk = ready_desk()
    desk.receive("job", job_of(desk, aim=aim))
    assert desk.answer()["accepted"]
    assert desk.state.units["u1"].aim == (aim,) * 4


def test_every_mistake_of_a_job_is_named_at_once() -> None:
    """All mistakes of a job are told in one answer."""
    desk = ready_desk()
    data = job_of(desk, "run-2", "run", tolerance=[0.1, 0.2])
    data["units"][1]["coverage"] = [0.2]
    assert fields(refused(desk, "job", data)) == ["phase", "units.0.tolerance", "units.1.coverage"]


def test_an_ink_that_the_job_brings_along_needs_no_configuration() -> None:
    """An unknown ink with its saturation density and m is taken; a known one takes them from the configuration."""
    desk = ready_desk()
    desk.receive("job", job_of(desk, ink="gold", d_inf=1.8, m=1.5))
    ink = desk.state.units["u1"].ink
    assert ink is not None
    assert (ink.ink, ink.d_inf, ink.m) == ("gold", 1.8, 1.5)
    desk.receive("job", job_of(desk, d_inf=..., m=...))
    ink = desk.state.units["u1"].ink
    assert ink is not None
    assert (ink.ink, ink.d_inf, ink.m) == ("K", 2.0, 1.75)


@pytest.mark.parametrize(("changes", "field"), [
    ({"run_id": "run-9"}, "run_id"),
    ({"sheet": 99}, "sheet"),
    ({"sheet": 174}, "sheet"),
    ({"sheet": None}, ""),
    ({"sheet": None, "pulled_at": "2026-02-30T08:15:30Z"}, "pulled_at"),
    ({"sheet": None, "pulled_at": "2026-03-02T08:15:30Z", "taken_at": "2026-03-02T25:15:30Z"}, "taken_at"),
    ({"instrument": {"id": "s", "kind": "strip", "status": "T", "polarised": True, "paper_relative": True}},
     "instrument.status"),
    ({"instrument": {"id": "s", "kind": "strip", "status": "E", "polarised": False, "paper_relative": True}},
     "instrument.polarised"),
    ({"instrument": {"id": "s", "kind": "strip", "status": "E", "polarised": True, "paper_relative": False}},
     "instrument.paper_relative"),
    ({"side": "left"}, "side"),
    ({"taken_at": "yesterday"}, "taken_at"),
    ({"patches": [{"x_mm": 5.0, "kind": "solid", "inks": ["K"], "density": {"K": 6.001}}]}, "patches.0.density.K"),
    ({"patches": [{"x_mm": 5001.0, "kind": "solid", "inks": ["K"], "density": {"K": 1.6}}]}, "patches.0.x_mm"),
])  # fmt: skip
def test_a_scan_that_cannot_be(changes: dict[str, Any], field: str) -> None:
    """A scan of another run or basis, older than the last, ahead of the counter or with impossible times is refused."""
    desk = ready_desk()
    desk.scan(RIGHT)
    answer = refused(desk, "scan", {**desk.scan_data(RIGHT, "s-wrong"), **changes})
    assert fields(answer) == [field]
    assert answer["id"] in {"s-wrong", None}


def test_a_scan_may_be_a_little_ahead_of_the_counter() -> None:
    """A scan may be 60 sheets and what is printed in 5 s ahead of the counter's last word: 73 at 9,000 an hour."""
    desk = ready_desk()
    desk.scan(RIGHT, sheet=desk.sheet + 60 + round(9000 * 5 / 3600))
    assert desk.answer()["accepted"]


def test_the_same_sheet_may_be_scanned_again() -> None:
    """A second scan of the same sheet is a second measurement; it gives no interval between scans."""
    desk = ready_desk()
    desk.scan(RIGHT)
    desk.scan(RIGHT, "s-again")
    assert desk.answer()["accepted"]
    assert len(desk.told("reading")) == 2
    assert desk.state.run is not None
    assert desk.state.run.intervals == ()


def test_an_unknown_sheet_is_estimated_from_the_counter() -> None:
    """Without a sheet number 20 s between pulling and taking are 50 sheets back at 9,000 an hour; said in a note."""
    desk = ready_desk()
    desk.run_to(200)
    desk.scan(RIGHT, sheet=None, pulled_at="2026-03-02T08:15:10.000Z")
    reading = desk.told("reading")[-1]
    assert reading["sheet"] == 150
    assert "sheet_estimated" in [note["code"] for note in reading["notes"]]
    sigma = reading["units"]["u1"]["sigma"][0]
    desk.scan(RIGHT)
    assert sigma == pytest.approx(1.5 * desk.told("reading")[-1]["units"]["u1"]["sigma"][0], abs=2e-4)


@pytest.mark.parametrize("pulled_at", ["2030-01-01T00:00:00Z", "0001-01-01T00:00:00+23:59"])
def test_times_that_lie_far_off_are_kept_within_the_run(pulled_at: str) -> None:
    """A sheet pulled after it was taken counts as pulled now, one pulled long ago as the first."""
    desk = ready_desk()
    desk.scan(RIGHT, sheet=None, pulled_at=pulled_at)
    assert desk.told("reading")[-1]["sheet"] == (100 if pulled_at > "2026" else 0)


def test_an_unknown_sheet_without_a_counter_is_refused() -> None:
    """Without a counter the sheet cannot be estimated."""
    desk = Desk().start()
    desk.receive("job", job_of(desk))
    data = desk.scan_data(RIGHT, sheet=None, pulled_at="2026-03-02T08:15:10.000Z")
    assert fields(refused(desk, "scan", data)) == ["sheet"]


@pytest.mark.parametrize("changes", [{}, {"sheet": None, "pulled_at": "2026-03-02T08:15:10.000Z"}])
def test_a_scan_without_a_job_is_read_and_not_acted_on(changes: dict[str, Any]) -> None:
    """A scan of a run without a job is accepted, its reading names no unit and nothing is proposed."""
    desk = Desk().start()
    desk.positions()
    desk.scan(RIGHT, **changes)
    assert desk.answer()["accepted"]
    assert desk.told("reading")[-1]["units"] == {}
    assert desk.told("proposal/u1") == []


@pytest.mark.parametrize(("kind", "members", "field"), [
    ("ok_sheet", {}, ""),
    ("aims", {"unit": "u1"}, ""),
    ("aims", {"aim": 1.5}, ""),
    ("recall", {}, ""),
    ("acknowledge", {}, ""),
    ("event", {}, ""),
    ("event", {"what": "lunch"}, "what"),
    ("reading", {"unit": "u1", "zone": 1}, ""),
    ("reading", {"unit": "u1", "density": 1.5}, ""),
    ("reading", {"zone": 1, "density": 1.5}, ""),
    ("approve", {}, "kind"),
    ("ok_sheet", {"scan_id": "s-unknown"}, "scan_id"),
    ("aims", {"unit": "u9", "aim": 1.5}, "unit"),
    ("aims", {"unit": "u1", "aim": 1.95}, "aim"),
    ("aims", {"unit": "u1", "aim": [1.5, 1.5, 1.5]}, "aim"),
    ("aims", {"unit": "u1", "aim": 1.5, "tolerance": [0.01, 0.02]}, "tolerance"),
    ("opening", {"unit": "u9"}, "unit"),
    ("recall", {"job_id": "never-printed"}, "job_id"),
    ("recall", {"job_id": "never-printed", "unit": "u9"}, "unit"),
    ("acknowledge", {"code": "move_failed"}, "code"),
    ("acknowledge", {"code": "no_such_alarm"}, "code"),
    ("event", {"what": "wash", "unit": "u9"}, "unit"),
    ("reading", {"unit": "u9", "zone": 1, "density": 1.5}, "unit"),
    ("reading", {"unit": "u1", "zone": 0, "density": 1.5}, "zone"),
    ("reading", {"unit": "u1", "zone": 5, "density": 1.5}, "zone"),
    ("reading", {"unit": "u1", "zone": 1, "density": 6.1}, "density"),
])  # fmt: skip
def test_a_request_that_cannot_be(kind: str, members: dict[str, Any], field: str) -> None:
    """A request whose members are missing or name what is not there is refused."""
    desk, _ = proposed_desk()
    assert field in fields(refused(desk, "request", request_of(kind, **members)))


@pytest.mark.parametrize(("kind", "members"), [
    ("ok_sheet", {"scan_id": "s-1"}),
    ("aims", {"unit": "u1", "aim": 1.5}),
    ("opening", {}),
    ("recall", {"job_id": "j-1"}),
    ("event", {"what": "wash"}),
    ("reading", {"unit": "u1", "zone": 1, "density": 1.5}),
])  # fmt: skip
def test_requests_before_a_job(kind: str, members: dict[str, Any]) -> None:
    """Before a job only hold, release and acknowledge have a meaning."""
    assert fields(refused(Desk().start(), "request", request_of(kind, **members))) == ["kind"]


def test_requests_about_a_unit_before_its_keys_are_known() -> None:
    """Without counter or key positions there is no film model to take a reading."""
    desk = Desk().start()
    desk.receive("job", job_of(desk))
    data = request_of("reading", unit="u1", zone=1, density=1.5)
    assert fields(refused(desk, "request", data)) == ["unit"]
    desk.count(0)
    assert fields(refused(desk, "request", {**data, "request_id": "r-2"})) == ["unit"]


def test_a_retained_request_never_counts() -> None:
    """A request that comes retained was made some time ago: refused."""
    desk, _ = proposed_desk()
    answer = refused(desk, "request", request_of("hold"), retained=True)
    assert "retained" in answer["errors"][0]["value"]
