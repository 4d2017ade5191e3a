"""Tables as files: both forms say the same, all or nothing, never over something else, in flat memory."""

from __future__ import annotations

import csv
import sys
import tracemalloc
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import pyarrow as pa
import pytest
from pyarrow import parquet

from inksteward.reporting import sinks
from inksteward.reporting.columns import Column, Kind, Record
from inksteward.reporting.place import PlaceError, whole_folder, write_whole
from inksteward.reporting.sinks import CsvSink, ParquetSink, fitted
from inksteward.reporting.tables import TABLES
from inksteward.reporting.walk import Source, lay_out, sources_of
from tests.records import forge
from tests.reporting.kit import FIRST, WHY, called

Tables = dict[str, list[Record]]
TYPES = {
    Kind.TEXT: pa.string(),
    Kind.WHOLE: pa.int64(),
    Kind.REAL: pa.float64(),
    Kind.FLAG: pa.bool_(),
    Kind.TIME: pa.timestamp("ms", tz="UTC"),
}


def read(path: Path) -> duckdb.DuckDBPyRelation:
    """A table as DuckDB reads it."""
    return duckdb.read_csv(path) if path.suffix == ".csv" else duckdb.read_parquet(str(path))


@pytest.fixture(scope="module", params=["csv", "parquet"])
def exported(
    paths: tuple[Path, ...], tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest
) -> Path:
    """A folder of tables in one of the forms."""
    folder = tmp_path_factory.mktemp("export") / "tables"
    assert called("export", *paths, "--to", folder, "--form", request.param) == 0
    return folder


def test_every_table_is_there_with_every_row(exported: Path, tables: Tables) -> None:
    """One file each, empty tables too; as many rows as were laid out, read by another program."""
    files = sorted(path.name.partition(".")[0] for path in exported.iterdir())
    assert files == sorted(TABLES)
    for path in exported.iterdir():
        assert len(read(path)) == len(tables.get(path.stem, []))
    mask = exported.stat().st_mode & 0o777
    assert mask & 0o700 == 0o700


def test_values_come_back(exported: Path, tables: Tables) -> None:
    """Densities, flags, times and nulls of the readings as another program reads them."""
    (path,) = exported.glob("scans.*")
    found = read(path).project("zone, density_d, in_tolerance, epoch_ms(read_at), aim_d").fetchall()
    names = ("zone", "density_d", "in_tolerance", "read_at", "aim_d")
    assert found == [tuple(row[name] for name in names) for row in tables["scans"]]


def test_columns_keep_their_order_and_types(exported: Path) -> None:
    """Names in the order of the guide; types of Parquet are exactly those, and say what they mean."""
    for name, table in TABLES.items():
        names = [column.name for column in table.columns]
        if (path := exported / f"{name}.csv").exists():
            with path.open(encoding="utf-8", newline="") as file:
                assert next(csv.reader(file)) == names
            continue
        schema = parquet.read_schema(exported / f"{name}.parquet")
        assert schema.names == names
        assert [field.type for field in schema] == [TYPES[column.kind] for column in table.columns]
        assert [field.metadata[b"told"].decode() for field in schema] == [c.told for c in table.columns]


