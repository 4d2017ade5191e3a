"""The configuration file's sections as strict forms: one field per key, its unit in the name.

The forms say what may stand behind one key. What several keys have to do with each other is judged in
``rules.py`` and ``unit_rules.py``.
"""

from __future__ import annotations

from typing import Annotated, Any, ClassVar
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, field_validator

from inksteward.config.settings import (
    Approval,
    ControlSettings,
    FilePer,
    Identification,
    Measuring,
    PageSettings,
    Unsigned,
)

APPROVAL = Approval()
MEASURING = Measuring()
CONTROL = ControlSettings()
IDENTIFICATION = Identification()
PAGE = PageSettings()

PRESS_PATTERN = r"^[a-z0-9-]{1,32}$"
NAME_PATTERN = r"^[A-Za-z0-9._-]{1,64}$"
HOST_PATTERN = r"^[A-Za-z0-9.:-]{1,253}$"
PATTERN_WORDS = {
    PRESS_PATTERN: "1 to 32 characters of a-z, 0-9 and -",
    NAME_PATTERN: "1 to 64 characters of A-Z, a-z, 0-9, . _ and -",
    HOST_PATTERN: "the name or address of a machine, without a port",
}

Name = Annotated[str, Field(pattern=NAME_PATTERN)]
Host = Annotated[str, Field(pattern=HOST_PATTERN)]
FilePath = Annotated[str, Field(min_length=1, max_length=1000)]
Spread = Annotated[float, Field(gt=0, le=2)]
Walk = Annotated[float, Field(ge=0, le=0.1)]


