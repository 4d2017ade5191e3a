"""Holds what a simulator sends against the published JSON Schemas, when it is given their folder."""

import json
from pathlib import Path
from typing import Any


class SchemaFault(Exception):
    """A payload is not what the published schema asks for: names schema, field, value and expectation."""


class SchemaFolder:
    """Schemas named ``{payload}.schema.json``. Made with None it lets everything pass."""

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder
        self._validators: dict[str, Any] = {}
        if folder is not None and not any(folder.glob("*.schema.json")):
            raise SchemaFault(f"schemas = {str(folder)!r}: expected a folder with *.schema.json")

    def check(self, name: str, payload: dict[str, Any]) -> dict[str, Any]:
        """The payload, if it is in order. Raises SchemaFault.

        Members that the schema does not name are a fault as well: unknown fields are ignored on input, never sent.
        """
        if self._folder is None:
            return payload
        validator = self._validator(self._folder, name)
        # the deepest fault says more than the object around it
        faults = sorted(
            validator.iter_errors(payload), key=lambda one: (-len(one.absolute_path), one.json_path)
        )
        first = faults[0] if faults else None
        if first is not None:
            raise SchemaFault(f"{name}: {first.json_path} = {first.instance!r:.120}: {first.message:.200}")
        unknown = sorted(set(payload) - set(validator.schema.get("properties", {})))
        if unknown:
            raise SchemaFault(f"{name}: {unknown[0]} = {payload[unknown[0]]!r:.120}: expected no such member")
        return payload

    def _validator(self, folder: Path, name: str) -> Any:
        if name not in self._validators:
            from jsonschema import Draft202012Validator  # an extra: only who asks for checks needs it

            path = folder / f"{name}.schema.json"
            try:
                schema = json.loads(path.read_text("utf-8"))
            except (OSError, ValueError) as error:
                known = ", ".join(sorted(file.name for file in folder.glob("*.schema.json")))
                raise SchemaFault(f"{path.name}: {error}: expected one of {known}") from error
            Draft202012Validator.check_schema(schema)
            self._validators[name] = Draft202012Validator(schema)
        return self._validators[name]
