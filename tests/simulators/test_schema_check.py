"""What simulators send, held against the published schemas."""

import json
from pathlib import Path
from typing import Any

import pytest

from inksteward_simulators.schema_check import SchemaFault, SchemaFolder
from tests.drivers.behaviours import scan_of
from tests.simulators.processes import SCHEMAS


def test_payload_in_order_is_given_back() -> None:
    """A payload that the schema accepts comes back as it is."""
    scan = scan_of()
    assert SchemaFolder(SCHEMAS).check("scan", scan) is scan


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"sheet": "many"}, "scan: $.sheet = 'many'"),
        ({"side": "left"}, "scan: $.side = 'left'"),
        ({"colour": "red"}, "scan: colour = 'red': expected no such member"),
        ({"patches": [{"x_mm": 1.0, "kind": "stripe"}]}, "scan: $.patches[0].kind = 'stripe'"),
    ],
)
def test_wrong_payload_is_named(changes: dict[str, Any], words: str) -> None:
    """A payload with a wrong or unknown member is refused with the member and its value."""
    with pytest.raises(SchemaFault) as caught:
        SchemaFolder(SCHEMAS).check("scan", scan_of() | changes)
    assert words in str(caught.value)


def test_missing_member_is_named() -> None:
    """A payload that lacks a member is refused with its name."""
    scan = scan_of()
    del scan["run_id"]
    with pytest.raises(SchemaFault, match="run_id"):
        SchemaFolder(SCHEMAS).check("scan", scan)


def test_without_a_folder_everything_passes() -> None:
    """Without a folder nothing is checked."""
    assert SchemaFolder(None).check("scan", {"anything": 1}) == {"anything": 1}


def test_folder_without_schemas(tmp_path: Path) -> None:
    """A folder that holds no schemas is refused at once, not when the first payload goes out."""
    with pytest.raises(SchemaFault, match="expected a folder with"):
        SchemaFolder(tmp_path)


def test_schema_that_is_missing(tmp_path: Path) -> None:
    """A payload without a schema is refused with the schemas that there are."""
    (tmp_path / "job.schema.json").write_text(json.dumps({"type": "object"}))
    with pytest.raises(SchemaFault, match=r"scan\.schema\.json: .*expected one of job\.schema\.json"):
        SchemaFolder(tmp_path).check("scan", {})
