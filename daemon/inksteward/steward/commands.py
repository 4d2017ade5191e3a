"""What becomes of an approved command: released, refused, handed over, or nobody knows."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from inksteward.approval import Life
from inksteward.approval import State as ProposalState
from inksteward.contract.codes import Alarm
from inksteward.control.numerics import exp
from inksteward.events import CommandEnded, CommandRefused, CommandReleased, Ended
from inksteward.interlock import permit
from inksteward.keycommand import ordered
from inksteward.model import Unit
from inksteward.model.verdict import Refusal, Rule
from inksteward.steward.ending import end, must
from inksteward.steward.feed import read_back, unresolved
from inksteward.steward.state import Pending, UnitState, Unresolved
from inksteward.steward.turn import Turn

REMEDY = "look at the keys, then acknowledge: the read-back is adopted and proposals go on"


def failed(turn: Turn, unit: str, text: str, *, fate_unknown: bool = False) -> None:
    """A released command did not end as it should: outcome, unit suspended, alarm.

    One whose fate is unknown counts as one that may still be carried out, until nothing can carry it out any
    more and somebody has looked.
    """
    state = turn.unit(unit)
    pending = state.pending
    life = Life.CONFIRM_TIMEOUT if fate_unknown else Life.BANK_FAILED
    code = Alarm.FATE_UNKNOWN if fate_unknown else Alarm.MOVE_FAILED
    end(turn, unit, life, code=code)
    state = replace(turn.unit(unit), suspended=text)
    if pending is not None and fate_unknown:
        open_ = Unresolved(pending.command, pending.spent_mono_ms)
        state = replace(state, unresolved=(*state.unresolved, open_))
    turn.put(state)
    turn.alarm(code, f"unit {unit}: {text}", REMEDY, unit=unit, latched=True)


def _awaited(state: UnitState, command_id: str, *, released: bool) -> Pending | None:
    """The unit's pending command if it is this one and was released, or not yet, as asked; else late news."""
    pending = state.pending
    if pending is None or pending.command["command_id"] != command_id or pending.released is not released:
        return None
    return pending


def _veto(turn: Turn, unit: Unit, state: UnitState, pending: Pending) -> Refusal | None:
    """Why a command may not go out after all: time passed between the guard's judgement and its release, and in
    it somebody may have put the press on hold or turned a key."""
    if turn.state.holding is not None:
        return Refusal(Rule.NOT_RELEASED, unit.unit, None, None, None, f"on hold: {turn.state.holding}")
    if turn.now_ms >= pending.deadline_mono_ms:
        text = "the approved move was not released in time"
        return Refusal(Rule.NOT_RELEASED, unit.unit, None, None, None, text)
    who = next((row for row in turn.state.operators if row["id"] == pending.operator), None)
    if who is None or who["revoked"]:
        text = f"{pending.operator}, who approved it, may not decide any more"
        return Refusal(Rule.NOT_RELEASED, unit.unit, None, None, None, text)
    order = ordered(pending.command)
    now = read_back(turn, unit, state.position)
    verdict = permit(order.moves, now, unresolved(state), unit.calibration, unit.coupling)
    return verdict if isinstance(verdict, Refusal) else order.strayed(now)


def _refused(turn: Turn, unit: str, refusal: Refusal) -> None:
    end(turn, unit, Life.GUARD_REFUSED, code=refusal.rule, refusals=(refusal.payload(),))


def on_released(turn: Turn, event: CommandReleased) -> None:
    """The guard passed the command: from now on its targets may be reached at any moment.

    Judged once more on what is known at this very row; a command that is refused here is not pending any more,
    and the shell hands over only what is.
    """
    state, unit = turn.unit(event.unit), turn.configured(event.unit)
    pending = _awaited(state, event.command_id, released=False)
    if pending is None or state.standing is None or unit is None:
        return
    refusal = _veto(turn, unit, state, pending)
    if refusal is not None:
        _refused(turn, event.unit, refusal)
        return
    film = None
    if state.estimate is not None and state.history:
        film = exp(state.estimate.ln_gain) * state.history[-1].unit_film
        film.setflags(write=False)
    pending = replace(
        pending,
        released=True,
        deadline_mono_ms=turn.now_ms + pending.confirm_ms,
        spent_mono_ms=turn.now_ms + spent_after_ms(pending.command, unit),
    )
    life = must(state.standing.life, Life.RELEASED)
    standing = replace(state.standing, life=life)
    turn.put(replace(state, pending=pending, standing=standing, film_before=film))


def spent_after_ms(command: dict[str, Any], unit: Unit) -> int:
    """How long after its release a command may still be carried out: its validity and one whole travel of each group
    of keys.
    """
    return int(command["valid_s"]) * 1000 + round(unit.drive_s(len(command["targets"])) * 1000)


def on_refused(turn: Turn, event: CommandRefused) -> None:
    """The guard refused before any byte was sent."""
    if _awaited(turn.unit(event.unit), event.command_id, released=False) is None:
        return
    code = Rule(event.refusals[0]["rule"]) if event.refusals else None
    end(turn, event.unit, Life.GUARD_REFUSED, code=code, refusals=event.refusals)


def on_ended(turn: Turn, event: CommandEnded) -> None:
    """The key bank took the command, never sent it, or nobody knows."""
    if _awaited(turn.unit(event.unit), event.command_id, released=True) is None:
        return
    if event.ended is Ended.NOT_SENT:
        failed(turn, event.unit, f"the command was not sent: {event.text}")
    elif event.ended is Ended.FATE_UNKNOWN:
        failed(turn, event.unit, f"nobody knows what the keys did: {event.text}", fate_unknown=True)


def watch_pending(turn: Turn, unit: str) -> None:
    """A command that was not released, or not confirmed, in time."""
    pending = turn.unit(unit).pending
    if pending is None or turn.now_ms < pending.deadline_mono_ms:
        return
    if pending.released:
        failed(turn, unit, "the keys did not report their move in time", fate_unknown=True)
        return
    text = "the approved move was not released in time: it did not leave the service and will not"
    _refused(turn, unit, Refusal(Rule.NOT_RELEASED, unit, None, None, None, text))
    remedy = "scan again; if this comes back, look at the service's log and its disk"
    turn.alarm(Alarm.MOVE_FAILED, f"unit {unit}: {text}", remedy, unit=unit, latched=True)


def hold_back(turn: Turn) -> None:
    """On hold: what was approved and is not released yet does not go out any more."""
    for name, state in list(turn.state.units.items()):
        standing = state.standing
        if standing is not None and standing.life is ProposalState.APPROVED:
            text = f"on hold: {turn.state.holding}"
            _refused(turn, name, Refusal(Rule.NOT_RELEASED, name, None, None, None, text))


def still_open(turn: Turn, state: UnitState) -> int:
    """Seconds until a command of unknown fate cannot be carried out any more and a later read-back says where
    the keys are and that they stand; 0 when that is so."""
    position = state.position
    seen = position.mono_ms if position is not None and position.live and not position.moving else -1
    for open_ in state.unresolved:
        if seen <= open_.spent_mono_ms:
            return max((open_.spent_mono_ms - turn.now_ms) // 1000 + 1, 1)
    return 0
