"""What the service tells of itself: status, press, alarms."""

from __future__ import annotations

from dataclasses import asdict, replace

from inksteward.config import Config, Unsigned
from inksteward.contract.telling import (
    AlarmRow,
    Alarms,
    LimitSet,
    PhaseLimits,
    PressInfo,
    PressUnit,
    Status,
    SweepRange,
)
from inksteward.model import Limits, Unit
from inksteward.steward.turn import Turn

STATUS_EVERY_MS = 10_000


def status(turn: Turn) -> None:
    """Publish ``status``: on change and every 10 s."""
    state = turn.state
    phase = state.run.phase if state.run else None
    turn.publish(
        "status",
        Status(
            state="holding" if state.holding else "online",
            instance=state.instance,
            at=turn.at,
            since=state.since,
            version=state.core_version,
            run_id=state.run.run_id if state.run else None,
            phase=phase,
            bench=turn.config.approval.unsigned is Unsigned.BENCH,
            reason=state.holding,
            journal=turn.head(),
        ),
        retain=True,
    )
    turn.state = replace(turn.state, status_mono_ms=turn.now_ms)


def _limits(limits: Limits) -> LimitSet:
    return LimitSet(**asdict(limits))


def _unit(unit: Unit) -> PressUnit:
    return PressUnit(
        unit=unit.unit,
        side=unit.side.value,
        zones=unit.zones,
        pitch_mm=unit.pitch_mm,
        first_edge_mm=unit.first_edge_mm,
        blade=unit.blade.value,
        travel_um=unit.travel_um,
        min_gap_um=unit.min_gap_um,
        limits=PhaseLimits(
            opening=_limits(unit.limits_opening),
            makeready=_limits(unit.limits_makeready),
            run=_limits(unit.limits_run),
        ),
        sweep=SweepRange(min_pct=unit.sweep.min_pct, max_pct=unit.sweep.max_pct),
    )


def press_info(config: Config) -> PressInfo:
    """Geometry of the press."""
    return PressInfo(units=tuple(_unit(unit) for unit in config.press.units))


def alarms(turn: Turn) -> None:
    """Publish all alarms that stand."""
    rows = tuple(
        AlarmRow(
            code=row.code,
            since=row.since,
            count=row.count,
            unit=row.unit,
            zone=row.zone,
            text=row.text,
            remedy=row.remedy,
            latched=row.latched,
        )
        for row in turn.state.alarms
    )
    turn.publish("alarm", Alarms(alarms=rows), retain=True)
