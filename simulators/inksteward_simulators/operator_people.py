"""The people of a scenario as the operator's process: they decide by its ``[operator]``, and turn keys at the press."""

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

from inksteward_simulators.link import BenchLink
from inksteward_simulators.link_messages import HandMoveRequest
from inksteward_simulators.operator_deck import Card, Choice
from inksteward_simulators.operator_fate import Fate, People, Way, turned
from inksteward_simulators.operator_judges import DeckJudge
from inksteward_simulators.scenario import load_scenario

LOOK_S = 0.2
"""How often somebody looks whether it is time to turn a key."""
REJECTED, LEFT_OUT = "not now", "this key stays as it is"

Said = Callable[..., None]


class PeopleJudge:
    """Decides as the scenario's operator would, ``sheet_s`` seconds being the time of one sheet on the wall's clock."""

    def __init__(self, people: People, sheet_s: float) -> None:
        self.people, self._sheet_s = people, sheet_s
        self._late: set[str] = set()

    def insists(self, proposal_id: str) -> bool:
        """Whether the decision is sent although the proposal has ended meanwhile."""
        return proposal_id in self._late

    async def choice(self, proposal: dict[str, Any]) -> Choice:
        """Take the time that it takes, then choose. Raises ValueError for a unit that the scenario does not have."""
        fate = self.people.fate(proposal["unit"], proposal["sheet"])
        if fate.way is Way.LATE:
            self._late.add(proposal["proposal_id"])
        await asyncio.sleep(fate.sheets * self._sheet_s)
        return _choice(fate, proposal)

    async def again(self, proposal: dict[str, Any], errors: list[Any]) -> Choice | None:
        """Approve plainly what was refused with moves left out; a proposal that is gone is gone."""
        return None if self.insists(proposal["proposal_id"]) else Choice(Card.APPROVE)


def _choice(fate: Fate, proposal: dict[str, Any]) -> Choice:
    if fate.way is Way.REJECT:
        return Choice(Card.REJECT, reason=REJECTED)
    leave = fate.left_out([move["zone"] for move in proposal["moves"]])
    return Choice(Card.LEAVE, leave=leave, reason=LEFT_OUT) if leave else Choice(Card.APPROVE)


def judge_of(scenario: str | None, seed: int, think_s: tuple[float, float]) -> DeckJudge | PeopleJudge:
    """Whoever decides in this scenario (name or file); a deck where it names no operator, or none is given.

    ``think_s``: bounds of a decision's time on the wall's clock, for a scenario that does not say how long they take.
    Raises ScenarioError.
    """
    form = None if scenario is None else load_scenario(scenario)
    if form is None or form.operator is None:
        return DeckJudge(seed, think_s)
    sheet_s = 3600.0 / (form.speed_sph * (form.time_factor or 1.0))
    return PeopleJudge(People(form, form.operator, seed, sum(think_s) / 2.0 / sheet_s), sheet_s)


def hands_of(judge: object, link: tuple[str, int] | None, say: Said) -> list[Coroutine[Any, Any, None]]:
    """What turns keys at the press, to be run beside the seat. Raises ValueError where there is no way to the press."""
    if not isinstance(judge, PeopleJudge) or not judge.people.operator.hand:
        return []
    if link is None:
        press = judge.people.scenario.press
        raise ValueError(f"--link = None: expected the bench link, {press} has keys turned by hand")
    return [turn_keys(judge.people, *link, say)]


async def turn_keys(people: People, host: str, port: int, say: Said) -> None:
    """Turn keys at the press panel when the scenario says so, for ever. Raises OSError when the press is gone."""
    async with await BenchLink.connect(port, host) as link:
        run_id, sheet = "", -1
        while True:
            state = await link.state()
            if state.run_id != run_id:
                run_id, sheet = state.run_id, -1
            for unit, rows in people.hands(sheet, state.sheet).items():
                at_pct = (await link.positions(unit)).opening_pct
                for zone, by_pct in rows.items():
                    to_pct = turned(at_pct[zone - 1], by_pct)
                    await link.hand_move(HandMoveRequest(unit=unit, zone=zone, to_pct=to_pct))
                    say("hand_move", unit=unit, zone=zone, to_pct=to_pct, sheet=state.sheet)
            sheet = state.sheet
            await asyncio.sleep(LOOK_S)
