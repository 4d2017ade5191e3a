"""What was expected, in words, from pydantic's findings."""

from __future__ import annotations

from typing import Any

NAME = r"^[A-Za-z0-9._-]{1,64}$"
TIME = r"^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d{1,9})?(Z|[+-]\d{2}:\d{2})$"
DIGEST = r"^sha256:[0-9a-f]{64}$"

_PATTERNS = {
    NAME: "1 to 64 characters of A-Z, a-z, 0-9, '.', '_' and '-'",
    TIME: "a time such as 2026-03-02T08:15:30.000Z",
    DIGEST: "sha256: and 64 characters of 0-9 and a-f",
}
_PLAIN = {
    "missing": "a value",
    "float_type": "a number",
    "float_parsing": "a number",
    "finite_number": "a finite number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "bool_type": "true or false",
    "string_type": "text",
    "tuple_type": "a list",
    "list_type": "a list",
    "dict_type": "an object",
    "model_type": "an object",
    "model_attributes_type": "an object",
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
    if kind == "value_error":
        return str(context["error"])
    if kind == "string_pattern_mismatch":
        return _PATTERNS.get(context["pattern"], f"text of the form {context['pattern']}")
    if kind in _FILLED:
        return _FILLED[kind].format(**context)
    return _PLAIN.get(kind, str(item["msg"]))
