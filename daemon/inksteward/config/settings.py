"""What the configuration holds besides the press itself: frozen dataclasses, units in the names.

The defaults written here are the defaults of the configuration file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any


class Unsigned(StrEnum):
    """Whether a decision may come without a signature: never, or on a bench without a real press."""

    NEVER = "never"
    BENCH = "bench"


class FilePer(StrEnum):
    """What one journal file holds."""

    RUN = "run"
    DAY = "day"


class DriverKind(StrEnum):
    """What a driver serves; the value is the name of its table in the configuration."""

    STRIP_READER = "strip_reader"
    KEY_BANK = "key_bank"
    SHEET_COUNTER = "sheet_counter"

    @property
    def words(self) -> str:
        """As it is called in a sentence."""
        return self.value.replace("_", " ")


@dataclass(frozen=True, slots=True)
class Broker:
    """Where the MQTT broker is and who we are there.

    Paths are as written in the configuration (``config.beside`` resolves them); None means none given.
    """

    url: str
    host: str
    port: int
    tls: bool
    loopback: bool
    client_id: str
    ca_file: str | None
    cert_file: str | None
    key_file: str | None


@dataclass(frozen=True, slots=True)
class JournalSettings:
    """Where the run record is kept and when a new file begins."""

    directory: str = "journal"
    one_file_per: FilePer = FilePer.RUN


@dataclass(frozen=True, slots=True)
class Approval:
    """Life of a proposal. Times in seconds of the monotonic clock, sheets in impressions of the run.

    ``expected_s`` is the first guess of how long an operator takes to decide; the service learns from then on.
    """

    unsigned: Unsigned = Unsigned.NEVER
    expires_s: float = 120.0
    expires_sheets: int = 500
    min_standing_s: float = 20.0
    expected_s: float = 30.0


@dataclass(frozen=True, slots=True)
class Measuring:
    """What is known of readings. Standard deviations in D.

    Instrument 0.005 to 0.01 D and sheet to sheet 0.01 to 0.02 D are common practice, no source; the defaults
    lie in the middle and add up to 0.0168 D for one patch on one sheet.
    """

    patch_width_mm: float = 5.0
    instrument_sigma: float = 0.0075
    sheet_sigma: float = 0.015
    position_max_age_s: float = 5.0
    counter_max_age_s: float = 10.0


@dataclass(frozen=True, slots=True)
class Identification:
    """Spread at the start of a run and noise per sheet of the estimator of film and feed gain.

    Gains are natural logarithms of a factor, films shares of the settled film, walks per square root of a
    sheet. ``sheet_offset`` is in D and common to the patches of one sheet. ``gate`` counts standard
    deviations. ``lag_low`` and ``lag_high`` bound the factor on the computed lag. The sizes were chosen on a
    simulated press, no source.
    """

    gain_common: float = 0.3
    gain_zone: float = 0.12
    lag_common: float = 0.3
    start_film: float = 0.3
    start_film_zone: float = 0.1
    gain_walk_common: float = 0.001
    gain_walk_zone: float = 0.0005
    film_noise: float = 0.0005
    sheet_offset: float = 0.01
    gate: float = 4.0
    lag_low: float = 0.3
    lag_high: float = 4.0


@dataclass(frozen=True, slots=True)
class ControlSettings:
    """How eagerly the law acts.

    ``dead_band``: share of the tolerance inside which nothing is proposed. ``noise_sigmas``: posterior
    standard deviations that an error must exceed as well. ``lambda_share``: wanted closed-loop lag as share
    of the zone's own lag. ``settle_unwatched``: clamp a move so that the zone settles within tolerance even
    if no scan follows. ``scan_interval_sheets``: expected distance of scans. ``build_up_sheets``: first
    sheets of a run on which nothing is proposed. ``stop_s``: a stop longer than this lapses proposals;
    ``quiet_after_stop_sheets`` are not acted on afterwards. ``move_weight`` and ``sweep_weight``: cost of key
    moves and of a sweep move against squared errors of ln film (r and r_s of the quadratic program).
    ``tolerance``: low and high deviation from the aim, D, where the job names none.
    """

    dead_band: float = 0.25
    noise_sigmas: float = 1.0
    lambda_share: float = 0.3
    settle_unwatched: bool = False
    scan_interval_sheets: int = 100
    build_up_sheets: int = 40
    stop_s: float = 60.0
    quiet_after_stop_sheets: int = 60
    move_weight: float = 0.02
    sweep_weight: float = 0.02
    tolerance: tuple[float, float] = (-0.05, 0.05)
    identification: Identification = field(default_factory=Identification)


@dataclass(frozen=True, slots=True)
class OpeningLesson:
    """How far gaps at OK sheets lay from what the film model alone wants, for one ink in one unit.

    ln(gap at the OK sheet / gap of the model) is foretold as ``coefficients`` times (1, ln(coverage + offset) - centre
    0, film of the aim in um - centre 1). ``covariance`` is that of the coefficients, ``sigma`` the standard deviation
    of one zone of another job beside it, ``quantile`` Student's t of the model's confidence. ``coverage`` and
    ``film_um``: from and to, as the ``jobs`` had them.
    """

    unit: str
    ink: str
    jobs: int
    zones: int
    coverage: tuple[float, float]
    film_um: tuple[float, float]
    centre: tuple[float, float]
    coefficients: tuple[float, float, float]
    covariance: tuple[tuple[float, float, float], ...]
    sigma: float
    quantile: float


@dataclass(frozen=True, slots=True)
class OpeningModel:
    """What past jobs taught: intervals hold with ``confidence``; ``offset`` is added to a coverage before its ln."""

    confidence: float
    offset: float
    lessons: tuple[OpeningLesson, ...] = ()


@dataclass(frozen=True, slots=True)
class PageSettings:
    """The operator's page. ``names``: what browsers may call this machine besides ``host``. Paths as written."""

    serve: bool = False
    host: str = "127.0.0.1"
    port: int = 8620
    names: tuple[str, ...] = ()
    cert_file: str | None = None
    key_file: str | None = None


@dataclass(frozen=True, slots=True)
class DriverSettings:
    """One driver: the name it goes by, the entry point that makes it, the units it serves, its own settings.

    ``units`` is empty for all but key banks. ``settings`` is plain JSON data; the driver judges it.
    """

    kind: DriverKind
    name: str
    driver: str
    units: tuple[str, ...]
    settings: Mapping[str, Any]
