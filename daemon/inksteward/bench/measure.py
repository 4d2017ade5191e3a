"""What a run is judged by."""

from __future__ import annotations

from collections.abc import Sequence


def sheets_to_tolerance(out_share: Sequence[float], step_sheets: int, stay_sheets: int) -> int | None:
    """First sheet from which no zone is out of tolerance for ``stay_sheets`` running, or None.

    ``out_share`` is sampled every ``step_sheets`` from sheet ``step_sheets`` on.
    """
    needed = stay_sheets // step_sheets
    good = 0
    for number, share in enumerate(out_share, 1):
        good = good + 1 if share == 0.0 else 0
        if good == needed:
            return (number - needed + 1) * step_sheets
    return None
