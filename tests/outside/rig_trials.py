"""Input that the service must refuse or ignore, and the requests that hold and release it."""

from __future__ import annotations

import asyncio
import json

from tests.outside.rig_decide import decision_for, request_for
from tests.outside.rig_desk import ANSWER_S, QUIET_S, Desk
from tests.outside.rig_json import Json, new_id
from tests.outside.rig_ledger import Heard, Ledger
from tests.outside.rig_sign import stranger
from tests.outside.rig_wire import Missing, Wire

LARGEST_BYTES = 256 * 1024
STATE_S = 5.0


class Trials:
    """Bad input, one after the other, since an answer to what cannot be read carries no id."""

    def __init__(self, wire: Wire, ledger: Ledger, desk: Desk) -> None:
        self.wire, self.ledger, self.desk = wire, ledger, desk

    async def bad_input(self, last_scan: Json, first_sheet: int) -> None:
        """All trials; `last_scan` was accepted, `first_sheet` is an older one of the same side."""
        await self._unreadable(last_scan)
        await self._repeated(last_scan)
        await self._refused_scans(last_scan, first_sheet)
        await self._unknown_proposal()
        if self.desk.signer is not None:
            await self._forged_request()

    async def _unreadable(self, last_scan: Json) -> None:
        text = json.dumps(last_scan | {"scan_id": new_id("s")})
        await self._answered_without_id("not JSON", b"a strip, honestly")
        await self._answered_without_id("an array", b"[1, 2, 3]")
        await self._answered_without_id("duplicate keys", text.replace("{", '{"sheet": 1, ', 1).encode())
        await self._answered_without_id(
            "not finite", text.replace('"sheet": ', '"sheet": NaN, "was": ', 1).encode()
        )
        wrong = last_scan | {"scan_id": new_id("s"), "patches": "none"}
        await self._answered_without_id("fails its schema", json.dumps(wrong).encode())
        padded = last_scan | {"scan_id": new_id("s"), "pad": "x" * LARGEST_BYTES}
        await self._answered_without_id("over 256 KiB", json.dumps(padded).encode())

    async def _answered_without_id(self, what: str, raw: bytes) -> None:
        before = len(self.ledger.answers_to(None, "scan"))
        await self.wire.send("scan", raw)
        try:
            await self.wire.until(
                lambda: len(self.ledger.answers_to(None, "scan")) > before,
                ANSWER_S,
                f"answer with id null to {what}",
            )
        except Missing as missing:
            self.ledger.say("unreadable_input_answered", False, str(missing))
            return
        payload = self.ledger.answers_to(None, "scan")[-1].payload
        good = payload["accepted"] is False and payload["errors"] != []
        words = f"{what}: accepted {payload['accepted']}, errors {payload['errors']!r:.160}"
        self.ledger.say("unreadable_input_answered", good, words)

    async def _repeated(self, last_scan: Json) -> None:
        await self.desk.send("scan", last_scan, "scan_id")
        await asyncio.sleep(QUIET_S)
        readings = len(self.ledger.readings[last_scan["scan_id"]])
        words = f"scan {last_scan['scan_id']} sent twice: {readings} readings"
        self.ledger.say("duplicate_scan_changes_nothing", readings == 1, words)

    def _not_accepted(self, promise: str, answer: Heard | None, what: str) -> None:
        payload = {} if answer is None else answer.payload
        good = payload.get("accepted") is False and payload.get("errors") != []
        words = f"{what}: accepted {payload.get('accepted')}, errors {payload.get('errors')!r:.200}"
        self.ledger.say(promise, good, words)

    async def _refused_scans(self, last_scan: Json, first_sheet: int) -> None:
        other = last_scan["instrument"] | {"status": "T"}
        trials = {
            "other_basis_refused": {"instrument": other},
            "older_scan_refused": {"sheet": first_sheet},
        }
        for promise, change in trials.items():
            scan = last_scan | change | {"scan_id": new_id("s")}
            answer = await self.desk.send("scan", scan, "scan_id")
            self._not_accepted(promise, answer, f"scan {scan['scan_id']}")
            await asyncio.sleep(QUIET_S / 2)
            readings = len(self.ledger.readings[scan["scan_id"]])
            self.ledger.say("refused_scan_has_no_reading", readings == 0, f"{promise}: {readings} readings")

    async def _unknown_proposal(self) -> None:
        nobody = {"proposal_id": new_id("p"), "digest": "sha256:" + "0" * 64}
        body = self.desk.sealed(decision_for(nobody, self.desk.operator))
        answer = await self.desk.send("decision", body, "decision_id")
        self._not_accepted("refused_unknown_proposal", answer, "decision on a proposal that never was")

    async def _forged_request(self) -> None:
        if self.desk.signer is None:
            return
        forged = stranger(self.desk.signer.kid).seal(request_for("hold", self.desk.operator))
        answer = await self.desk.send("request", forged, "request_id")
        self._not_accepted("refused_forged_request", answer, "request hold with a forged signature")

    async def hold_and_release(self) -> None:
        """`hold` shows as state holding, `release` as online."""
        for kind, state in (("hold", "holding"), ("release", "online")):
            answer = await self.desk.ask(request_for(kind, self.desk.operator))
            if answer is None or answer.payload["accepted"] is not True:
                self.ledger.say("hold_and_release", False, f"request {kind} not accepted")
                return
            self.ledger.say("hold_and_release", await self.reaches(state), self.ledger.state_words())

    async def reaches(self, state: str, limit_s: float = STATE_S) -> bool:
        """Wait for a state in `status`; False when it does not come."""
        try:
            await self.wire.until(lambda: self.ledger.now_shows("state") == state, limit_s, f"status {state}")
        except Missing:
            return False
        return True
