"""The scenario's people on the bench: the service and its rivals meet the same ones, and the yardstick counts right."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from inksteward.bench.configuration import approval_of, configuration
from inksteward.bench.controllers import run_one
from inksteward.bench.loop import Loop
from inksteward.bench.oracle import Oracle
from inksteward.bench.pace import Pace
from inksteward.bench.people import Desk
from inksteward.bench.rivals import Nobody, Order, Rival, RivalLoop
from inksteward.config import Approval, parse
from inksteward_simulators.operator_fate import People, Way
from inksteward_simulators.operator_form import Operator
from inksteward_simulators.scenario import load_scenario
from inksteward_simulators.scenario_forms import Scenario
from tests.bench.test_bench import small

SHEET = 64


def manned(zones: int = 6, **words: Any) -> Scenario:
    """A small press with this operator."""
    return small(zones).model_copy(update={"operator": Operator.model_validate(words)})


def desk_of(scenario: Scenario, seed: int = 1) -> Desk:
    """The desk of its operator; a proposal stands 50 sheets at least and 300 at most."""
    assert scenario.operator is not None
    return Desk(People(scenario, scenario.operator, seed, 20.0), Approval(), 9000.0)


class Eager(Nobody):
    """Wants every key half a point further open at every scan; remembers what it ordered."""

    def __init__(self) -> None:
        self.ordered: list[tuple[str, int]] = []

    def act(self, loop: RivalLoop) -> dict[str, Order]:
        orders = {}
        for unit in loop.units:
            now = loop.openings(unit.unit)
            self.ordered.append((unit.unit, loop.press.sheet))
            orders[unit.unit] = Order({zone: round(float(at) + 0.5, 1) for zone, at in enumerate(now, 1)})
        return orders


def rival_on(scenario: Scenario, rival: Rival, seed: int = 2) -> RivalLoop:
    units = parse(configuration(scenario), "bench").press.units
    return RivalLoop(scenario, units, rival, seed=seed, pace=Pace())


def test_both_loops_meet_the_same_person() -> None:
    """What is rejected for the service is rejected for a rival: the same units at the same scans, by the same draws."""
    scenario = manned(reject_share=0.4)
    ours = Loop(scenario, seed=2, pace=Pace())
    ours.run(600)
    outcomes = {row["proposal_id"]: row["result"] for row in ours.ledger.outcomes}
    decided = {
        (row["unit"], row["sheet"]): outcomes[row["proposal_id"]]
        for row in ours.ledger.proposals
        if outcomes.get(row["proposal_id"]) in ("moved", "rejected")
    }
    rival = Eager()
    loop = rival_on(scenario, rival)
    loop.run(600)
    assert loop.desk is not None
    refused = {key for key in rival.ordered if loop.desk.undone(*key) and key[1] < 500}
    fates = {key: loop.desk.people.fate(*key).way for key in rival.ordered}
    assert refused == {key for key, way in fates.items() if way is Way.REJECT and key[1] < 500}
    assert len(decided) > 6
    assert {decided[key] for key in decided} == {"moved", "rejected"}
    assert all((decided[key] == "rejected") == (fates[key] is Way.REJECT) for key in decided)


def test_moves_left_out_stay() -> None:
    """A partial approval moves some keys of a proposal and leaves at least one of it where it stood."""
    loop = Loop(manned(part_share=1.0, leave_share=0.5), seed=2, pace=Pace())
    loop.run(400)
    offered = {row["proposal_id"]: {move["zone"] for move in row["moves"]} for row in loop.ledger.proposals}
    parts = 0
    for outcome in loop.ledger.outcomes:
        moved, zones = {row["zone"] for row in outcome["moved"]}, offered[outcome["proposal_id"]]
        if outcome["result"] == "moved" and len(zones) > 1:
            assert moved < zones
            assert moved
            parts += 1
    assert parts > 3
    assert loop.press.contacts == []


def test_a_late_decision_moves_nothing() -> None:
    """A decision on what a later scan replaced is answered and moves no key; the proposal ended as replaced."""
    loop = Loop(manned(late_share=1.0, late_sheets=(120, 130)), seed=2, pace=Pace())
    loop.run(400)
    answered = [answer for answer in loop.ledger.answers if answer["topic"] == "decision"]
    assert any(not answer["accepted"] for answer in answered)
    assert "replaced" in {row["code"] for row in loop.ledger.outcomes}
    early = {row["proposal_id"] for row in loop.ledger.outcomes if row["code"] == "replaced"}
    assert early.isdisjoint(row["proposal_id"] for row in loop.ledger.outcomes if row["result"] == "moved")


def test_a_known_slow_operator_finds_the_proposal_still_there() -> None:
    """The owner of a press with a slow operator lets proposals stand longer, so that most of them are decided on."""
    scenario = manned(decision_s=50.0, decision_spread=0.1)
    approval = approval_of(scenario)
    assert (approval.expected_s, approval.min_standing_s, approval.expires_s) == (50.0, 75.0, 300.0)
    assert approval_of(small(6)) == Approval()
    loop = Loop(scenario, seed=2, pace=Pace())
    loop.run(700)
    results = [row["result"] for row in loop.ledger.outcomes]
    assert results.count("moved") >= 0.8 * len(results)
    assert len(results) >= 4


def test_a_rivals_orders_stand_as_the_services_proposals_do() -> None:
    """An order that was replaced undecided gives the next one twice the time; a decision ends that, and half as long
    again as decisions took is left from then on."""
    desk = desk_of(manned(decision_sheets=120.0, decision_spread=0.0))
    order = Order({1: 50.0})
    stood = []
    for scan, sheet in ((1, 0), (2, 50), (3, 100), (4, 150)):
        desk.come("u1", order, scan, sheet)
        stood.append([seen for seen in (1, 2, 3) if desk.undone("u1", seen)])
    assert stood == [[], [1], [1, 3], [1, 2, 3]]  # 2 stood for 100 sheets, so that 3 fell at once
    assert set(desk.decided(270)) == {"u1"}
    desk.come("u1", order, 5, 300)
    desk.come("u1", order, 6, 479)
    assert desk.undone("u1", 6)
    desk.come("u1", order, 7, 480)
    assert desk.undone("u1", 5)


def test_hands_are_met_by_all() -> None:
    """A key turned by hand stands further open by the points said, with nobody at the press but the hand; the service
    sees it in the read-back, proposes to bring it back, and does."""
    hand = [{"unit": "u2", "zone": 3, "by_pct": 9.0, "at_sheet": 400}]
    scenario = manned(hand=hand)
    alone = rival_on(scenario, Nobody())
    before = float(alone.openings("u2")[2])
    alone.run(395)
    assert float(alone.openings("u2")[2]) == before
    alone.run(30)
    assert float(alone.openings("u2")[2]) == pytest.approx(before + 9.0, abs=0.051)
    loop = Loop(scenario, seed=2, pace=Pace())
    loop.run(400)
    at_pct = float(loop.press.unit("u2").keys.opening_pct()[2])
    loop.run(20)
    assert float(loop.press.unit("u2").keys.opening_pct()[2]) > at_pct + 7.0
    loop.run(400)
    assert loop.out() == 0.0
    moved = [row for row in loop.ledger.outcomes if row["unit"] == "u2" and row["result"] == "moved"]
    assert any(
        key["zone"] == 3 and key["to_pct"] < key["from_pct"] - 3.0 for row in moved for key in row["moved"]
    )


@pytest.mark.parametrize(
    ("second", "stands"), [(SHEET + 49, SHEET), (SHEET + 50, SHEET + 50)], ids=["young", "old enough"]
)
def test_a_young_order_is_not_replaced(second: int, stands: int) -> None:
    """As with the service's proposals: for 50 sheets an order stands, then a later one takes its place."""
    desk = desk_of(manned(decision_sheets=100.0, decision_spread=0.0))
    for scan in (SHEET, second):
        desk.come("u1", Order({1: float(scan)}), scan, scan)
    fallen = second if stands == SHEET else SHEET
    assert desk.undone("u1", fallen) == {1}
    assert desk.undone("u1", stands) == frozenset()
    assert desk.decided(stands + 99) == {}
    assert desk.decided(stands + 100) == {"u1": ({1: float(stands)}, None)}


