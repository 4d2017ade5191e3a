"""A printing unit in the configuration file: fountain, blade, key drives, calibration, limits; and the whole file."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, ClassVar

from pydantic import Discriminator, Field, Tag

from inksteward.config.condition_forms import ConditionForm, ConditionsForm
from inksteward.config.forms import (
    ApprovalForm,
    BrokerForm,
    ControlForm,
    Form,
    InkForm,
    JournalForm,
    KeyBankForm,
    MeasuringForm,
    Name,
    PageForm,
    PressForm,
    SheetCounterForm,
    StripReaderForm,
)
from inksteward.config.opening_forms import OpeningSectionForm
from inksteward.model import BladeKind, Side

ONE, EACH = "one for all keys", "one for each key"
"""Tags of the two ways to give a number per key; pydantic puts them into the path of an error."""
TAGS = frozenset({ONE, EACH})


def _one_or_each(value: Any) -> str:
    return EACH if isinstance(value, list | tuple) else ONE


MicrometresUp = Annotated[float, Field(gt=0, le=50)]
Micrometres = Annotated[float, Field(ge=-50, le=50)]
UpPerKey = Annotated[
    Annotated[MicrometresUp, Tag(ONE)]
    | Annotated[tuple[MicrometresUp, ...], Field(min_length=1, max_length=96), Tag(EACH)],
    Discriminator(_one_or_each),
]
PerKey = Annotated[
    Annotated[Micrometres, Tag(ONE)]
    | Annotated[tuple[Micrometres, ...], Field(min_length=1, max_length=96), Tag(EACH)],
    Discriminator(_one_or_each),
]
Percent = Annotated[float, Field(ge=0, le=100)]
Knot = tuple[Percent, Annotated[float, Field(ge=0, le=2000)]]
Table = Annotated[tuple[Knot, ...], Field(min_length=2, max_length=101)]
Share = Annotated[float, Field(ge=-1, le=1)]


class SweepForm(Form):
    """[unit.sweep], points of the drive's range."""

    min_pct: Annotated[float, Field(gt=0, lt=100)] = 10.0
    max_pct: Annotated[float, Field(gt=0, le=100)] = 100.0
    reference_pct: Annotated[float, Field(gt=0, le=100)] = 40.0
    resolution_pct: Annotated[float, Field(ge=0.01, le=5)] = 0.5


class TrainForm(Form):
    """[unit.train]. The defaults belong to a train of 13 rollers of 0.22 m circumference, 0.85 m impression.

    Film is split in halves at every nip (e.g. Mill 1961; MacPhee, Fundamentals of Lithographic Printing,
    1998; from memory); derived here: c0 = 4.5, c1 = 6.5 image/0.85, s0 = 4.5 * 13 * 0.22,
    s1 = 20.5 * 0.22 * image/0.85; beta = 60 mm ductor stripe / 2 / 2 sheets.
    """

    image_m: Annotated[float, Field(ge=0.05, le=3)] = 0.70
    beta_m: Annotated[float, Field(ge=0.0005, le=0.5)] = 0.015
    c0: Annotated[float, Field(ge=0.5, le=50)] = 4.5
    c1: Annotated[float, Field(ge=0, le=50)] = 5.352941
    s0_m: Annotated[float, Field(ge=0.1, le=200)] = 12.87
    s1_m: Annotated[float, Field(ge=0, le=200)] = 3.714118
    kappa: Annotated[float, Field(ge=0, le=0.2)] = 0.0104
    delay_sheets: Annotated[float, Field(ge=0, le=100)] = 5.0
    metering: Annotated[float, Field(ge=0.1, le=1)] = 0.5


class DriveForm(Form):
    """[unit.drive]: the key drives."""

    resolution_pct: Annotated[float, Field(ge=0.001, le=5)] = 0.25
    full_travel_s: Annotated[float, Field(ge=0.5, le=300)] = 20.0
    keys_at_once: Annotated[int, Field(ge=1)] | None = None
    backlash_pct: Annotated[float, Field(ge=0, le=10)] = 1.5
    overshoot_pct: Annotated[float, Field(ge=0, le=10)] = 0.0
    overshoot_closes: bool = False


class CalibrationForm(Form):
    """[unit.calibration]: whoever measured the gaps says for which blade, when, and how well."""

    PLACEHOLDERS: ClassVar[dict[str, Any]] = {
        "blade_id": "blade",
        "calibrated_on": "2000-01-01",
        "expires_on": "2000-12-31",
        "uncertainty_um": 1.0,
    }
    blade_id: Name
    calibrated_on: date
    expires_on: date
    uncertainty_um: UpPerKey
    zero_um: PerKey = 0.0
    table: Table | None = None


class KeyForm(Form):
    """[[unit.key]]: a key with a table of its own."""

    PLACEHOLDERS: ClassVar[dict[str, Any]] = {"zone": 1, "table": [[0.0, 0.0], [100.0, 1.0]]}
    zone: Annotated[int, Field(ge=1, le=96)]
    table: Table


