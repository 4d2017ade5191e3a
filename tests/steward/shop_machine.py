"""The shop as a state machine: hypothesis chooses what happens, and finds the shortest life that breaks a promise."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from tests.steward.gap_promise import GapPromise
from tests.steward.shop import BLACK, Shop
from tests.steward.shop_lives import KINDS_OF_DESK, desk_of
from tests.steward.troubles import KINDS

DENSITIES = (0.05, 0.9, 1.3, 1.5, 1.6, 1.7, 1.85, 1.99)
OFF = (0.0, 0.0, 0.0, 0.4, 2.0)
picks = st.integers(0, 1_000_000)
rows = st.one_of(st.sampled_from(BLACK), st.lists(st.sampled_from(DENSITIES), min_size=4, max_size=4))
offered = precondition(lambda machine: machine.made())
standing = precondition(lambda machine: machine.stand())
ordered = precondition(lambda machine: machine.desk.moves)


class Machine(Shop, RuleBasedStateMachine):
    """Every action of the shop as a rule, every promise as an invariant."""

    def __init__(self) -> None:
        RuleBasedStateMachine.__init__(self)
        Shop.__init__(self, desk_of(KINDS_OF_DESK[0]))

    @initialize(kind=st.sampled_from(KINDS_OF_DESK))
    def opens(self, kind: str) -> None:
        """One of the desks, with somebody who watches the gaps."""
        Shop.__init__(self, desk_of(kind))
        GapPromise(self.desk)

    prints = rule(tens=st.integers(1, 12))(Shop.prints)
    scans = rule(
        black=rows, cyan=st.sampled_from([1.1, 1.4, 1.55]), without=st.sampled_from([(), (), (2,), (1, 2)])
    )(Shop.scans)
    approves = standing(rule(pick=picks)(Shop.approves))
    decides = offered(rule(which=picks, edit=picks)(Shop.decides))
    closes = standing(rule(pick=picks, to_pct=st.sampled_from([2.0, 12.0, 20.0, 26.0]))(Shop.closes))
    asks = rule(pick=picks, aim=st.sampled_from([1.3, 1.5, 1.6, 1.85]))(Shop.asks)
    all_is_well_again = rule()(Shop.all_is_well_again)
    news_of_a_command = ordered(rule(which=st.integers(0, 2), what=st.integers(0, 4))(Shop.news_of_a_command))
    carries_out = ordered(
        rule(off_pct=st.sampled_from(OFF), refused=st.sampled_from([None, None, None, "locked"]))(
            Shop.carries_out
        )
    )

    @rule(kind=st.sampled_from(KINDS), pick=picks)
    def something_happens(self, kind: Any, pick: int) -> None:
        kind(self, pick)

    @invariant()
    def what_is_promised_holds(self) -> None:
        self.promises()

    def teardown(self) -> None:
        """Whatever happened, the state can be stored and comes back the same."""
        self.comes_back()
