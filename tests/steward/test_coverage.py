"""The coverage of the form as an operator states it."""

from __future__ import annotations

from typing import Any

import pytest

from tests.steward.desk import Desk
from tests.steward.samples import job_of, proposed_desk, ready_desk

STATED = [0.05, 0.2, 0.4, 0.6]


def coverage(desk: Desk, unit: str = "u1") -> tuple[float, ...]:
    """What the core goes by."""
    return desk.state.units[unit].coverage


def test_coverage_for_each_zone_and_for_all() -> None:
    """One value a zone, or one for all; the other units keep theirs."""
    desk = ready_desk()
    other = coverage(desk, "u2")
    assert desk.request("coverage", unit="u1", coverage=STATED)["accepted"]
    assert coverage(desk) == tuple(STATED)
    assert desk.request("coverage", unit="u1", coverage=0.3)["accepted"]
    assert coverage(desk) == (0.3,) * 4
    assert coverage(desk, "u2") == other


def test_other_coverage_is_another_film() -> None:
    """What was learned under another coverage is learned anew, and what stood on it lapses; the same coverage again
    changes nothing.
    """
    desk, _ = proposed_desk()
    before = desk.state.units["u1"]
    assert before.standing is not None
    assert desk.request("coverage", unit="u1", coverage=list(before.coverage))["accepted"]
    assert desk.state.units["u1"] == before
    assert desk.request("coverage", unit="u1", coverage=STATED)["accepted"]
    after = desk.state.units["u1"]
    assert after.standing is None
    assert before.estimate is not None
    assert after.estimate is not None
    assert after.estimate.film_um.tolist() != before.estimate.film_um.tolist()
    assert (desk.outcomes()[-1]["result"], desk.outcomes()[-1]["code"]) == ("lapsed", "run_changed")


def test_a_job_sent_again_leaves_what_an_operator_stated() -> None:
    """The job side sends its job again (brokers do at every new connection): coverage that it never changed stays as
    the operator stated it; one that it changed counts.
    """
    desk = Desk().start()
    desk.receive("job", job_of(desk, coverage=[0.1] * 4))
    assert desk.request("coverage", unit="u1", coverage=STATED)["accepted"]
    desk.receive("job", job_of(desk, coverage=[0.1] * 4))
    assert coverage(desk) == tuple(STATED)
    desk.receive("job", job_of(desk, coverage=[0.2] * 4))
    assert coverage(desk) == (0.2,) * 4


def test_stated_coverage_is_enough_for_an_opening() -> None:
    """A job without coverage gets an opening once an operator has stated it."""
    desk = Desk().start()
    job = job_of(desk, phase="opening", coverage=None)
    desk.receive("job", {**job, "units": job["units"][:1]})
    desk.count(0, printing=False)
    desk.positions()
    assert "states coverage" in desk.request("opening")["errors"][0]["expected"]
    assert desk.request("coverage", unit="u1", coverage=STATED)["accepted"]
    answer = desk.request("opening")
    assert answer["accepted"], answer["errors"]
    assert desk.told("proposal/u1")[-1]["origin"] == "opening"
    assert desk.told("proposal/u2") == []


@pytest.mark.parametrize(
    ("members", "field", "expected"),
    [
        ({"unit": "u9", "coverage": 0.3}, "unit", "a unit of the job"),
        ({"unit": "u1", "coverage": [0.1, 0.2]}, "coverage", "one value or 4, one a zone"),
        ({"unit": "u1", "coverage": 1.1}, "coverage", "at most 1; or a list"),
        ({"unit": "u1", "coverage": [0.1, -0.1, 0.1, 0.1]}, "coverage.1", "at least 0"),
        ({"unit": "u1"}, "", "coverage with kind coverage"),
    ],
)
def test_coverage_that_is_refused(members: dict[str, Any], field: str, expected: str) -> None:
    """A coverage that cannot be is refused with field, value and what was expected; nothing changes."""
    desk = ready_desk()
    before = desk.state.units
    answer = desk.request("coverage", **members)
    assert not answer["accepted"]
    assert (field, expected) in [(row["field"], row["expected"]) for row in answer["errors"]]
    assert desk.state.units == before
