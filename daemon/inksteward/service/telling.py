"""What the shell itself publishes: that the record cannot be kept, and that the service is gone. Not journaled."""

from __future__ import annotations

import json
from dataclasses import replace

from inksteward.config import Config, Unsigned
from inksteward.contract.codes import Alarm
from inksteward.contract.telling import Status
from inksteward.events import Publish, Stamp
from inksteward.service.clock import now_rfc3339
from inksteward.steward import State, telling
from inksteward.steward.turn import Turn

REMEDY = (
    "make room on the journal's disk or mend it, then start the service anew; nothing is lost that was told"
)


def on_fault(state: State, stamp: Stamp, text: str) -> tuple[Publish, ...]:
    """Alarms with ``journal_fault`` among them, and ``status`` holding with the reason."""
    turn = Turn(replace(state, holding=text), stamp)
    turn.alarm(Alarm.JOURNAL_FAULT, text, REMEDY, latched=True)
    telling.alarms(turn)
    telling.status(turn)
    return tuple(effect for effect in turn.effects if isinstance(effect, Publish))


def offline(config: Config, instance: str, since: str, version: str, reason: str) -> Publish:
    """``status`` of a service that is gone: the last will, and the last word at a clean stop."""
    payload = Status(
        state="offline",
        instance=instance,
        at=now_rfc3339(),
        since=since,
        version=version,
        run_id=None,
        phase=None,
        bench=config.approval.unsigned is Unsigned.BENCH,
        reason=reason,
        journal=None,
    )
    data = payload.model_dump(mode="json")
    return Publish("status", json.dumps(data, ensure_ascii=False, separators=(",", ":")).encode(), True)
