"""The arithmetic and the words of a debrief, on a run that was recorded and can be counted by hand."""

from pathlib import Path
from typing import Any

import pytest

from inksteward.train.again import scan_delay
from inksteward.train.debrief import CAUTIONS, debrief
from inksteward.train.fates import afterwards, decided, fates, said_of, sheets_to_decide
from inksteward.train.figures import Figures, figures, out_again, right_from, waste
from inksteward.train.record import Row, Run, Sample, load, save
from inksteward.train.signs import SIGNS
from inksteward.train.story import stories
from inksteward_simulators.fault_plan import NEEDS
from tests.train.recorded import BESIDE, INKS, LESSON, RUN, SAMPLES, STRIP, decision, reading


@pytest.mark.parametrize(
    ("units", "found"),
    [
        (["u1"], Figures(waste=80, right=60, again=179, moves=2, travel_pct=6.1, sweeps=1)),
        (["u2"], Figures(waste=100, right=100, again=None, moves=0, travel_pct=0.0, sweeps=0)),
        (["u1", "u2"], Figures(waste=120, right=100, again=179, moves=2, travel_pct=6.1, sweeps=1)),
    ],
)
def test_figures_are_those_counted_by_hand(units: list[str], found: Figures) -> None:
    """Waste: 0 to 59 and 160 to 179 of K, 0 to 99 of C; travel by the read-back, by the target where there is none; a
    key that stayed was not moved."""
    assert figures(RUN, units, 60) == found
    assert RUN.printed == 200


@pytest.mark.parametrize(("stay", "right"), [(100, 60), (101, None)])
def test_right_is_right_for_so_many_sheets(stay: int, right: int | None) -> None:
    """K is right from sheet 60 to 159: 100 sheets, and not one more."""
    assert right_from(SAMPLES, ["u1"], stay) == right


def test_nothing_printed_is_no_waste() -> None:
    """A run without a sample has printed nothing, and a right ink goes out again at the next sheet that is out."""
    assert waste((), ["u1"]) == 0
    assert Run((), ()).printed == 0
    assert out_again(SAMPLES, ["u1"], 178) == 179
    assert out_again(SAMPLES, ["u1"], 179) is None


def test_each_proposal_has_its_fate() -> None:
    """Approved, left out, rejected, too late and still standing are told apart, with sheets and results."""
    found = [(f.did, f.ended, f.shown, f.decided, f.late, f.followed) for f in fates(RUN)]
    assert found == [
        ("approved", "moved", 50, 55, False, True),
        ("approved without zone 1 (cleaned a moment ago)", "failed (move failed)", 50, 58, False, False),
        ("rejected (that patch is dirty)", "rejected", 110, 112, False, False),
        ("too late: approved", "lapsed (expired)", 130, 152, True, False),
        ("nobody answered", "", 190, None, False, False),
    ]
    assert sheets_to_decide(fates(RUN)) == 5.0
    assert sheets_to_decide([]) is None


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"leave": [3, 9]}, "approved without zone 3, 9"),
        ({"leave_sweep": True, "leave": [3]}, "approved without zone 3, without the sweep"),
        ({"change": [{"zone": 7, "to_pct": 44.0}]}, "approved zone 7 to 44.0 %"),
        ({"verdict": "reject"}, "rejected"),
    ],
)
def test_a_decision_in_words(changes: dict[str, Any], said: str) -> None:
    """What was left out and changed is named zone by zone."""
    assert decided(decision(1)[1] | changes) == said


def test_a_proposal_and_what_came_after_it() -> None:
    """What it would have moved and why; zones out and the largest move's zone at its scan and two scans later."""
    first = fates(RUN)[0].proposal
    assert said_of(first) == (
        "sweep 20.0 to 22.0 %, 2 keys, most in zone 1: 20.0 to 25.0 % for 1.58 D at an aim of 1.60; "
        'it said: "more ink"'
    )
    assert afterwards(RUN, first) == "2 zones out then, 0 at sheet 120; zone 1 read 1.30 D, then 1.60 D"
    assert afterwards(RUN, fates(RUN)[4].proposal) == "no scan came after it"
    assert afterwards(RUN, first | {"scan_id": None}) == "no scan belongs to it"


def test_faults_are_told_with_who_spoke_and_who_acted() -> None:
    """An older alarm, another ink's patch and a fault whose sheet was not printed are not taken for this one."""
    found = [
        (
            s.fault.kind.value,
            s.spoke and (s.spoke.sheet, s.spoke.words, s.spoke.named),
            s.acted and s.acted.sheet,
        )
        for s in stories(RUN, LESSON.faults, STRIP, INKS)
    ]
    assert found == [
        ("stuck", (67, "alarm: zone 2 is not where it should be", True), 75),
        ("instrument_dirty", (130, "patch set aside: lies 5.0 standard deviations away", True), 152),
        ("feed", (130, "proposal for u1, by which it answers what it reads", False), 152),
        ("free", None, None),
        ("instrument_dead", None, None),
    ]


