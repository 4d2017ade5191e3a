"""Input is at-least-once: the same id a second time changes nothing."""

from __future__ import annotations

import pytest

from tests.steward.desk import TOO_DARK
from tests.steward.samples import decision_on, job_of, kept, proposed_desk, ready_desk, refused, request_of

RIGHT: dict[str, float | list[float]] = {"K": 1.6, "C": 1.4}


@pytest.mark.parametrize("topic", ["scan", "decision", "request"])
def test_the_same_id_twice_changes_nothing_the_second_time(topic: str) -> None:
    """What comes a second time is answered the same way again and changes nothing, whatever it says now."""
    desk, proposal = proposed_desk()
    first = {
        "scan": desk.scan_data(TOO_DARK, "s-1"),
        "decision": decision_on(proposal, "d-1"),
        "request": request_of("hold", "r-1"),
    }[topic]
    second = {
        "scan": desk.scan_data({"K": 0.9, "C": 0.9}, "s-1"),
        "decision": decision_on(proposal, "d-1", verdict="reject"),
        "request": request_of("release", "r-1"),
    }[topic]
    desk.receive(topic, first)
    answer, before, moves = desk.answer(), kept(desk), len(desk.moves)
    for again in (first, second):
        sent = len(desk.sent)
        desk.receive(topic, again)
        assert desk.sent[sent:] == [("answer", answer)]
        assert kept(desk) == before
        assert len(desk.moves) == moves


@pytest.mark.parametrize("topic", ["scan", "decision", "request"])
def test_a_refused_id_stays_refused(topic: str) -> None:
    """An id that was refused is answered the same way again: whoever means something new takes a new id."""
    desk, proposal = proposed_desk()
    wrong = {
        "scan": desk.scan_data(RIGHT, "s-1", run_id="run-9"),
        "decision": decision_on(proposal, "d-1", digest="sha256:" + "0" * 64),
        "request": request_of("aims", "r-1", unit="u9", aim=1.5),
    }[topic]
    right = {
        "scan": desk.scan_data(RIGHT, "s-1"),
        "decision": decision_on(proposal, "d-1"),
        "request": request_of("hold", "r-1"),
    }[topic]
    answer = refused(desk, topic, wrong)
    assert refused(desk, topic, right) == answer


def test_the_same_job_twice_changes_nothing_the_second_time() -> None:
    """A job that comes again as it was, as a retained one does, leaves what stands."""
    desk, _ = proposed_desk()
    before = kept(desk)
    desk.receive("job", job_of(desk), retained=True)
    assert desk.answer()["accepted"]
    assert kept(desk) == before
    assert desk.outcomes() == []


def test_ids_of_different_kinds_do_not_meet() -> None:
    """A request may have the id that a scan had."""
    desk = ready_desk()
    desk.scan(RIGHT, "same")
    desk.receive("request", request_of("hold", "same"))
    assert desk.state.holding


def test_answers_of_long_ago_are_forgotten() -> None:
    """The last 2,000 answers of each kind are kept, no more: the state cannot grow without end, and a flood of one
    kind does not push out the answers to another."""
    desk = ready_desk()
    for number in range(2001):
        desk.receive("request", request_of("release", f"r-{number}"))
    assert sum(name.startswith("request:") for name in desk.state.answers) == 2000
    assert "job:harbour-calendar" in desk.state.answers
    assert "request:r-0" not in desk.state.answers
    assert "request:r-2000" in desk.state.answers
