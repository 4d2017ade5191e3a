"""Every parser of the project under one name: what is fuzzed, by which promise, from which valid samples."""

from __future__ import annotations

from tests.fuzz import (
    of_contract,
    of_core,
    of_described,
    of_drivers,
    of_files,
    of_measurements,
    of_prepress,
    of_reading,
    of_simulators,
)
from tests.fuzz.form import Target

TARGETS: dict[str, Target] = {
    **of_contract.TARGETS,
    **of_core.TARGETS,
    **of_reading.TARGETS,
    **of_files.TARGETS,
    **of_drivers.TARGETS,
    **of_described.TARGETS,
    **of_measurements.TARGETS,
    **of_prepress.TARGETS,
    **of_simulators.TARGETS,
}
