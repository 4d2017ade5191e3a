"""What was expected, in words, from pydantic's findings."""

from __future__ import annotations

import json
import re
from difflib import get_close_matches
from typing import Any

from inksteward.config.forms import PATTERN_WORDS

MAX_SHOWN = 80
NOT_SHOWN = "(not shown)"
_SECRET = re.compile(r"password|passphrase|secret|token|private_key|(^|_)pin($|_)")
_LOGIN = re.compile(r"(://)[^/@]*@")

_PLAIN = {
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "bool_type": "true or false",
    "string_type": "text",
    "tuple_type": "a list",
    "list_type": "a list",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "date_type": "a date such as 2026-03-31",
    "date_parsing": "a date such as 2026-03-31",
}
_FILLED = {
    "greater_than": "more than {gt:g}",
    "greater_than_equal": "at least {ge:g}",
    "less_than": "less than {lt:g}",
    "less_than_equal": "at most {le:g}",
    "too_short": "at least {min_length} entries",
    "too_long": "at most {max_length} entries",
    "string_too_short": "at least {min_length} character(s)",
    "string_too_long": "at most {max_length} characters",
    "enum": "{expected}",
    "literal_error": "{expected}",
}


def expected(item: Any) -> str:
    """Words for one entry of ``ValidationError.errors()``; pydantic's own message where none are written here."""
    kind, context = item["type"], item.get("ctx", {})
    if kind == "string_pattern_mismatch":
        return PATTERN_WORDS.get(context["pattern"], f"text of the form {context['pattern']}")
    if kind == "value_error":
        return str(context["error"])
    if kind in _FILLED:
        return _FILLED[kind].format(**context)
    return _PLAIN.get(kind, str(item["msg"]))


def nearest(name: str, known: tuple[str, ...]) -> str:
    """The known names that look most like ``name``, else all of them, in words."""
    close = get_close_matches(name, known, n=2, cutoff=0.6)
    if close:
        return "a known name, perhaps " + " or ".join(close)
    return "one of " + ", ".join(known)


def secret(name: str) -> bool:
    """Whether a key of that name would hold a secret itself, and not the name of a file that holds it."""
    return _SECRET.search(name.lower()) is not None and not name.endswith("_file")


def shown(value: Any) -> str:
    """A value as shown in an error: JSON, cut at 80 characters, without the login of an address."""
    try:
        text = json.dumps(value, ensure_ascii=False, default=repr)
    except ValueError:  # an integer of thousands of digits, which TOML can write in hexadecimal
        text = "a number of thousands of digits"
    text = _LOGIN.sub(r"\1…@", text)
    return text if len(text) <= MAX_SHOWN else text[: MAX_SHOWN - 1] + "…"
