"""A picture of the run: density per zone against sheets, tolerance, aims and the moves."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import matplotlib as mpl

mpl.use("Agg")
import matplotlib.pyplot as plt
import numpy as np

from inksteward.demo.record import Record


def draw(record: Record, path: Path) -> None:
    """Write the picture as PNG; one panel an ink, one line a zone, moves as marks on the lower edge."""
    units = sorted({name for data in record.readings for name in data["units"]})
    if not units:
        return
    figure, axes = plt.subplots(
        len(units), 1, figsize=(11, 2.6 * len(units)), sharex=True, squeeze=False, layout="constrained"
    )
    for axis, name in zip(axes[:, 0], units, strict=True):
        _panel(axis, name, record)
    axes[-1, 0].set_xlabel("sheets")
    figure.suptitle(
        "Density per zone, one line each. Grey: tolerance; dashed: aim; "
        "marks below: confirmed moves, higher for more keys"
    )
    figure.savefig(path, dpi=110)
    plt.close(figure)


def _panel(axis: Any, name: str, record: Record) -> None:
    readings = [data for data in record.readings if name in data["units"]]
    sheets = np.array([data["sheet"] for data in readings])
    density = np.array(
        [[np.nan if v is None else v for v in data["units"][name]["density"]] for data in readings]
    )
    last = readings[-1]["units"][name]
    for zone in range(density.shape[1]):
        axis.plot(sheets, density[:, zone], color=str(0.15 + 0.6 * zone / density.shape[1]), lw=0.8)
    low = [data["units"][name]["low"] for data in readings]
    if all(low):
        bottom = np.array([np.mean(data["units"][name]["low"]) for data in readings])
        top = np.array([np.mean(data["units"][name]["high"]) for data in readings])
        axis.fill_between(sheets, bottom, top, color="0.85", zorder=0, label="tolerance")
        axis.plot(sheets, [np.mean(data["units"][name]["aim"]) for data in readings], "k--", lw=1.0)
    for unit, sheet, keys in record.moves:
        if unit == name:
            axis.axvline(sheet, ymax=0.04 + 0.2 * keys / density.shape[1], color="k", lw=2)
    axis.set_ylabel(f"{name} {last['ink']}\ndensity D")
