"""The operator side: takes proposals, decides them one way or another, and looks at what follows."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import Any

from tests.outside.rig_decide import (
    BLUNDERS,
    blunder,
    change_one,
    close_one,
    decision_for,
    expected_targets,
    leave_one,
    leave_sweep,
)
from tests.outside.rig_json import Json
from tests.outside.rig_ledger import Decided, Heard, Ledger
from tests.outside.rig_sign import Signer
from tests.outside.rig_wire import Missing, Wire

ANSWER_S, OUTCOME_S, QUIET_S, CLEARED_S = 5.0, 25.0, 1.0, 2.0
# Each is done once, in this order, as soon as a proposal allows it; only some proposals hold a sweep.
DECK = ("leave_sweep", "blunders", "leave_one", "change_one", "close_one", "twice", "reject", "lapse")
EDITS: dict[str, Callable[[Json], Json | None]] = {
    "leave_one": leave_one,
    "change_one": change_one,
    "close_one": close_one,
    "leave_sweep": leave_sweep,
}


class Desk:
    """One operator with or without a signing key."""

    def __init__(
        self, wire: Wire, ledger: Ledger, operator: str, signer: Signer | None, think_s: float
    ) -> None:
        self.wire, self.ledger = wire, ledger
        self.operator, self.signer, self.think_s = operator, signer, think_s
        self.deck = list(DECK)
        self.left_to_lapse: set[str] = set()
        self.handled: set[str] = set()

    def sealed(self, body: Json) -> Json:
        """Signed, or as it is where no signatures are asked for."""
        return body if self.signer is None else self.signer.seal(body)

    def next_act(self, proposal: Json) -> str:
        """The next special act this proposal allows, else a plain approval."""
        for act in self.deck:
            if act in EDITS and EDITS[act](proposal) is None:
                continue
            self.deck.remove(act)
            return act
        return "approve"

    async def handle(self, proposal: Json) -> None:
        """Decide one standing proposal."""
        self.handled.add(proposal["proposal_id"])
        act = self.next_act(proposal)
        await asyncio.sleep(self.think_s)
        self.ledger.tell(f"{act} {proposal['unit']} {proposal['proposal_id']}")
        if act == "lapse":
            self.left_to_lapse.add(proposal["proposal_id"])
        elif act == "reject":
            await self._reject(proposal)
        elif act == "blunders":
            await self._blunders(proposal)
        elif act == "close_one":
            await self._close_one(proposal)
        else:
            edits = EDITS[act](proposal) if act in EDITS else None
            await self.approve(proposal, act, edits or {}, copies=2 if act == "twice" else 1)

    async def send(self, topic: str, body: Json, name: str) -> Heard | None:
        """Publish what carries an id and wait for its answer; None (and a broken promise) when none comes."""
        sent_id = str(body[name])
        before = len(self.ledger.answers_to(sent_id, topic))
        self.ledger.sent_with_id.append((topic, sent_id))
        await self.wire.send(topic, body)
        try:
            await self.wire.until(
                lambda: len(self.ledger.answers_to(sent_id, topic)) > before,
                ANSWER_S,
                f"answer to {topic} {sent_id}",
            )
        except Missing as missing:
            self.ledger.say("every_id_answered", False, str(missing))
            return None
        self.ledger.say("every_id_answered", True)
        return self.ledger.answers_to(sent_id, topic)[-1]

    async def decide(self, proposal: Json, decision: Json, act: str, *, sound: bool) -> Heard | None:
        """Send one decision and wait for its answer."""
        decided = Decided(decision, proposal, act, sound, time.monotonic())
        self.ledger.decided[decision["decision_id"]] = decided
        return await self.send("decision", decision, "decision_id")

    async def ask(self, body: Json) -> Heard | None:
        """Send one request and wait for its answer."""
        return await self.send("request", self.sealed(body), "request_id")

    def _accepted(self, answer: Heard | None, what: str) -> bool:
        if answer is None:
            return False
        payload = answer.payload
        good = payload["accepted"] is True and payload["errors"] == []
        words = f"{what}: accepted {payload['accepted']}, errors {payload['errors']!r:.300}"
        return self.ledger.say("sound_input_accepted", good, words)

    async def approve(self, proposal: Json, act: str, edits: dict[str, Any], copies: int = 1) -> None:
        """Approve with edits, see the outcome, and compare it with the keys; `copies` also repeats it."""
        decision = self.sealed(decision_for(proposal, self.operator, **edits))
        answer = await self.decide(proposal, decision, act, sound=True)
        for _ in range(copies - 1):
            await self.wire.send("decision", decision)
        if not self._accepted(answer, f"decision {act} {decision['decision_id']}"):
            return
        outcome = await self._outcome(proposal)
        if outcome is None:
            return
        result = outcome["result"]
        words = f"{proposal['unit']} {act}: {result} {outcome['code'] or ''} {outcome['refusals']!r:.200}"
        moved = self.ledger.say("approved_is_moved", result == "moved", words)
        if moved:
            self._compare_moved(proposal, decision, outcome)
            if act in EDITS:
                self.ledger.say(f"act_{act}", True, words)
        if copies > 1:
            await self._repeat(proposal, decision)

    def _compare_moved(self, proposal: Json, decision: Json, outcome: Json) -> None:
        targets, _ = expected_targets(proposal, decision)
        told = {item["zone"]: item["to_pct"] for item in outcome["moved"]}
        words = f"{proposal['unit']}: decided {targets}, outcome {told}"
        same = told.keys() == targets.keys() and all(abs(told[z] - targets[z]) < 1e-6 for z in told)
        self.ledger.say("outcome_tells_what_was_decided", same, words)
        far = [
            m
            for m in outcome["moved"]
            if m["read_back_pct"] is None or abs(m["read_back_pct"] - m["to_pct"]) > 0.1
        ]
        self.ledger.say("outcome_reads_back_our_keys", not far, f"{proposal['unit']}: {far}" if far else "")
        own = outcome["decision_id"] == decision["decision_id"] and outcome["operator"] == self.operator
        words = f"decision {outcome['decision_id']}, operator {outcome['operator']}, via {outcome['via']}"
        self.ledger.say("outcome_names_decision_and_operator", own and outcome["via"] == "mqtt", words)

    async def _repeat(self, proposal: Json, decision: Json) -> None:
        """The same decision once more after its end: answered, and nothing changes."""
        await self.send("decision", decision, "decision_id")
        await asyncio.sleep(QUIET_S)
        pid = proposal["proposal_id"]
        commands = {c.payload["command_id"] for c in self.ledger.commands_for(pid)}
        outcomes = len(self.ledger.outcomes[pid])
        words = f"{pid} after three copies of one decision: {len(commands)} commands, {outcomes} outcomes"
        self.ledger.say("duplicate_decision_changes_nothing", len(commands) == 1 and outcomes == 1, words)

    async def _outcome(self, proposal: Json) -> Json | None:
        pid = proposal["proposal_id"]
        try:
            await self.wire.until(
                lambda: bool(self.ledger.outcomes[pid]), OUTCOME_S, f"outcome of proposal {pid}"
            )
        except Missing as missing:
            self.ledger.say("one_outcome_per_proposal", False, f"{missing}; {self.ledger.state_words()}")
            return None
        await self.cleared(proposal)
        return self.ledger.outcomes[pid][0].payload

    async def cleared(self, proposal: Json) -> None:
        """After its outcome a proposal is gone from its topic: cleared by an empty payload, or replaced."""
        pid, unit = proposal["proposal_id"], proposal["unit"]
        try:
            await self.wire.until(
                lambda: self.ledger.standing.get(unit) != pid, CLEARED_S, f"proposal/{unit} without {pid}"
            )
        except Missing as missing:
            self.ledger.say("ended_proposals_cleared", False, str(missing))
        else:
            self.ledger.say("ended_proposals_cleared", True)

    async def _reject(self, proposal: Json) -> None:
        body = decision_for(proposal, self.operator, "reject", reason="judged by eye")
        answer = await self.decide(proposal, self.sealed(body), "reject", sound=True)
        if not self._accepted(answer, "decision reject"):
            return
        outcome = await self._outcome(proposal)
        if outcome is None:
            return
        self.ledger.say("act_reject", outcome["result"] == "rejected", f"outcome {outcome['result']}")
        late = self.sealed(decision_for(proposal, self.operator))
        answer = await self.decide(proposal, late, "ended_proposal", sound=False)
        self._refused("ended_proposal", proposal, answer, stands=False)

    def _refused(self, kind: str, proposal: Json, answer: Heard | None, *, stands: bool) -> bool:
        """Answered `accepted` false with reasons, and the proposal stands or not as the contract says."""
        if answer is None:
            return self.ledger.say(f"refused_{kind}", False, "no answer")
        payload = answer.payload
        good = payload["accepted"] is False and payload["errors"] != []
        good = good and payload["stands"] is stands
        words = f"{proposal['proposal_id']}: accepted {payload['accepted']}, stands {payload['stands']}"
        return self.ledger.say(f"refused_{kind}", good, f"{words}, errors {payload['errors']!r:.200}")

    async def _blunders(self, proposal: Json) -> None:
        """Every decision that must be refused, on one proposal; then approve it, since it still stands."""
        for kind in BLUNDERS:
            bad = blunder(kind, proposal, self.operator, self.signer)
            if bad is not None:
                answer = await self.decide(proposal, bad, kind, sound=False)
                self._refused(kind, proposal, answer, stands=True)
        await self._stood_still("blunders", proposal)

    async def _close_one(self, proposal: Json) -> None:
        """An edit that would close a key onto the roller: refused, nothing moves, the proposal stands."""
        body = decision_for(proposal, self.operator, **(close_one(proposal) or {}))
        answer = await self.decide(proposal, self.sealed(body), "close_one", sound=False)
        self._refused("edit_below_minimum_gap", proposal, answer, stands=True)
        await self._stood_still("close_one", proposal)

    async def _stood_still(self, act: str, proposal: Json) -> None:
        await asyncio.sleep(QUIET_S)
        pid = proposal["proposal_id"]
        commands, outcomes = len(self.ledger.commands_for(pid)), len(self.ledger.outcomes[pid])
        words = f"{pid} after {act}: {commands} commands, {outcomes} outcomes"
        still = self.ledger.say("refused_decision_moves_nothing", commands == 0 and outcomes == 0, words)
        if still:
            await self.approve(proposal, f"approve_after_{act}", {})