class MakereadyForm(Form):
    """[unit.limits.makeready]."""

    step_pct: Annotated[float, Field(gt=0, le=100)] = 15.0
    adjacent_um: Annotated[float, Field(gt=0, le=1000)] = 60.0
    interaction_ln: Annotated[float, Field(gt=0, le=3)] = 0.6
    total_pct: Annotated[float, Field(gt=0, le=100)] = 10.0
    accumulated_key_pct: Annotated[float, Field(gt=0, le=1000)] = 150.0
    accumulated_unit_pct: Annotated[float, Field(gt=0, le=1000)] = 100.0
    sweep_step_pct: Annotated[float, Field(gt=0, le=100)] = 20.0


class RunForm(MakereadyForm):
    """[unit.limits.run]."""

    step_pct: Annotated[float, Field(gt=0, le=100)] = 5.0
    adjacent_um: Annotated[float, Field(gt=0, le=1000)] = 40.0
    interaction_ln: Annotated[float, Field(gt=0, le=3)] = 0.2
    total_pct: Annotated[float, Field(gt=0, le=100)] = 3.0
    accumulated_key_pct: Annotated[float, Field(gt=0, le=1000)] = 40.0
    accumulated_unit_pct: Annotated[float, Field(gt=0, le=1000)] = 25.0
    sweep_step_pct: Annotated[float, Field(gt=0, le=100)] = 4.0


class OpeningForm(MakereadyForm):
    """[unit.limits.opening]: before the first sheet of a run there is no film that a move could upset."""

    step_pct: Annotated[float, Field(gt=0, le=100)] = 100.0
    interaction_ln: Annotated[float, Field(gt=0, le=20)] = 10.0
    total_pct: Annotated[float, Field(gt=0, le=100)] = 100.0
    accumulated_key_pct: Annotated[float, Field(gt=0, le=1000)] = 1000.0
    accumulated_unit_pct: Annotated[float, Field(gt=0, le=1000)] = 1000.0
    sweep_step_pct: Annotated[float, Field(gt=0, le=100)] = 100.0


class PhaseLimitsForm(Form):
    """[unit.limits]."""

    opening: OpeningForm = OpeningForm()
    makeready: MakereadyForm = MakereadyForm()
    run: RunForm = RunForm()


class UnitForm(Form):
    """[[unit]]; whatever [unit_defaults] holds counts for every unit that does not say otherwise."""

    PLACEHOLDERS: ClassVar[dict[str, Any]] = {
        "unit": "unit",
        "side": "front",
        "zones": 1,
        "pitch_mm": 30.0,
        "blade": "segmented",
        "calibration": {},
    }
    unit: Name
    side: Side
    zones: Annotated[int, Field(ge=1, le=96)]
    pitch_mm: Annotated[float, Field(ge=10, le=100)]
    first_edge_mm: Annotated[float, Field(ge=-2000, le=2000)] = 0.0
    blade: BladeKind
    blade_nominal: tuple[Share, Share, Share] | None = None
    travel_um: Annotated[float, Field(ge=20, le=2000)] = 200.0
    min_gap_um: Annotated[float, Field(gt=5, le=500)] = 15.0
    hard_floor_um: Annotated[float, Field(ge=5, le=500)] = 5.0
    calibration: CalibrationForm
    drive: DriveForm = DriveForm()
    sweep: SweepForm = SweepForm()
    train: TrainForm = TrainForm()
    limits: PhaseLimitsForm = PhaseLimitsForm()
    key: Annotated[tuple[KeyForm, ...], Field(max_length=96)] = ()


class ConfigForm(Form):
    """The whole file, [unit_defaults] already laid under each [[unit]]."""

    PLACEHOLDERS: ClassVar[dict[str, Any]] = {"press": {}, "unit": [{}], "key_bank": [{}]}
    press: PressForm
    broker: BrokerForm = BrokerForm()
    journal: JournalForm = JournalForm()
    approval: ApprovalForm = ApprovalForm()
    page: PageForm = PageForm()
    measuring: MeasuringForm = MeasuringForm()
    control: ControlForm = ControlForm()
    opening: OpeningSectionForm = OpeningSectionForm()
    ink: Annotated[tuple[InkForm, ...], Field(max_length=64)] = ()
    conditions: ConditionsForm = ConditionsForm()
    condition: Annotated[tuple[ConditionForm, ...], Field(max_length=64)] = ()
    unit: Annotated[tuple[UnitForm, ...], Field(min_length=1, max_length=24)]
    strip_reader: Annotated[tuple[StripReaderForm, ...], Field(max_length=24)] = ()
    key_bank: Annotated[tuple[KeyBankForm, ...], Field(min_length=1, max_length=24)]
    sheet_counter: Annotated[tuple[SheetCounterForm, ...], Field(max_length=24)] = ()
