"""Forms -> the press and the settings. The interlock's integers are rounded here, once."""

from __future__ import annotations

from functools import lru_cache
from urllib.parse import urlsplit

from inksteward.config.condition_forms import ConditionForm
from inksteward.config.forms import BrokerForm, ControlForm
from inksteward.config.opening_forms import model_of
from inksteward.config.rounding import gap_nm, thousandths_down, thousandths_up, uncertainty_nm
from inksteward.config.rules import on_loopback
from inksteward.config.settings import (
    Approval,
    Broker,
    ControlSettings,
    DriverKind,
    DriverSettings,
    Identification,
    JournalSettings,
    Measuring,
    OpeningModel,
    PageSettings,
)
from inksteward.config.unit_forms import ConfigForm, MakereadyForm, UnitForm
from inksteward.config.unit_rules import each, table_of
from inksteward.model import (
    BladeCoupling,
    BladeKind,
    Calibration,
    Condition,
    ConditionInk,
    DensityBasis,
    Ink,
    KeyCalibration,
    Limits,
    Press,
    RollerTrain,
    SweepRange,
    Unit,
)
from inksteward.model.blade_line import segmented, spring

SPRING_NOMINAL = (0.814, 0.112, -0.026)
"""Zone gap per key opening: own, first and second neighbour, for 32.5 mm pitch, a 0.8 mm strip of 60 mm free
length and key stiffness 1e6 N/m. Derived here: Euler-Bernoulli beam on the blade's own clamp stiffness, with
every key touching."""
SEGMENTED_NOMINAL = (1.0, 0.0, 0.0)
DEFAULT_INKS = (Ink("K", 2.00, 1.75), Ink("C", 1.65, 2.10), Ink("M", 1.65, 2.10), Ink("Y", 1.45, 1.45))
"""Chosen so that 1 um of film on coated paper gives a usual density (K 1.65, C and M 1.45, Y 1.11, absolute,
status T). The form of the curve is Tollenaar and Ernst (1961); the constants are ours, no source."""


def inks(form: ConfigForm) -> tuple[Ink, ...]:
    """The default inks, each replaced by the configured one of its name, and the other configured inks."""
    given = {item.ink: Ink(item.ink, item.d_inf, item.m) for item in form.ink}
    usual = tuple(given.pop(ink.ink, ink) for ink in DEFAULT_INKS)
    return usual + tuple(given.values())


def dry_back(form: ConfigForm) -> dict[str, float]:
    """Ink -> how much less dense it reads dry than wet, D, where that was measured."""
    return {item.ink: item.dry_back_d for item in form.ink if item.dry_back_d is not None}


def conditions(form: ConfigForm) -> tuple[Condition, ...]:
    """The printing conditions that a job may name."""
    return tuple(_condition(item) for item in form.condition)


def _condition(item: ConditionForm) -> Condition:
    basis = item.basis
    return Condition(
        condition=item.condition,
        source=item.source,
        inks=tuple(
            ConditionInk(row.ink, row.density, row.tolerance, row.lab, row.delta_e_00) for row in item.ink
        ),
        basis=None
        if basis is None
        else DensityBasis(basis.status, basis.polarised, basis.paper_relative, basis.dry),
        measured=item.measured,
        backing=item.backing,
    )


def broker(form: BrokerForm, press: str) -> Broker:
    """Address and identity; the port defaults to 1883, with TLS to 8883."""
    url = urlsplit(form.url)
    host, tls = url.hostname or "", url.scheme == "mqtts"
    return Broker(
        url=form.url,
        host=host,
        port=url.port or (8883 if tls else 1883),
        tls=tls,
        loopback=on_loopback(host),
        client_id=form.client_id or f"inksteward-{press}",
        ca_file=form.ca_file,
        cert_file=form.cert_file,
        key_file=form.key_file,
    )


def approval(form: ConfigForm) -> Approval:
    """Settings of [approval] but for the operators file."""
    return Approval(**form.approval.model_dump(exclude={"operators_file"}))


def page(form: ConfigForm) -> PageSettings:
    """Settings of [page]."""
    return PageSettings(**form.page.model_dump())


def measuring(form: ConfigForm) -> Measuring:
    """Settings of [measuring]."""
    return Measuring(**form.measuring.model_dump())


