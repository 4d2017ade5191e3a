"""What a configuration was expected to say, in words, from pydantic's findings."""

from __future__ import annotations

import json
import re
from difflib import get_close_matches
from typing import Any

from inksteward.config.forms import PATTERN_WORDS
from inksteward.contract import words

MAX_SHOWN = 80
NOT_SHOWN = "(not shown)"
_SECRET = re.compile(r"password|passphrase|secret|token|private_key|(^|_)pin($|_)")
_LOGIN = re.compile(r"(://)[^/@]*@")

_TOML = {
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "date_type": "a date such as 2026-03-31",
    "date_parsing": "a date such as 2026-03-31",
}
"""What is called otherwise in a configuration than in a payload."""


def expected(item: Any) -> str:
    """Words for one entry of ``ValidationError.errors()``; pydantic's own message where none are written here."""
    known = PATTERN_WORDS.get(item.get("ctx", {}).get("pattern"))
    return known or _TOML.get(item["type"]) or words.expected(item)


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
