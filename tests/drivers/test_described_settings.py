"""The description as a whole is judged when the driver is made, and every mistake names its setting."""

from typing import Any

import pytest

from inksteward_drivers.described import build
from inksteward_drivers.settings import SettingError
from tests.drivers.bench import context
from tests.drivers.descriptions import ABSENT, described


def test_a_good_description() -> None:
    """The description that the tests stand on is taken."""
    assert build(context(**described())).name == "under-test"


@pytest.mark.parametrize(
    ("place", "value", "words"),
    [
        ("url", ABSENT, "url = missing"),
        ("url", "", "url = "),
        ("baud", 1234, "baud = 1234: expected one of the usual speeds"),
        ("parity", "mark", "parity = mark: expected"),
        ("encoding", "utf-16", "encoding = utf-16"),
        ("colour", 1, "colour = 1: expected"),
        ("frame", ABSENT, "frame = missing"),
        ("frame.start", "2", "frame.start = 2: expected .*pairs of hexadecimal digits"),
        ("frame.start", "", "frame.start = missing: expected with frame.kind marked"),
        ("frame.max_bytes", 1025, "frame.max_bytes = 1025"),
        ("frame.gap_s", 0.01, "frame.gap_s = 0.01"),
        ("checksum.kind", "crc32", "checksum.kind = crc32"),
        ("checksum.covers", [], r"checksum.covers = \[\]"),
        ("begin.pattern", "(", "begin.pattern = '\\('"),
        (
            "begin.pattern",
            "(?P<tone>.)",
            "begin.pattern = tone: expected fields of sheet, run_id, side, count",
        ),
        ("begin", ABSENT, "sheet = missing: expected as a field of begin, patch or end"),
        ("patch", ABSENT, "patch = missing"),
        ("patch.columns", ["kind", "density_C"], "patch = no field position"),
        ("patch.columns", ["position", "kind"], "patch = no field density"),
        ("patch.columns", ["position", "density_C"], "values.kind = missing"),
        ("end", ABSENT, "end = missing: expected with scan.ends_by end"),
        ("ignore", ["ä"], "ignore = 'ä': expected ASCII"),
        ("values.position", "furlong", "values.position = furlong"),
        ("values.position", "number", "values.first_mm = None: expected with values.position number"),
        ("values.pitch_mm", 4.8, "values.pitch_mm = 4.8: expected only with values.position number"),
        ("values.kinds", {"S": "soild"}, "values.kinds.S = soild"),
        ("scan.ends_by", "sunset", "scan.ends_by = sunset"),
        ("scan.side", ABSENT, "scan.side = missing: expected front or back, or a field side"),
        ("scan.run_id_prefix", "run 1", "scan.run_id_prefix = run 1"),
        ("instrument.status", "X", "instrument.status = X"),
        ("instrument.colour", 1, "instrument.colour = 1"),
        ("request", {"bytes": "05"}, "request.every_s = missing"),
        ("request", {"bytes": "", "every_s": 1.0}, "request.bytes = "),
        ("acknowledge", {"of": "frame"}, "acknowledge.good = missing"),
    ],
)
def test_mistakes_are_named(place: str, value: Any, words: str) -> None:
    """What is missing, unknown or does not fit is refused with the setting's name, its value and what was expected."""
    with pytest.raises(SettingError, match=f"under-test: {words}"):
        build(context(**described((place, value))))


def test_a_count_needs_a_field() -> None:
    """A scan that ends by its count needs the count at its beginning."""
    with pytest.raises(SettingError, match="begin = no field count: expected one with"):
        build(
            context(
                **described(("scan.ends_by", "count"), ("begin.pattern", r"B(?P<sheet>\d+),(?P<run_id>\w+)"))
            )
        )
