"""The report: it says what the record holds, who decided, and whether anybody can vouch for it; always the same."""

from __future__ import annotations

import hashlib
import html
import re
import shutil
import time
from html.parser import HTMLParser
from pathlib import Path

import pytest

from inksteward import __version__
from inksteward.canonical import canonical
from inksteward.events import Started
from inksteward.journal_read import head_of, read_rows
from inksteward.reporting.columns import Record
from tests.reporting.kit import called

Tables = dict[str, list[Record]]


class Outline(HTMLParser):
    """Elements with their attributes, text by the element it stands in, and the element each one stands in."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[tuple[str, str]] = []
        self._within: list[str] = []
        self.feed(text)

    def handle_starttag(self, name: str, attributes: list[tuple[str, str | None]]) -> None:
        self.found.append((name, dict(attributes)))
        if name not in ("meta", "br"):
            self._within.append(name)

    def handle_startendtag(self, name: str, attributes: list[tuple[str, str | None]]) -> None:
        self.found.append((name, dict(attributes)))

    def handle_endtag(self, name: str) -> None:
        assert self._within.pop() == name

    def handle_data(self, data: str) -> None:
        if data.strip():
            self.words.append((self._within[-1] if self._within else "", data))

    def text(self) -> str:
        """All words of the page."""
        return " ".join(words for name, words in self.words if name != "style")


@pytest.fixture(scope="module")
def text(report: Path) -> str:
    """The page."""
    return report.read_text("utf-8")


@pytest.fixture(scope="module")
def outline(text: str) -> Outline:
    """What stands in it."""
    return Outline(text)


def test_the_page_needs_nothing_else(text: str, outline: Outline) -> None:
    """No script, no address, no other file; every element is closed in its order, every id stands once."""
    assert not re.search(r"<script|https?:|//|@import|url\((?!#)|\bsrc=|\bhref=", text)
    ids = [attributes["id"] for _, attributes in outline.found if "id" in attributes]
    assert len(ids) == len(set(ids))
    named = re.findall(r"url\(#(\w+)\)", text)
    assert set(named) <= set(ids)


def test_pictures_have_titles_and_tables_have_heads(outline: Outline) -> None:
    """Every picture is named by a title and a description; every table has a caption and column heads."""
    pictures = [
        attributes for name, attributes in outline.found if name == "svg" and attributes.get("role") == "img"
    ]
    ids = {attributes.get("id") for _, attributes in outline.found}
    assert len(pictures) > 8
    for picture in pictures:
        assert set((picture["aria-labelledby"] or "").split()) <= ids
    others = [
        attributes for name, attributes in outline.found if name == "svg" and attributes.get("role") != "img"
    ]
    assert all(attributes.get("aria-hidden") == "true" for attributes in others)
    names = [name for name, _ in outline.found]
    assert names.count("table") == names.count("caption") == names.count("thead") > 5
    heads = [attributes for name, attributes in outline.found if name == "th"]
    assert all(attributes["scope"] in ("col", "row") for attributes in heads)


def test_every_decision_is_there_with_its_name(text: str, tables: Tables) -> None:
    """One row for each; names and reasons are written as words, never as markup."""
    part = text[text.index("<caption>Decisions") : text.index("What operators asked for besides")]
    assert part.count("<tr>") == 1 + len(tables["decisions"])
    assert part.count("Ben &amp; &lt;b&gt;Co&lt;/b&gt; (op-ben)") == sum(
        row["operator"] == "op-ben" and row["accepted"] for row in tables["decisions"]
    )
    assert "said to be op-nobody" in part
    assert "(op-nobody)" not in part
    assert html.escape('streaks, "left", look') in part
    assert "<b>Co" not in text
    assert "over the broker" in part


def test_the_ok_sheet_says_who_and_which(text: str, tables: Tables) -> None:
    """The scan, the operator, the time, the way."""
    (row,) = [row for row in tables["requests"] if row["kind"] == "ok_sheet"]
    at = f"{time.strftime('%Y-%m-%d %H:%M:%S', time.gmtime(row['asked_at'] / 1000))} UTC"
    assert f"Anna (op-anna) named scan {row['scan_id']}, {at}, over the broker." in text


def test_where_it_comes_from_is_told(text: str, paths: tuple[Path, ...]) -> None:
    """Head of the chain, digest of the configuration, software, calibrations, instrument, press."""
    event = next(read_rows(paths[0])).event
    assert isinstance(event, Started)
    for told in (
        head_of(paths[1]),
        hashlib.sha256(canonical(event.config)).hexdigest(),
        f"inksteward {__version__}",
        "slides-u1",
        "2099-12-31",
        "strip-1",
        "press press-demo",
        "No fault was found in the record",
    ):
        assert told in text, told


def test_waste_and_conformance_are_the_tables(text: str, tables: Tables) -> None:
    """Sheets until and after the OK sheet, and every zone's share, as the exported rows say."""
    for after in (False, True):
        rows = [row for row in tables["waste"] if (row["phase"] == "run") is after]
        cells = [
            f"<td>{sum(row[f'{name}_sheets'] for row in rows):,}</td>" for name in ("printed", "not_good")
        ]
        assert "".join(cells) in text
    read = [
        row for row in tables["scans"] if row["unit"] == "u2" and row["zone"] == 5 and row["phase"] == "run"
    ]
    told = f"{sum(row['in_tolerance'] for row in read)} of {len(read)}"
    assert re.search(rf'<th scope="row">5</th><td>\d+ of \d+</td><td>{told}</td>', text)


def test_the_same_record_gives_the_same_bytes(
    paths: tuple[Path, ...], report: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In another folder, under another name, in another time zone."""
    for path in paths:
        shutil.copy(path, tmp_path / path.name)
        shutil.copy(path.with_name(path.name + ".sha256"), tmp_path)
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    monkeypatch.setenv("LC_ALL", "C")
    time.tzset()
    try:
        monkeypatch.chdir(tmp_path)
        assert called("report", *(path.name for path in paths)) == 0
    finally:
        monkeypatch.undo()
        time.tzset()
    assert (tmp_path / "report-run-1.html").read_bytes() == report.read_bytes()
