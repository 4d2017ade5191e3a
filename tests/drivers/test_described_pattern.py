"""Messages of described protocols: which expressions are taken, and that none of those can take long."""

import re
import time

import pytest

from inksteward_drivers.described_form import MessageForm
from inksteward_drivers.described_pattern import PATCH_FIELDS, Hazard, Unread, checked, message_reader
from inksteward_drivers.settings import SettingError

LONGEST = 1024


@pytest.mark.parametrize(
    "pattern",
    [
        r"B(?P<sheet>\d+),(?P<run_id>[\w-]+)",
        r"P(?P<position>-?\d+(?:\.\d+)?);(?P<kind>solid|paper|tint);(?P<density>\d\.\d\d)?",
        r"(?P<ink>[^;]*);(?P<tone>\d{1,3}) *%",
        r"^E$",
        r"X.*",
        r".*;E",  # one choice to come back to
    ],
)
def test_expressions_that_are_taken(pattern: str) -> None:
    """An expression in which each repetition ends where the next part begins is taken, and one exception."""
    assert checked(pattern).pattern == pattern.encode()


@pytest.mark.parametrize(
    "pattern",
    [
        r"(a+)+b",
        r"(?:\d+,)*x",
        r"(a|a)*b",
        r"\d*\d*\d*x",
        r".*,.*,.*,x",
        r"(?:ab?)?(?:ab?)?(?:ab?)?",
        r"a(?=b)",
        r"(?P<x>a)(?P=x)",
        r"(?<!a)b",
        r"(?i:a)",
        r"[[]a]",
        r"(?i)a+A",
        r"(?s).*",
        r"a{1,99999999999}",
        "ä",
    ],
)
def test_expressions_that_are_refused(pattern: str) -> None:
    """Nested and ambiguous repetitions, look-around, back-references and inner flags are refused."""
    with pytest.raises(Hazard):
        checked(pattern)


@pytest.mark.parametrize("pattern", [r".*;E", r"[ab]*a", r"\d+(?:\.\d+)?;\d+(?:\.\d+)?x", r"a?[ab]{1,900}c"])
def test_what_is_taken_does_not_take_long(pattern: str) -> None:
    """The longest frames that almost match are judged at once: a hundred of them within seconds of processor time."""
    expression = checked(pattern)
    frames = [sign * LONGEST for sign in (b"a", b";", b"1", b"1;", b"ab", b"1.")]
    begun = time.process_time()
    for _ in range(100):
        for frame in frames:
            assert expression.fullmatch(frame[:LONGEST]) is None or pattern == r"[ab]*a"
    assert time.process_time() - begun < 20


def test_the_refused_kind_would_take_long() -> None:
    """The reason for the check: with a nested repetition each byte more doubles the time."""
    slow = re.compile(rb"(?:a+)+b")
    took = []
    for size in (12, 20):
        begun = time.process_time()
        assert slow.fullmatch(b"a" * size) is None
        took.append(time.process_time() - begun)
    assert took[1] > 20 * took[0]


def reader(**form: object) -> object:
    return message_reader("strip: patch", MessageForm(**form), PATCH_FIELDS, "ascii")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({}, r"strip: patch = \{'starts_with': ''\}: expected pattern alone, or delimiter and columns"),
        ({"pattern": "a", "columns": ("-",), "delimiter": ";"}, "expected pattern alone"),
        ({"columns": ("-",)}, "expected pattern alone"),
        ({"pattern": "a", "starts_with": "P"}, "patch.starts_with = 'P': expected only with columns"),
        ({"pattern": "(a"}, r"patch.pattern = '\(a': expected a regular expression"),
        ({"pattern": "(a+)+"}, r"patch.pattern = '\(a\+\)\+': expected repeat one character"),
        (
            {"pattern": "(?P<colour>a)"},
            "patch.pattern = colour: expected fields of position, kind, .*density_NAME",
        ),
        (
            {"columns": ("position", "density_"), "delimiter": ";"},
            "patch.columns = density_: expected fields",
        ),
        ({"columns": ("kind", "kind"), "delimiter": ";"}, "expected each field once"),
    ],
)
def test_messages_that_are_refused(form: dict[str, object], words: str) -> None:
    """A message that is not described one way, or names an unknown field, is refused with the setting's name."""
    with pytest.raises(SettingError, match=words):
        reader(**form)


def test_columns_are_counted() -> None:
    """A message that begins as described and has another number of columns is told with both numbers."""
    read = message_reader(
        "p",
        MessageForm(starts_with="P", delimiter=";", columns=("position", "-", "kind")),
        PATCH_FIELDS,
        "ascii",
    )
    assert read(b"P1 ;x; solid") == {"position": "1", "kind": "solid"}
    assert read(b"Q1;x;solid") is None
    with pytest.raises(Unread, match="2 columns, expected 3"):
        read(b"P1;x")
    with pytest.raises(Unread, match="bytes 50 E4: expected text in ascii"):
        read(b"P\xe4")


def test_groups_that_took_no_part_are_no_fields() -> None:
    """An optional group that matched nothing gives no field; text is in the described encoding."""
    read = message_reader(
        "p", MessageForm(pattern="(?P<tone>[0-9]+)?(?P<ink>[^0-9])"), PATCH_FIELDS, "latin-1"
    )
    assert read(b"\xe4") == {"ink": "ä"}