def opening_model(form: ConfigForm) -> OpeningModel | None:
    """What past jobs taught of openings, None without [opening] model."""
    return None if form.opening.model is None else model_of(form.opening.model)


def journal(form: ConfigForm) -> JournalSettings:
    """Settings of [journal]."""
    return JournalSettings(**form.journal.model_dump())


def control(form: ControlForm) -> ControlSettings:
    """Settings of [control] and [control.identification]."""
    identification = Identification(**form.identification.model_dump())
    return ControlSettings(**form.model_dump(exclude={"identification"}), identification=identification)


def drivers(form: ConfigForm) -> tuple[DriverSettings, ...]:
    """Strip readers, key banks and the sheet counter in order of the file."""
    readers = (
        DriverSettings(DriverKind.STRIP_READER, item.name, item.driver, (), item.settings)
        for item in form.strip_reader
    )
    banks = (
        DriverSettings(DriverKind.KEY_BANK, item.name, item.driver, item.units, item.settings)
        for item in form.key_bank
    )
    counters = (
        DriverSettings(DriverKind.SHEET_COUNTER, item.name, item.driver, (), item.settings)
        for item in form.sheet_counter
    )
    return (*readers, *banks, *counters)


def press(form: ConfigForm) -> Press:
    """The press; no calibration counts as valid yet, for that takes a date (``config.judged``)."""
    max_age_ms = thousandths_down(form.measuring.position_max_age_s)
    units = tuple(_unit(unit, max_age_ms) for unit in form.unit)
    return Press(form.press.id, form.press.simulated, units)


def _limits(form: MakereadyForm) -> Limits:
    return Limits(**form.model_dump())


def _unit(form: UnitForm, max_age_ms: int) -> Unit:
    sliding = form.blade is BladeKind.SEGMENTED
    return Unit(
        unit=form.unit,
        side=form.side,
        zones=form.zones,
        pitch_mm=form.pitch_mm,
        first_edge_mm=form.first_edge_mm,
        blade=form.blade,
        travel_um=form.travel_um,
        min_gap_um=form.min_gap_um,
        resolution_pct=form.drive.resolution_pct,
        full_travel_s=form.drive.full_travel_s,
        keys_at_once=form.drive.keys_at_once or form.zones,
        sweep=SweepRange(**form.sweep.model_dump()),
        train=RollerTrain(**form.train.model_dump()),
        limits_makeready=_limits(form.limits.makeready),
        limits_run=_limits(form.limits.run),
        limits_opening=_limits(form.limits.opening),
        calibration=_calibration(form, max_age_ms),
        coupling=_coupling(form.blade, form.calibration.blade_id, form.zones),
        blade_nominal=form.blade_nominal or (SEGMENTED_NOMINAL if sliding else SPRING_NOMINAL),
    )


@lru_cache(maxsize=64)
def _coupling(blade: BladeKind, blade_id: str, zones: int) -> BladeCoupling:
    return (segmented if blade is BladeKind.SEGMENTED else spring)(blade_id, zones)


def _calibration(form: UnitForm, max_age_ms: int) -> Calibration:
    return Calibration(
        unit=form.unit,
        blade_id=form.calibration.blade_id,
        valid=False,
        keys=tuple(_key(form, zone) for zone in range(1, form.zones + 1)),
        limit_nm=thousandths_up(form.min_gap_um),
        hard_floor_nm=thousandths_up(form.hard_floor_um),
        max_age_ms=max_age_ms,
        sweep_min_mpct=thousandths_up(form.sweep.min_pct),
        sweep_max_mpct=thousandths_down(form.sweep.max_pct),
    )


def _key(form: UnitForm, zone: int) -> KeyCalibration:
    table = table_of(form, zone)
    zero = each(form.calibration.zero_um, form.zones)[zone - 1]
    return KeyCalibration(
        opening_mpct=tuple(thousandths_up(opening) for opening, _ in table),
        gap_nm=tuple(gap_nm(gap, zero) for _, gap in table),
        uncertainty_nm=uncertainty_nm(each(form.calibration.uncertainty_um, form.zones)[zone - 1]),
        backlash_mpct=thousandths_up(form.drive.backlash_pct),
        overshoot_mpct=thousandths_up(form.drive.overshoot_pct),
        overshoot_closes=form.drive.overshoot_closes,
    )
