"""A shop in which anything happens at any time: messages, decisions, faults, restarts. What the core promises holds."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from inksteward.approval import State as Life
from inksteward.bench.configuration import job
from inksteward.events import (
    CommandEnded,
    CommandRefused,
    CommandReleased,
    Ended,
    Event,
    LinkChanged,
    Move,
    Ticked,
)
from inksteward.steward.codec import decode, encode, state_digest
from inksteward.steward.state import State
from tests.steward.samples import decision_on, proposed_desk, request_of
from tests.steward.troubles import KINDS, Troubles

BLACK = ([1.85, 1.85, 1.6, 1.6], [1.6, 1.6, 1.6, 1.6], [1.35, 1.4, 1.6, 1.5], [1.2, 1.2, 1.2, 1.2])
DENSITIES = (0.05, 0.9, 1.3, 1.5, 1.6, 1.7, 1.85, 1.99)
picks = st.integers(0, 1_000_000)
rows = st.one_of(st.sampled_from(BLACK), st.lists(st.sampled_from(DENSITIES), min_size=4, max_size=4))


class Shop(Troubles, RuleBasedStateMachine):
    """The desk of the tests and everything that can come to it."""

    def __init__(self) -> None:
        super().__init__()
        self.desk, _ = proposed_desk()
        self.run_id = "run-1"
        self.lives = 1
        self.numbers = 0
        self.approved: list[str] = []

    def number(self, kind: str) -> str:
        """An id that was not there yet."""
        self.numbers += 1
        return f"{kind}-{self.numbers}"

    def made(self) -> list[dict[str, Any]]:
        """Every proposal that was published, in order."""
        return [data for topic, data in self.desk.sent if topic.startswith("proposal/") and data]

    def stand(self) -> list[dict[str, Any]]:
        """Proposals that have not ended."""
        return [unit.standing.payload for unit in self.desk.state.units.values() if unit.standing]

    # --- the press and its instrument

    @rule(tens=st.integers(1, 12))
    def prints(self, tens: int) -> None:
        """Ten sheets in four seconds, again and again."""
        for _ in range(tens):
            self.desk.now_ms += 4_000
            self.desk.sheet += 10
            self.speak()
            self.desk.send(Ticked({}))

    @rule(black=rows, cyan=st.sampled_from([1.1, 1.4, 1.55]), without=st.sampled_from([(), (), (2,), (1, 2)]))
    def scans(self, black: list[float], cyan: float, without: tuple[int, ...]) -> None:
        how = {"run_id": self.run_id, "sheet": self.desk.sheet}
        data = self.desk.scan_data({"K": list(black), "C": cyan}, self.number("s"), **how)
        gone = {f"{32.5 * (zone - 0.7):.2f}" for zone in without}
        data["patches"] = [row for row in data["patches"] if f"{row['x_mm']:.2f}" not in gone]
        self.desk.receive("scan", data)

    # --- people

    def _send(self, proposal: dict[str, Any], retained: bool = False, **changes: Any) -> None:
        self.desk.receive("decision", decision_on(proposal, self.number("d"), **changes), retained=retained)
        if self.desk.answer()["accepted"] and changes.get("verdict") != "reject":
            assert proposal["proposal_id"] not in self.approved, "approved twice"
            self.approved.append(proposal["proposal_id"])

    @precondition(lambda self: self.stand())
    @rule(pick=picks)
    def approves(self, pick: int) -> None:
        stand = self.stand()
        self._send(stand[pick % len(stand)])

    @rule(which=picks, edit=picks)
    def decides(self, which: int, edit: int) -> None:
        made = self.made()
        proposal = made[-1 - min(which % 4, len(made) - 1)]
        moves = proposal["moves"]
        changes: dict[str, Any] = {"verdict": "reject"} if edit % 6 == 0 else {}
        if edit % 3 == 1 and moves:
            row = moves[edit % len(moves)]
            changes["change"] = [{"zone": row["zone"], "to_pct": round((row["to_pct"] + edit % 100) / 2, 3)}]
        if edit % 5 == 1 and len(moves) > 1:
            changes |= {"leave": [moves[0]["zone"]], "change": []}
        if edit % 7 == 1:
            changes["leave_sweep"] = True
        if edit % 11 == 1:
            changes["digest"] = "sha256:" + "0" * 64
        self._send(proposal, edit % 13 == 1, **changes)

    @rule(pick=picks, aim=st.sampled_from([1.3, 1.5, 1.6, 1.85]))
    def asks(self, pick: int, aim: float) -> None:
        run, alarms = self.desk.state.run, self.desk.state.alarms
        scan = run.kept[-1].scan_id if run is not None and run.kept else "s-none"
        asked: list[tuple[str, dict[str, Any]]] = [
            ("hold", {}),
            ("opening", {"unit": "u1"} if pick % 2 else {}),
            ("aims", {"unit": "u1", "aim": aim}),
            ("reading", {"unit": "u1", "zone": 1 + pick % 4, "density": aim}),
            ("event", {"what": "wash", "unit": "u1"}),
            ("event", {"what": "paper"}),
            ("ok_sheet", {"scan_id": scan, "per_zone": pick % 3 == 0}),
            ("recall", {"job_id": "harbour-calendar"}),
            ("acknowledge", {"code": alarms[pick % len(alarms)].code.value if alarms else "move_failed"}),
        ]
        kind, members = asked[pick % len(asked)]
        self.desk.receive("request", request_of(kind, self.number("r"), **members))

    @rule()
    def all_is_well_again(self) -> None:
        for link in ("broker", "keys", "strip"):
            self.desk.send(LinkChanged(link, True))
        self.desk.receive("job", job(self.desk.scenario, self.run_id))
        self.speak()
        for code in ("move_failed", "fate_unknown"):
            self.desk.receive("request", request_of("acknowledge", self.number("r"), code=code))
        self.desk.receive("request", request_of("release", self.number("r")))

    # --- guard and key bank

    @precondition(lambda self: self.desk.moves)
    @rule(which=st.integers(0, 2), what=st.integers(0, 4))
    def news_of_a_command(self, which: int, what: int) -> None:
        command = self.desk.moves[-1 - min(which, len(self.desk.moves) - 1)]
        number, unit = command["command_id"], command["unit"]
        refusal = {"rule": "min_gap", "zone": 1, "limit": 10.0, "value": 9.0, "text": "too near"}
        news: list[Event] = [
            CommandReleased(number, unit),
            CommandRefused(number, unit, (refusal,)),
            CommandEnded(number, unit, Ended.DONE),
            CommandEnded(number, unit, Ended.NOT_SENT, "cable"),
            CommandEnded(number, unit, Ended.FATE_UNKNOWN, "cable"),
        ]
        self.desk.send(news[what])

    @precondition(lambda self: self.desk.moves)
    @rule(
        off_pct=st.sampled_from([0.0, 0.0, 0.0, 0.4, 2.0]),
        refused=st.sampled_from([None, None, None, "locked"]),
    )
    def carries_out(self, off_pct: float, refused: str | None) -> None:
        self.desk.carry_out(off_pct=off_pct, refused=refused)

    # --- everything else

    @rule(kind=st.sampled_from(KINDS), pick=picks)
    def something_happens(self, kind: Any, pick: int) -> None:
        kind(self, pick)

    # --- what is promised

    @invariant()
    def every_proposal_ends_exactly_once(self) -> None:
        made = [proposal["proposal_id"] for proposal in self.made()]
        ended = Counter(outcome["proposal_id"] for outcome in self.desk.outcomes())
        stand = {proposal["proposal_id"] for proposal in self.stand()}
        assert len(set(made)) == len(made)
        assert set(ended.values()) <= {1}
        assert set(made) == set(ended) | stand
        assert not set(ended) & stand

    @invariant()
    def nothing_moves_without_a_decision(self) -> None:
        commands = [effect.command for effect in self.desk.effects if isinstance(effect, Move)]
        assert commands == self.desk.moves
        assert [command["proposal_id"] for command in commands] == self.approved
        assert len({command["command_id"] for command in commands}) == len(commands)
        offered = {proposal["proposal_id"]: proposal for proposal in self.made()}
        for command in commands:
            zones = {row["zone"] for row in offered[command["proposal_id"]]["moves"]}
            assert {row["zone"] for row in command["targets"]} <= zones

    @invariant()
    def what_is_retained_is_what_stands(self) -> None:
        for name, unit in self.desk.state.units.items():
            told = self.desk.told(f"proposal/{name}")
            last = told[-1] if told else None
            assert last == (unit.standing.payload if unit.standing else None)
            decided = unit.standing is not None and unit.standing.life is not Life.STANDING
            assert (unit.pending is not None) is decided

    @invariant()
    def on_hold_nothing_can_be_approved(self) -> None:
        lives = [unit.standing.life for unit in self.desk.state.units.values() if unit.standing]
        assert not self.desk.state.holding or Life.STANDING not in lives

    def teardown(self) -> None:
        """Whatever happened, the state can be stored and comes back the same."""
        state = self.desk.state
        again = replace(decode(State, encode(state)), config=state.config)
        assert state_digest(again) == state_digest(state)