class Form(BaseModel):
    """Base of the forms. ``PLACEHOLDERS`` stand in for missing keys while the other keys are still judged."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)
    PLACEHOLDERS: ClassVar[dict[str, Any]] = {}


class PressForm(Form):
    """[press]."""

    PLACEHOLDERS: ClassVar[dict[str, Any]] = {"id": "press"}
    id: Annotated[str, Field(pattern=PRESS_PATTERN)]
    simulated: bool = False


class BrokerForm(Form):
    """[broker]."""

    url: str = "mqtt://127.0.0.1:1883"
    client_id: Name | None = None
    ca_file: FilePath | None = None
    cert_file: FilePath | None = None
    key_file: FilePath | None = None

    @field_validator("url")
    @classmethod
    def _mqtt_url(cls, url: str) -> str:
        try:
            parts = urlsplit(url)
            port = parts.port
        except ValueError as error:
            raise ValueError("mqtt://HOST[:PORT] or mqtts://HOST[:PORT], PORT from 1 to 65535") from error
        if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname or port == 0:
            raise ValueError("mqtt://HOST[:PORT] or mqtts://HOST[:PORT], PORT from 1 to 65535")
        if "@" in parts.netloc:
            raise ValueError("no user and no password in the address: the client proves itself by cert_file")
        if parts.path not in ("", "/") or parts.query or parts.fragment:
            raise ValueError("nothing behind HOST[:PORT]")
        return url


class JournalForm(Form):
    """[journal]."""

    directory: FilePath = "journal"
    one_file_per: FilePer = FilePer.RUN


class PageForm(Form):
    """[page]."""

    serve: bool = PAGE.serve
    host: Host = PAGE.host
    port: Annotated[int, Field(ge=1, le=65535)] = PAGE.port
    names: Annotated[tuple[Host, ...], Field(max_length=16)] = PAGE.names
    cert_file: FilePath | None = None
    key_file: FilePath | None = None


class ApprovalForm(Form):
    """[approval]. There is no key that does without approval, and none can be added."""

    operators_file: FilePath = "operators.toml"
    unsigned: Unsigned = APPROVAL.unsigned
    expires_s: Annotated[float, Field(ge=10, le=3600)] = APPROVAL.expires_s
    expires_sheets: Annotated[int, Field(ge=10, le=100_000)] = APPROVAL.expires_sheets
    min_standing_s: Annotated[float, Field(ge=0, le=600)] = APPROVAL.min_standing_s
    expected_s: Annotated[float, Field(ge=1, le=600)] = APPROVAL.expected_s


class MeasuringForm(Form):
    """[measuring]. The public contract asks for positions every 2 s and allows 10 s without a counter."""

    patch_width_mm: Annotated[float, Field(ge=1, le=50)] = MEASURING.patch_width_mm
    instrument_sigma: Annotated[float, Field(gt=0, le=0.1)] = MEASURING.instrument_sigma
    sheet_sigma: Annotated[float, Field(ge=0, le=0.1)] = MEASURING.sheet_sigma
    position_max_age_s: Annotated[float, Field(ge=2.5, le=30)] = MEASURING.position_max_age_s
    counter_max_age_s: Annotated[float, Field(ge=2, le=10)] = MEASURING.counter_max_age_s


class IdentificationForm(Form):
    """[control.identification]."""

    gain_common: Spread = IDENTIFICATION.gain_common
    gain_zone: Spread = IDENTIFICATION.gain_zone
    lag_common: Spread = IDENTIFICATION.lag_common
    start_film: Spread = IDENTIFICATION.start_film
    start_film_zone: Spread = IDENTIFICATION.start_film_zone
    gain_walk_common: Walk = IDENTIFICATION.gain_walk_common
    gain_walk_zone: Walk = IDENTIFICATION.gain_walk_zone
    film_noise: Walk = IDENTIFICATION.film_noise
    sheet_offset: Annotated[float, Field(ge=0, le=0.1)] = IDENTIFICATION.sheet_offset
    gate: Annotated[float, Field(ge=2, le=20)] = IDENTIFICATION.gate
    lag_low: Annotated[float, Field(ge=0.1, le=1)] = IDENTIFICATION.lag_low
    lag_high: Annotated[float, Field(ge=1, le=10)] = IDENTIFICATION.lag_high


class ControlForm(Form):
    """[control]."""

    dead_band: Annotated[float, Field(ge=0, le=1)] = CONTROL.dead_band
    noise_sigmas: Annotated[float, Field(ge=0, le=6)] = CONTROL.noise_sigmas
    lambda_share: Annotated[float, Field(ge=0.05, le=1)] = CONTROL.lambda_share
    settle_unwatched: bool = CONTROL.settle_unwatched
    scan_interval_sheets: Annotated[int, Field(ge=1, le=10_000)] = CONTROL.scan_interval_sheets
    build_up_sheets: Annotated[int, Field(ge=0, le=2000)] = CONTROL.build_up_sheets
    stop_s: Annotated[float, Field(ge=1, le=3600)] = CONTROL.stop_s
    quiet_after_stop_sheets: Annotated[int, Field(ge=0, le=2000)] = CONTROL.quiet_after_stop_sheets
    move_weight: Annotated[float, Field(gt=0, le=10)] = CONTROL.move_weight
    sweep_weight: Annotated[float, Field(gt=0, le=10)] = CONTROL.sweep_weight
    tolerance: tuple[Annotated[float, Field(ge=-0.5, lt=0)], Annotated[float, Field(gt=0, le=0.5)]] = (
        CONTROL.tolerance
    )
    identification: IdentificationForm = IdentificationForm()


class InkForm(Form):
    """[[ink]]."""

    PLACEHOLDERS: ClassVar[dict[str, Any]] = {"ink": "ink", "d_inf": 1.0, "m": 1.0}
    ink: Name
    d_inf: Annotated[float, Field(ge=0.1, le=6)]
    m: Annotated[float, Field(ge=0.01, le=20)]
    dry_back_d: Annotated[float, Field(ge=0, le=0.5)] | None = None


class StripReaderForm(Form):
    """[[strip_reader]]."""

    PLACEHOLDERS: ClassVar[dict[str, Any]] = {"name": "strip_reader", "driver": "driver"}
    name: Name
    driver: Name
    settings: dict[str, Any] = {}


class SheetCounterForm(Form):
    """[[sheet_counter]]."""

    PLACEHOLDERS: ClassVar[dict[str, Any]] = {"name": "sheet_counter", "driver": "driver"}
    name: Name
    driver: Name
    settings: dict[str, Any] = {}


class KeyBankForm(Form):
    """[[key_bank]]."""

    PLACEHOLDERS: ClassVar[dict[str, Any]] = {"name": "key_bank", "driver": "driver", "units": ["unit"]}
    name: Name
    driver: Name
    units: Annotated[tuple[Name, ...], Field(min_length=1, max_length=24)]
    settings: dict[str, Any] = {}
