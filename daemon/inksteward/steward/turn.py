"""One step at work: the state as it becomes, and the effects gathered on the way.

A Turn lives inside ``step`` only; from outside, ``step`` is a pure function.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from inksteward.config import Config
from inksteward.contract.base import FieldError, Payload
from inksteward.contract.codes import Alarm
from inksteward.contract.telling import Head
from inksteward.events import Effect, Publish, Stamp
from inksteward.model import Unit
from inksteward.steward.ids import mono_ms, new_id, rfc3339
from inksteward.steward.state import AlarmState, Echo, Run, State, UnitState

ANSWERS_KEPT = 2000
ECHOED = ("press", "reading")


class NotStarted(Exception):
    """An event reached the core before Started."""


class Turn:
    """Mutable only while one step runs."""

    def __init__(self, state: State, stamp: Stamp) -> None:
        self.state = state
        self.stamp = stamp
        self.effects: list[Effect] = []
        self.now_ms = mono_ms(stamp)
        self.at = rfc3339(stamp.wall_ms)
        self._ids = 0
        self.alarms_changed = False
        self.status_due = False

    def check_started(self) -> None:
        """Raises NotStarted before Started."""
        _ = self.config

    @property
    def config(self) -> Config:
        """The configuration; raises NotStarted before Started."""
        if self.state.config is None:
            raise NotStarted("the core was not started")
        return self.state.config

    @property
    def run(self) -> Run | None:
        """The present run."""
        return self.state.run

    def put_run(self, run: Run) -> None:
        """Replace the present run."""
        self.state = replace(self.state, run=run)

    def configured(self, name: str) -> Unit | None:
        """The configured unit of that name."""
        return self.config.press.unit(name)

    def unit(self, name: str) -> UnitState:
        """State of a configured unit."""
        return self.state.units[name]

    def put(self, unit: UnitState) -> None:
        """Replace a unit's state."""
        self.state = replace(self.state, units={**self.state.units, unit.unit: unit})

    def new_id(self) -> str:
        """Next id of this step."""
        self._ids += 1
        return new_id(self.stamp, self._ids)

    def head(self) -> Head | None:
        """Journal's head before this row."""
        return Head(seq=self.stamp.seq - 1, head=self.stamp.prev) if self.stamp.prev else None

    def publish(
        self,
        topic: str,
        payload: Payload | dict[str, Any],
        *,
        retain: bool = False,
        expiry_s: int | None = None,
    ) -> None:
        """Publish a payload; retained ones of ours are expected back."""
        data = payload.model_dump(mode="json") if isinstance(payload, Payload) else payload
        text = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
        raw = text.encode("utf-8", "backslashreplace")  # half a surrogate pair that somebody sent: escaped
        self.effects.append(Publish(topic, raw, retain, expiry_s))
        if topic in ECHOED or topic.startswith("proposal/"):
            self._expect(topic, raw)

    def clear(self, topic: str) -> None:
        """Clear a retained topic by an empty payload."""
        self.effects.append(Publish(topic, b"", True))
        self.state = replace(
            self.state, echoes=tuple(echo for echo in self.state.echoes if echo.topic != topic)
        )

    def _expect(self, topic: str, raw: bytes) -> None:
        rest = tuple(echo for echo in self.state.echoes if echo.topic != topic)
        echo = Echo(topic, hashlib.sha256(raw).hexdigest(), self.now_ms)
        self.state = replace(self.state, echoes=(*rest, echo))

    def answer(
        self,
        id_: str | None,
        topic: str,
        errors: Iterable[FieldError] = (),
        stands: bool | None = None,
        *,
        keep: bool = True,
    ) -> None:
        """Answer something inbound; kept under its id so that a second arrival changes nothing.

        What nobody vouches for is not kept: it is refused again, and must not push out what was answered before.
        """
        found = [error.data() for error in errors]
        data: dict[str, Any] = {
            "id": id_,
            "topic": topic,
            "at": self.at,
            "accepted": not found,
            "errors": found,
            "stands": stands,
        }
        self.publish("answer", data)
        if id_ is not None and keep:
            answers = {**self.state.answers, f"{topic}:{id_}": data}
            alike = [name for name in answers if name.startswith(f"{topic}:")]
            for old in alike[: max(len(alike) - ANSWERS_KEPT, 0)]:
                del answers[old]
            self.state = replace(self.state, answers=answers)

    def known(self, id_: str, topic: str) -> bool:
        """True if this id was dealt with before: it is answered again the same way and changes nothing."""
        before = self.state.answers.get(f"{topic}:{id_}")
        if before is None:
            return False
        self.publish("answer", {**before, "at": self.at})
        return True

    def alarm(
        self,
        code: Alarm,
        text: str,
        remedy: str,
        *,
        unit: str | None = None,
        zone: int | None = None,
        latched: bool = False,
    ) -> None:
        """Raise an alarm. One that stands already is counted once more if it is latched, else brought up to date."""
        for number, row in enumerate(self.state.alarms):
            if (row.code, row.unit, row.zone) == (code, unit, zone):
                if not latched and row.text == text:
                    return
                again = replace(row, count=row.count + 1 if latched else row.count, text=text)
                alarms = (*self.state.alarms[:number], again, *self.state.alarms[number + 1 :])
                break
        else:
            new = AlarmState(code, self.at, 1, unit, zone, text, remedy, latched)
            alarms = (*self.state.alarms, new)
        self.state = replace(self.state, alarms=alarms)
        self.alarms_changed = True

    def calm(self, code: Alarm, unit: str | None = None) -> None:
        """The cause of an alarm is gone: it ends, unless it is latched."""
        kept = tuple(row for row in self.state.alarms if row.latched or (row.code, row.unit) != (code, unit))
        if len(kept) != len(self.state.alarms):
            self.state = replace(self.state, alarms=kept)
            self.alarms_changed = True
