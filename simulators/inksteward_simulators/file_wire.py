"""A strip reader that leaves a table for every sheet in a folder, `RUN_SHEET.csv`."""

import asyncio
import csv
import io
from pathlib import Path
from typing import Any

MISSED = "-"
BETWEEN = "+"


class FileWire:
    """Writes each scan once, under another name first: half a file is never there under its own."""

    def __init__(self, folder: Path, filters: tuple[str, ...]) -> None:
        self._folder, self._filters = folder, filters
        folder.mkdir(parents=True, exist_ok=True)

    async def send(self, scan: dict[str, Any]) -> None:
        """Return once the file is there."""
        await asyncio.to_thread(
            self._write, f"{scan['run_id']}_{scan['sheet']}.csv", table_of(scan, self._filters)
        )

    def _write(self, name: str, text: str) -> None:
        begun = self._folder / f".{name}.part"
        begun.write_text(text, encoding="utf-8")
        begun.rename(self._folder / name)


def table_of(scan: dict[str, Any], filters: tuple[str, ...]) -> str:
    """The scan as a table: a line of names, then a line for each patch."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(["mm", "what", "ink", "tone", *filters])
    for row in scan["patches"]:
        density = row.get("density") or {}
        values = [f"{density[name]:.3f}" if name in density else MISSED for name in filters]
        inks = BETWEEN.join(row["inks"]) or MISSED
        table.writerow([f"{row['x_mm']:.2f}", row["kind"], inks, f"{row['tone_pct']:g}", *values])
    return out.getvalue()
