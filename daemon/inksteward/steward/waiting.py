"""When waiting is the remedy: for how many sheets, and what is still under way."""

from __future__ import annotations

from math import ceil
from statistics import median

from inksteward.contract.codes import NoProposal, NoteCode
from inksteward.contract.outputs import Note, UnitReading
from inksteward.control import words
from inksteward.control.forecast import sheets_until_inside
from inksteward.control.situation import Remark, Situation, Worked
from inksteward.steward.situations import acted_from, sheet_now
from inksteward.steward.state import Run
from inksteward.steward.turn import Turn

UNDER_WAY_LAGS = 0.7
"""Lags after which half of a move shows. A proposal that comes earlier rests on what was expected of the last one more
than on what was read, and says so; later on it would say so nearly always."""


def reads_out(situation: Situation) -> tuple[int, ...]:
    """Zones (from 0) that read out of tolerance on this sheet."""
    rows = zip(situation.measured, situation.low, situation.high, strict=True)
    return tuple(
        zone for zone, (value, low, high) in enumerate(rows) if value is not None and not low <= value <= high
    )


def wait_for_film(situation: Situation) -> list[Remark]:
    """Zones that read out and will settle right: wait until the film model has them all within tolerance."""
    zones = reads_out(situation)
    if not zones:
        return []
    sheets = sheets_until_inside(situation, zones)
    told = tuple(zone + 1 for zone in zones)
    return [words.wait_then_pull(situation.unit.unit, told, sheets, ceil(situation.sheet_now) + sheets)]


def wait_for_press(turn: Turn, run: Run, sheet: int, readings: list[UnitReading]) -> list[Note]:
    """A sheet from before the film built up, or from the first ones after a long stop: from which sheet on one is
    acted on. Nothing while the press stands: nobody knows yet for how long."""
    first = acted_from(turn, run)
    waiting = any(reading.no_proposal is NoProposal.WAITING for reading in readings)
    if sheet >= first or run.stopped_mono_ms is not None or not waiting:
        return []
    why = "right after a stop" if run.quiet_until >= first else "while the film was still building up"
    sheets = max(first - round(sheet_now(turn, run)), 0)
    advice = f"wait {sheets} sheets, then pull" if sheets else "pull again"
    remedy = f"pull a sheet at sheet {first} or later" if sheets else "pull a sheet now"
    text = f"sheet {sheet} was pulled {why}: {advice}"
    return [Note(code=NoteCode.WAIT_THEN_PULL, zones=(), text=text, remedy=remedy)]


def still_under_way(situation: Situation, worked: Worked, moved_sheet: int | None) -> list[Remark]:
    """Less than half of the last approved moves shows yet in half of the unit's zones."""
    if moved_sheet is None:
        return []
    lag = median(float(value) for value in worked.forecast.lag)
    settled = moved_sheet + situation.plant.delay_sheets + UNDER_WAY_LAGS * lag
    return [words.not_settled(moved_sheet, ceil(settled))] if situation.sheet_now < settled else []