def test_csv_is_that_of_rfc_4180(paths: tuple[Path, ...], tmp_path: Path, tables: Tables) -> None:
    """Lines end with CRLF; quotes are doubled; a line break, a comma and quotes come back as they were."""
    assert called("export", *paths, "--to", tmp_path / "t", "--form", "csv") == 0
    raw = (tmp_path / "t/decisions.csv").read_bytes()
    assert b'"streaks, ""left"", look\r\nagain"' in raw
    assert raw.replace(b"\r\n", b"").count(b"\n") == 0
    with (tmp_path / "t/decisions.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file, strict=True))
    assert len(rows) == len(tables["decisions"])
    assert WHY in {row["reason"] for row in rows}
    first = datetime.fromtimestamp(tables["decisions"][0]["decided_at"] / 1000, UTC)
    assert datetime.fromisoformat(rows[0]["decided_at"]) == first
    assert rows[0]["accepted"] == "true"


def test_the_same_journals_give_the_same_bytes(paths: tuple[Path, ...], tmp_path: Path) -> None:
    """Twice the same files, in both forms."""
    for form in ("csv", "parquet"):
        for name in ("a", "b"):
            assert called("export", *paths, "--to", tmp_path / form / name, "--form", form) == 0
        for path in (tmp_path / form / "a").iterdir():
            assert path.read_bytes() == (tmp_path / form / "b" / path.name).read_bytes()


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_nothing_is_left_of_an_export_that_fails(
    paths: tuple[Path, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: str,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    """A disk that is full in the middle: no folder, no half of one, and the earlier export stands."""
    to = tmp_path / "out" / "tables"
    assert called("export", paths[0], "--to", to, "--form", form) == 0
    before = {path.name: path.read_bytes() for path in to.iterdir()}
    row = sinks.Sink.row

    def full(self: sinks.Sink, record: Record) -> None:
        if self.rows == 100:
            raise OSError(28, "No space left on device")
        row(self, record)

    monkeypatch.setattr(sinks.Sink, "row", full)
    assert called("export", *paths, "--to", to, "--form", form, "--force") == 2
    assert "No space left on device" in capsys.readouterr().err
    assert {path.name: path.read_bytes() for path in to.iterdir()} == before
    assert [path.name for path in to.parent.iterdir()] == ["tables"]


def test_nothing_is_replaced_unless_asked(
    paths: tuple[Path, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An export stands until --force; then the new one takes its place, in whichever form."""
    to = tmp_path / "tables"
    assert called("export", paths[0], "--to", to, "--form", "csv") == 0
    assert called("export", *paths, "--to", to, "--form", "parquet") == 2
    assert "not empty" in capsys.readouterr().err
    assert called("export", *paths, "--to", to, "--form", "parquet", "--force") == 0
    assert {path.suffix for path in to.iterdir()} == {".parquet"}


def test_foreign_files_are_never_replaced(
    paths: tuple[Path, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A folder that holds anything else, or a file of that name, is not touched even with --force."""
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine/notes.txt").write_text("mine")
    (tmp_path / "file").write_text("mine")
    for name, told in (("mine", "holds 'notes.txt', which no export wrote"), ("file", "is a file")):
        assert called("export", *paths, "--to", tmp_path / name, "--form", "csv", "--force") == 2
        assert told in capsys.readouterr().err
    assert (tmp_path / "mine/notes.txt").read_text() == (tmp_path / "file").read_text() == "mine"
    assert called("export", *paths, "--to", tmp_path / "file/below", "--form", "csv") == 2
    assert "cannot be made" in capsys.readouterr().err


def test_somebody_else_was_quicker(tmp_path: Path) -> None:
    """A folder that came to be while the tables were written is not taken over."""

    def both() -> None:
        with whole_folder(tmp_path / "t", frozenset(), force=False) as made:
            (made / "a.csv").write_text("ours")
            (tmp_path / "t").mkdir()
            (tmp_path / "t/b.csv").write_text("theirs")

    with pytest.raises(PlaceError, match="is there and not empty"):
        both()
    assert [path.name for path in tmp_path.rglob("*.csv")] == ["b.csv"]


def test_a_file_appears_whole(tmp_path: Path) -> None:
    """A file is written beside its place and moved there; one that is there stands unless it is to be replaced."""
    path = tmp_path / "a.html"
    write_whole(path, b"one", force=False)
    with pytest.raises(PlaceError, match="is there"):
        write_whole(path, b"two", force=False)
    assert path.read_bytes() == b"one"
    write_whole(path, b"two", force=True)
    assert path.read_bytes() == b"two"
    with pytest.raises(PlaceError, match="is a folder"):
        write_whole(tmp_path, b"", force=True)
    with pytest.raises(PlaceError, match="cannot be written"):
        write_whole(tmp_path / "no/such.html", b"", force=True)
    assert [each.name for each in tmp_path.iterdir()] == ["a.html"]


def test_a_missing_extra_is_named(
    paths: tuple[Path, ...],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Without pyarrow Parquet says what to install, and CSV is written all the same."""
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    assert called("export", *paths, "--to", tmp_path / "p", "--form", "parquet") == 2
    assert "install inksteward[export], or use --form csv" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
    assert called("export", *paths, "--to", tmp_path / "c", "--form", "csv") == 0


def test_a_record_that_is_not_whole_is_not_exported(
    paths: tuple[Path, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An altered journal is refused with its first altered row."""
    path = tmp_path / FIRST
    path.write_bytes(paths[0].read_bytes())
    forge(path, "UPDATE event SET mono_ns = mono_ns + 1 WHERE seq = 77")
    assert called("export", path, "--to", tmp_path / "t", "--form", "csv") == 1
    assert "not sound, so nothing was written: row 77: altered" in capsys.readouterr().err
    assert not (tmp_path / "t").exists()


def test_memory_stays_flat(paths: tuple[Path, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Five times the rows take much more on disk and next to nothing more in memory: they go there in groups."""
    monkeypatch.setattr(sinks, "ROW_GROUP", 200)
    (whole,) = sources_of(paths[:1])
    sources = (Source(whole.path, replace(whole.report, rows=120)),)
    for kind in (CsvSink, ParquetSink):
        peaks = []
        for times in (2, 10):
            folder = tmp_path / f"{kind.__name__}-{times}"
            folder.mkdir()
            open_ = {name: kind(table, folder) for name, table in TABLES.items()}
            tracemalloc.start()
            lay_out(sources * times, lambda name, row, open_=open_: open_[name].row(row))  # type: ignore[misc]
            peaks.append(tracemalloc.get_traced_memory()[1])
            tracemalloc.stop()
            for sink in open_.values():
                sink.close()
        assert peaks[1] - peaks[0] < 250_000, f"{kind.__name__}: {peaks}"
    sizes = [sum(each.stat().st_size for each in (tmp_path / f"CsvSink-{n}").iterdir()) for n in (2, 10)]
    assert sizes[1] - sizes[0] > 400_000
    meta = parquet.read_metadata(tmp_path / "ParquetSink-10/scans.parquet")
    assert meta.num_row_groups > 3


@pytest.mark.parametrize(
    ("kind", "value", "fits"),
    [
        (Kind.WHOLE, 41.0, 41),
        (Kind.REAL, 3, 3.0),
        (Kind.TEXT, "", None),
        (Kind.WHOLE, 41.5, ...),
        (Kind.TIME, 253_402_300_799_999, 253_402_300_799_999),
        (Kind.TIME, 253_402_300_800_000, ...),
        (Kind.REAL, True, ...),
        (Kind.FLAG, 1, ...),
        (Kind.TEXT, 5, ...),
    ],
)
def test_values_fit_their_column_or_are_told(kind: Kind, value: object, fits: object) -> None:
    """Nothing is quietly made into something else."""
    column = Column("a_d", kind, "a value")
    if fits is not ...:
        assert fitted(column, value) == fits
        assert type(fitted(column, value)) is type(fits)
        return
    with pytest.raises(ValueError, match=r"a_d: .*expected a value of type"):
        fitted(column, value)
