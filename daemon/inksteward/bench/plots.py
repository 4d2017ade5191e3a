"""A picture of a bench: sheets until right, and share of zones out, by scenario and controller."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from inksteward.bench.figures import Row

HATCHES = ("", "//", "..", "xx", "\\\\", "++", "oo", "--", "||", "**")


def draw(path: Path, rows: Sequence[Row]) -> None:
    """Two panels of bars with their 90 % intervals, told apart by hatching as well as by grey."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    scenarios = list(dict.fromkeys(row.scenario for row in rows))
    controllers = list(dict.fromkeys(row.controller for row in rows))
    found = {(row.scenario, row.controller): row for row in rows}
    size = (max(7.0, 1.1 * len(scenarios) * len(controllers) ** 0.5 + 3.0), 7.5)
    figure, panels = plt.subplots(2, 1, figsize=size, sharex=True, layout="constrained")
    width = 0.8 / len(controllers)
    for index, name in enumerate(controllers):
        shown = [found[scenario, name] for scenario in scenarios]
        at = [place + (index - (len(controllers) - 1) / 2.0) * width for place in range(len(scenarios))]
        grey = str(0.95 - 0.75 * index / max(len(controllers) - 1, 1))
        bars = (
            [(row.sheets, row.sheets_low, row.sheets_high) for row in shown],
            [(100.0 * row.out, 100.0 * row.out_low, 100.0 * row.out_high) for row in shown],
        )
        for panel, values in zip(panels, bars, strict=True):
            middle = [value for value, _, _ in values]
            reach = ([v - low for v, low, _ in values], [high - v for v, _, high in values])
            style = {"color": grey, "edgecolor": "black", "hatch": HATCHES[index % len(HATCHES)]}
            panel.bar(at, middle, width, yerr=reach, capsize=2, label=name, **style)
    panels[0].set_ylabel("sheets until every zone is right\n(median; never counts in full)")
    panels[1].set_ylabel("zones out, % of all sheets (mean)")
    panels[1].set_xticks(
        range(len(scenarios)), scenarios, rotation=30 if len(scenarios) > 4 else 0, ha="center"
    )
    panels[0].legend(ncols=5, fontsize="small", loc="lower left", bbox_to_anchor=(0, 1.0))
    figure.savefig(path, dpi=110)
    plt.close(figure)
