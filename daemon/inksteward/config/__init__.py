"""The configuration: TOML forms that build the press and the settings, every mistake reported at once."""

from inksteward.config.aims import aim_errors, highest_aim, job_ink
from inksteward.config.errors import ConfigError, ConfigErrors, ConfigUnreadable
from inksteward.config.settings import (
    Approval,
    Broker,
    ControlSettings,
    DriverKind,
    DriverSettings,
    FilePer,
    Identification,
    JournalSettings,
    Measuring,
    OpeningLesson,
    OpeningModel,
    PageSettings,
    Unsigned,
)
from inksteward.config.whole import Config, beside, load, parse

__all__ = [
    "Approval",
    "Broker",
    "Config",
    "ConfigError",
    "ConfigErrors",
    "ConfigUnreadable",
    "ControlSettings",
    "DriverKind",
    "DriverSettings",
    "FilePer",
    "Identification",
    "JournalSettings",
    "Measuring",
    "OpeningLesson",
    "OpeningModel",
    "PageSettings",
    "Unsigned",
    "aim_errors",
    "beside",
    "highest_aim",
    "job_ink",
    "load",
    "parse",
]