def test_an_order_lapses() -> None:
    """An order falls when nothing is wanted any more, when a hand was at its key, and after 300 sheets."""
    for end in ("nothing", "hand", "old"):
        desk = desk_of(manned(decision_sheets=400.0, decision_spread=0.0))
        desk.come("u1", Order({1: 40.0, 2: 41.0}), SHEET, SHEET)
        desk.lapse("u1", (5,))
        assert desk.undone("u1", SHEET) == frozenset()
        if end == "nothing":
            desk.come("u1", Order({}), SHEET + 60, SHEET + 60)
        elif end == "hand":
            desk.lapse("u1", (2,))
        assert desk.decided(SHEET + (301 if end == "old" else 400)) == {}
        assert desk.undone("u1", SHEET) == {1, 2}


def test_the_yardstick_does_not_pay_for_what_was_refused() -> None:
    """The oracle has its whole travel left when everything it wanted was rejected, and knows when a decision comes."""
    rejecting = rival_on(manned(4, reject_share=1.0, decision_sheets=30.0, decision_spread=0.0), Oracle())
    rejecting.run(300)
    oracle = rejecting.rival
    assert isinstance(oracle, Oracle)
    unit = rejecting.units[0]
    keys, mean = oracle._room(rejecting, unit)
    limits = unit.limits_makeready
    assert keys == pytest.approx(np.full(unit.zones, limits.accumulated_key_pct - 0.2))
    assert mean == pytest.approx(limits.accumulated_unit_pct - 0.2)
    assert rejecting.tally.moves == 0
    assert rejecting.wait(unit.unit) == Pace().scan_delay + 30


def test_the_oracle_is_best_beside_people_too() -> None:
    """With two in five rejected the oracle is right before the service's law, and both get there."""
    found = {name: run_one(manned(8, reject_share=0.4), name, 3, 900, Pace()) for name in ("oracle", "ours")}
    best, ours = found["oracle"], found["ours"]
    assert best.sheets is not None
    assert ours.sheets is not None
    assert best.sheets <= ours.sheets
    assert [(run.contacts, run.violations) for run in found.values()] == [(0, 0)] * 2


@pytest.mark.parametrize("name", ["strip-wider", "strip-narrower"])
def test_strips_of_another_pitch(name: str) -> None:
    """Where solids come wider or narrower apart than keys, patches are placed by their x: every zone is read or shares
    a patch, and all come into tolerance."""
    whole = load_scenario(name)
    scenario = small(12).model_copy(
        update={"job": small(12).job.model_copy(update={"strip_cycle_mm": whole.job.strip_cycle_mm})}
    )
    loop = Loop(scenario, seed=3)
    loop.run(700)
    assert all(min(unit["patches"]) >= 1 for unit in loop.ledger.readings[-1]["units"].values())
    assert loop.out() == 0.0
    assert loop.press.contacts == []
