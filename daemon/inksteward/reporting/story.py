"""What a report tells, gathered from the tables of a record: one Story for each run."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field

from inksteward.reporting.columns import Record

RUN = "run"
_KEPT = ("jobs", "decisions", "requests", "alarms", "outcomes")


@dataclass(slots=True)
class Sheet:
    """One reading of one unit; lists over zones, None where a zone was not read or is not controlled. ``full``: of the
    whole strip, not of a part of it or of single zones by hand.
    """

    scan_id: str
    sheet: int
    read_at: int
    after_ok: bool
    full: bool = True
    density_d: list[float | None] = field(default_factory=list)
    aim_d: list[float | None] = field(default_factory=list)
    low_d: list[float | None] = field(default_factory=list)
    high_d: list[float | None] = field(default_factory=list)
    in_tolerance: list[bool | None] = field(default_factory=list)

    def deviation_d(self) -> list[float | None]:
        """Density minus aim by zone, of zones in or out of tolerance alone."""
        rows = zip(self.density_d, self.aim_d, self.in_tolerance, strict=True)
        return [
            density - aim if density is not None and aim is not None and told is not None else None
            for density, aim, told in rows
        ]


@dataclass(slots=True)
class Ink:
    """One unit of a run: what it prints and how it read, oldest first; moves of its keys."""

    unit: str
    ink: str
    sheets: list[Sheet] = field(default_factory=list)
    moves: int = 0
    travel_pct: float = 0.0

    @property
    def zones(self) -> int:
        """Zones of the unit."""
        return len(self.sheets[-1].density_d)

    @property
    def controlled(self) -> bool:
        """Whether it ever had an aim."""
        return any(aim is not None for sheet in self.sheets for aim in sheet.aim_d)

    def last(self) -> Sheet:
        """The last reading of a whole strip; the last one where there is none."""
        return next((sheet for sheet in reversed(self.sheets) if sheet.full), self.sheets[-1])

    def judged(self) -> list[Sheet]:
        """Readings after the OK sheet; all where there are none."""
        return [sheet for sheet in self.sheets if sheet.after_ok] or self.sheets


@dataclass(slots=True)
class Told:
    """A note that was told: how often, between which sheets, and its words when it was told last."""

    times: int = 0
    first_sheet: int | None = None
    last_sheet: int | None = None
    text: str = ""
    remedy: str = ""


@dataclass(slots=True)
class Story:
    """One run. ``rows`` holds records of a few tables as they came; ``waste`` sums by whether after the OK sheet, which
    is from the first row of phase ``run`` on.
    """

    run_id: str | None
    inks: dict[str, Ink] = field(default_factory=dict)
    rows: dict[str, list[Record]] = field(default_factory=lambda: defaultdict(list))
    notes: dict[tuple[str, str], Told] = field(default_factory=dict)
    waste: dict[bool, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    limits: Counter[str] = field(default_factory=Counter)
    instruments: dict[str, None] = field(default_factory=dict)
    refused: Counter[str] = field(default_factory=Counter)
    proposals: int = 0
    okayed: bool = False
    first_at: int | None = None
    last_at: int | None = None
    first_sheet: int | None = None
    last_sheet: int | None = None

    def take(self, table: str, record: Record) -> None:
        """One row of one table."""
        self.okayed = self.okayed or record.get("phase") == RUN
        if table == "scans":
            self._zone(record)
        elif table in _KEPT:
            self.rows[table].append(record)
        elif table == "proposals":
            self.proposals += 1
        elif table == "limited":
            self.limits[record["limited_by"]] += 1
        elif table == "refused":
            self.refused[record["topic"]] += 1
        elif table == "moves":
            self._move(record)
        elif table == "notes":
            self._note(record)
        elif table == "waste":
            sums = self.waste[self.okayed]
            sums.update({name: count for name, count in record.items() if name.endswith("_sheets")})
        elif table == "counter":
            self._count(record)

    def _zone(self, record: Record) -> None:
        ink = self.inks.setdefault(record["unit"], Ink(record["unit"], record["ink"]))
        if record["zone"] == 1:
            ink.ink = record["ink"]
            full = record["extent"] == "full"
            seen = Sheet(record["scan_id"], record["sheet"], record["read_at"], self.okayed, full)
            ink.sheets.append(seen)
            self._seen(record["read_at"], record["sheet"])
            if record["instrument_id"] is not None:
                self.instruments.setdefault(record["instrument_id"])
        sheet = ink.sheets[-1]
        for name in ("density_d", "aim_d", "low_d", "high_d", "in_tolerance"):
            getattr(sheet, name).append(record[name])

    def _move(self, record: Record) -> None:
        ink = self.inks.get(record["unit"])
        if ink is not None:
            reached = record["read_back_pct"] if record["read_back_pct"] is not None else record["to_pct"]
            ink.moves += 1
            ink.travel_pct += abs(reached - record["from_pct"])

    def _note(self, record: Record) -> None:
        told = self.notes.setdefault((record["code"], record["unit"] or ""), Told())
        told.times += 1
        if told.first_sheet is None:
            told.first_sheet = record["sheet"]
        told.last_sheet, told.text, told.remedy = record["sheet"], record["text"], record["remedy"]

    def _count(self, record: Record) -> None:
        self._seen(record["counted_at"], record["sheet"])

    def _seen(self, at: int, sheet: int) -> None:
        if self.first_at is None:
            self.first_at, self.first_sheet = at, sheet
        self.last_at = at
        self.last_sheet = max(sheet, self.last_sheet or 0)

    @property
    def ok_sheets(self) -> list[Record]:
        """Requests for an OK sheet that were done."""
        return [row for row in self.rows["requests"] if row["kind"] == "ok_sheet" and row["accepted"]]

    def controlled(self) -> list[Ink]:
        """Units that were read and had aims, in the order of the press."""
        return [ink for ink in self.inks.values() if ink.controlled]


@dataclass(slots=True)
class Stories:
    """All runs of a record, and what concerns none of them alone."""

    runs: dict[str | None, Story] = field(default_factory=dict)
    starts: list[Record] = field(default_factory=list)
    calibrations: dict[tuple[str, str | None, str | None], Record] = field(default_factory=dict)
    journals: list[Record] = field(default_factory=list)

    def take(self, table: str, record: Record) -> None:
        """One row of one table, as lay_out hands it over."""
        if table == "journals":
            self.journals.append(record)
        elif table == "starts":
            self.starts.append(record)
        elif table == "calibrations":
            key = (record["unit"], record["blade_id"], record["calibrated_on"])
            self.calibrations[key] = record
        else:
            run_id = record["run_id"]
            self.runs.setdefault(run_id, Story(run_id)).take(table, record)

    def chosen(self, run_id: str | None) -> Story:
        """The run that is asked for, or the only one that was read; an empty Story where no run is in it at all.

        Raises ValueError naming the runs where it is not clear.
        """
        named = [run for run in self.runs if run is not None]
        if run_id is not None:
            if run_id not in self.runs:
                raise ValueError(f"--run {run_id}: expected one of {', '.join(named) or 'no run at all'}")
            return self.runs[run_id]
        read = [run for run in named if self.runs[run].inks] or named[-1:]
        if len(read) > 1:
            raise ValueError(
                f"the record holds {len(read)} runs: expected --run with one of {', '.join(read)}"
            )
        return self.runs[read[0]] if read else Story(None)