@pytest.mark.parametrize(
    ("kind", "changes", "words"),
    [
        (
            "instrument_reversed",
            {"notes": [{"code": "strip_reversed", "zones": [], "text": "turned"}]},
            "note: turned",
        ),
        (
            "instrument_filter",
            {"set_aside": [{"index": 3, "code": "wrong_filter", "text": "C"}]},
            "patch set aside: C",
        ),
        ("stop", {"notes": [{"code": "wait_then_pull", "zones": [], "text": "wait"}]}, "note: wait"),
        ("speed", {"notes": [{"code": "wait_then_pull", "zones": [], "text": "wait"}]}, None),
    ],
)
def test_a_reading_speaks_for_faults_of_the_press(
    kind: str, changes: dict[str, Any], words: str | None
) -> None:
    """Notes and patches set aside name faults that belong to no unit; a word for another kind of fault does not."""
    fault = LESSON.faults[0].model_copy(update={"kind": kind, "at_sheet": 100, "value": None})
    run = Run((Row(110, *reading(100, (1.6, 1.6), (1.6, 1.6), **changes)),), SAMPLES)
    story = stories(run, [fault], STRIP, INKS)[0]
    assert (story.spoke and story.spoke.words) == words


def test_a_zone_that_is_not_read_speaks_for_its_missing_patch() -> None:
    """A patch that the strip does not have shows as a zone without patches."""
    topic, data = reading(100, (1.6, 1.6), (1.6, 1.6))
    data["units"]["u2"] |= {"patches": [1, 0], "no_proposal": "not_a_key_fault"}
    run = Run((Row(110, topic, data),), SAMPLES)
    there = {"at_sheet": 60, "unit": "u2", "zone": 2}
    missing = LESSON.faults[0].model_copy(update={"kind": "instrument_missing", **there})
    water = LESSON.faults[0].model_copy(update={"kind": "water", **there})
    told = [story.spoke and story.spoke.words for story in stories(run, [missing, water], STRIP, INKS)]
    assert told == ["u2: zone 2 not read", "u2: no proposal, not a key fault"]


def test_every_kind_of_fault_has_its_signs() -> None:
    """A kind that the press can have is one that the debrief can tell of."""
    assert SIGNS.keys() == NEEDS.keys()


def test_the_debrief_says_all_of_it() -> None:
    """Summary, table, method, faults, proposals that were not followed, cautions, and the figures of both runs."""
    text = debrief(LESSON, RUN, BESIDE)
    for line in (
        "# Debrief: two units, seed 1, 1 press seconds in one",
        "200 sheets were printed, 120 of them with an ink out of tolerance. 5 proposals were shown, 1 of them approved "
        "as they were. A word came 5 sheets after the proposal (median). 2 key moves and 1 of the sweep were made, 6 % "
        "of key travel in all. Asked for: acknowledge at sheet 75.",
        "| u1 K | 80 / 30 | 60, out again at 179 / 30 | 2 / 1 | 6 / 4 |",
        "| u2 C | 100 / 30 | 100 / 30 | 0 / 0 | 0 / 0 |",
        "| any of them | 120 / 30 | 100, out again at 179 / 30 | 2 / 1 | 6 / 4 |",
        "- From sheet 60: stuck u2 zone 2. The service first spoke of it at sheet 67 (alarm: zone 2 is not where it "
        "should be). The person acted at sheet 75 (acknowledge move_failed).",
        "- From sheet 110 to 149: feed u1, -0.2. Nothing named it; the service first answered at sheet 130 (proposal "
        "for u1, by which it answers what it reads). The person acted at sheet 152 (u1: approved).",
        "- From sheet 150: free u2 zone 2. Of this nothing is to be said.",
        "- From sheet 170: instrument dead. The service had no word for it.",
        "- Sheet 130, u1 K: 1 key, most in zone 2: 31.0 to 33.0 % for 1.58 D at an aim of 1.60; it said: "
        '"more ink". Too late: approved at sheet 152; lapsed (expired). Afterwards: 0 zones out then, 0 at sheet 180; '
        "zone 2 read 1.60 D, then 1.60 D.",
        "1 more stood when the press stopped.",
        CAUTIONS,
    ):
        assert line in text
    assert "- Sheet 50, u1 K" not in text


def test_a_recorded_run_comes_back(tmp_path: Path) -> None:
    """What was saved is what is loaded, row by row; the delay is the median of what the readings took."""
    save(RUN, tmp_path / "seen.jsonl")
    assert load(tmp_path / "seen.jsonl") == RUN
    assert scan_delay(RUN) == 10
    assert scan_delay(Run((), (Sample(1, {"u1": 0}),))) == 25
