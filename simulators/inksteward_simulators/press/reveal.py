"""What the press shows: its panel and encoders to everybody, its truth to the judges of a bench only."""

from collections.abc import Iterable
from dataclasses import asdict

from inksteward_simulators import link_messages as msg
from inksteward_simulators.press.press import Press
from inksteward_simulators.press.unit import PressUnit


def state(press: Press, time_factor: float, good: bool | None) -> msg.State:
    """The press as its panel shows it."""
    return msg.State(
        press=press.scenario.press,
        run_id=press.run_id,
        sheet=press.sheet,
        printing=press.printing,
        speed_sph=press.speed_sph,
        time_factor=time_factor,
        time_s=press.time_s,
        fountain_turning=fountain_turning(press),
        good=good,
        contacts=len(press.contacts),
        units=tuple(_unit_state(press, unit) for unit in press.units.values()),
    )


def fountain_turning(press: Press) -> bool:
    """Fountain rollers follow the press; a sweep of 0 does not turn its roller."""
    return press.printing and any(unit.sweep_pct > 0.0 for unit in press.units.values())


def _unit_state(press: Press, unit: PressUnit) -> msg.UnitState:
    form = unit.form
    same = {
        name: getattr(form, name) for name in ("unit", "ink", "side", "zones", "pitch_mm", "first_edge_mm")
    }
    return msg.UnitState(
        **same,
        blade=form.blade,
        blade_id=form.blade_id,
        travel_um=form.travel_um,
        counts_per_travel=press.scenario.drive.counts_per_travel,
        sweep_pct=float(unit.sweep.opening_pct()[0]),
        moving=unit.moving,
    )


def positions(press: Press, name: str) -> msg.Positions:
    """Encoder read-back of one unit. Raises ValueError for an unknown unit."""
    unit = press.unit(name)
    keys = unit.keys
    return msg.Positions(
        unit=name,
        sheet=max(press.sheet, 0),
        opening_pct=tuple(round(float(value), 3) for value in keys.opening_pct()),
        counts=tuple(int(value) for value in keys.counts()),
        referenced=tuple(bool(value) for value in keys.referenced),
        key_moving=tuple(bool(value) for value in keys.moving()),
        sweep_pct=round(float(unit.sweep.opening_pct()[0]), 3),
        moving=unit.moving,
        blade_id=unit.form.blade_id,
    )


def truth(press: Press) -> msg.TruthReply:
    """Contacts, true gaps and true densities. Nothing that controls the press may look at this."""
    return msg.TruthReply(
        run_id=press.run_id,
        sheet=press.sheet,
        contacts=tuple(msg.ContactRecord(**asdict(contact)) for contact in press.contacts),
        units=tuple(_unit_truth(unit) for unit in press.units.values()),
    )


def _unit_truth(unit: PressUnit) -> msg.UnitTruth:
    now_um = unit.opening_um(unit.keys.screw_pct)
    film_um = unit.film_um()
    return msg.UnitTruth(
        unit=unit.form.unit,
        ink=unit.form.ink,
        opening_um=_floats(now_um),
        zone_gap_um=_floats(unit.blade.zone_gap_um(now_um)),
        least_gap_um=_floats(unit.blade.least_gap_um(now_um)),
        film_um=_floats(film_um),
        density=_floats(unit.density(film_um)),
        settled_density=_floats(unit.density(unit.settled_film_um())),
        zero_error_um=_floats(unit.zero_error_um),
        tau_sheets=_floats(unit.train.tau_sheets(unit.sweep_pct)),
        d_inf=unit.truth.d_inf,
        m=unit.truth.m,
    )


def _floats(values: Iterable[float]) -> tuple[float, ...]:
    return tuple(float(value) for value in values)
