"""A shop in which anything happens at any time: messages, decisions, faults, restarts. What the core promises holds."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

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
from tests.steward.desk import Desk
from tests.steward.samples import decision_on, proposed_desk, request_of
from tests.steward.troubles import Troubles

BLACK = ([1.85, 1.85, 1.6, 1.6], [1.6, 1.6, 1.6, 1.6], [1.35, 1.4, 1.6, 1.5], [1.2, 1.2, 1.2, 1.2])


class Shop(Troubles):
    """The desk of the tests and everything that can come to it; shop_machine.py and shop_lives.py say when."""

    def __init__(self, desk: Desk | None = None) -> None:
        self.desk = desk or proposed_desk()[0]
        self.run_id = "run-1"
        self.lives = 1
        self.numbers = 0
        self.approved: list[str] = []
        self.commands: list[dict[str, Any]] = []
        self._made: dict[str, dict[str, Any]] = {}
        self._ended: set[str] = set()
        self._shown: dict[str, dict[str, Any] | None] = {}
        self._heard = self._seen = 0

    def number(self, kind: str) -> str:
        """An id that was not there yet."""
        self.numbers += 1
        return f"{kind}-{self.numbers}"

    def made(self) -> list[dict[str, Any]]:
        """Every proposal that was published, in order."""
        self._listen()
        return list(self._made.values())

    def _listen(self) -> None:
        """To what was not heard yet; nothing is published twice, and nothing ends twice."""
        for topic, data in self.desk.sent[self._heard :]:
            if topic.startswith("proposal/"):
                self._shown[topic.removeprefix("proposal/")] = data
                if data:
                    assert data["proposal_id"] not in self._made, "published twice"
                    self._made[data["proposal_id"]] = data
            elif topic == "outcome":
                assert data["proposal_id"] not in self._ended, "ended twice"
                self._ended.add(data["proposal_id"])
        self.commands += [one.command for one in self.desk.effects[self._seen :] if isinstance(one, Move)]
        self._heard, self._seen = len(self.desk.sent), len(self.desk.effects)

    def stand(self) -> list[dict[str, Any]]:
        """Proposals that have not ended."""
        return [unit.standing.payload for unit in self.desk.state.units.values() if unit.standing]

    # --- the press and its instrument

    def prints(self, tens: int) -> None:
        """Ten sheets in four seconds, again and again."""
        for _ in range(tens):
            self.desk.now_ms += 4_000
            self.desk.sheet += 10
            self.speak()
            self.desk.send(Ticked({}))

    def scans(self, black: list[float], cyan: float, without: tuple[int, ...]) -> None:
        how = {"run_id": self.run_id, "sheet": self.desk.sheet}
        each = [black[zone % len(black)] for zone in range(self.desk.scenario.units[0].zones)]
        data = self.desk.scan_data({"K": each, "C": cyan}, self.number("s"), **how)
        gone = {f"{32.5 * (zone - 0.7):.2f}" for zone in without}
        data["patches"] = [row for row in data["patches"] if f"{row['x_mm']:.2f}" not in gone]
        self.desk.receive("scan", data)

    # --- people

    def _send(self, proposal: dict[str, Any], retained: bool = False, **changes: Any) -> None:
        self.desk.receive("decision", decision_on(proposal, self.number("d"), **changes), retained=retained)
        if self.desk.answer()["accepted"] and changes.get("verdict") != "reject":
            assert proposal["proposal_id"] not in self.approved, "approved twice"
            self.approved.append(proposal["proposal_id"])

    def approves(self, pick: int) -> None:
        stand = self.stand()
        self._send(stand[pick % len(stand)])

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

    def closes(self, pick: int, to_pct: float) -> None:
        """Approve a proposal with one of its targets brought down to where the limit may be."""
        stand = self.stand()
        proposal = stand[pick % len(stand)]
        if rows := proposal["moves"]:
            self._send(proposal, change=[{"zone": rows[pick // 7 % len(rows)]["zone"], "to_pct": to_pct}])

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

    def all_is_well_again(self) -> None:
        for link in ("broker", "keys", "strip"):
            self.desk.send(LinkChanged(link, True))
        self.desk.receive("job", job(self.desk.scenario, self.run_id))
        self.speak()
        for code in ("move_failed", "fate_unknown"):
            self.desk.receive("request", request_of("acknowledge", self.number("r"), code=code))
        self.desk.receive("request", request_of("release", self.number("r")))

    # --- guard and key bank

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

    def carries_out(self, off_pct: float, refused: str | None) -> None:
        self.desk.carry_out(off_pct=off_pct, refused=refused)

    # --- what is promised

    def promises(self) -> None:
        """All of them; what no released command may do to the gap is judged as it is released, by gap_promise.py."""
        self._listen()
        self.every_proposal_ends_exactly_once()
        self.nothing_moves_without_a_decision()
        self.what_is_retained_is_what_stands()
        self.on_hold_nothing_can_be_approved()

    def every_proposal_ends_exactly_once(self) -> None:
        stand = {proposal["proposal_id"] for proposal in self.stand()}
        assert set(self._made) == self._ended | stand
        assert not self._ended & stand

    def nothing_moves_without_a_decision(self) -> None:
        assert [command["proposal_id"] for command in self.commands] == self.approved
        assert len({command["command_id"] for command in self.commands}) == len(self.commands)
        for command in self.commands:
            zones = {row["zone"] for row in self._made[command["proposal_id"]]["moves"]}
            assert {row["zone"] for row in command["targets"]} <= zones

    def what_is_retained_is_what_stands(self) -> None:
        for name, unit in self.desk.state.units.items():
            assert (self._shown.get(name) or None) == (unit.standing.payload if unit.standing else None)
            decided = unit.standing is not None and unit.standing.life is not Life.STANDING
            assert (unit.pending is not None) is decided

    def on_hold_nothing_can_be_approved(self) -> None:
        lives = [unit.standing.life for unit in self.desk.state.units.values() if unit.standing]
        assert not self.desk.state.holding or Life.STANDING not in lives

    def comes_back(self) -> None:
        """Whatever happened, the state can be stored and comes back the same."""
        state = self.desk.state
        again = replace(decode(State, encode(state)), config=state.config)
        assert state_digest(again) == state_digest(state)
