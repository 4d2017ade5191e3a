"""The published contract: schema files and AsyncAPI document equal the models, and the models the contract's text."""

import json
from collections.abc import Iterator
from copy import copy, deepcopy
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from pydantic import Field, ValidationError, create_model

from inksteward.config.commands import ASYNCAPI_FILE, SCHEMA_FOLDER
from inksteward.contract import Refused, decode, schemas
from inksteward.contract.asyncapi import document
from inksteward.contract.base import Out
from inksteward.contract.channels import CHANNELS, ROOT, Channel
from inksteward.contract.inputs import Counter, Request, Scan
from inksteward.contract.schemas import REQUEST_MEMBERS, code_enums, documents, encoded
from tests.contract_inbound import INBOUND
from tests.contract_outbound import OUTBOUND

# What a member is replaced by. No whole number with a point: JSON Schema takes it for an integer, the models do not.
FAULTS: tuple[Any, ...] = (None, [], {}, "?!", -1, 10**9, True, 0.5)
CONFIG = Path(__file__).resolve().parent.parent / "config"
EXAMPLES = {**INBOUND, **OUTBOUND}
BY_NAME = {channel.name: channel for channel in CHANNELS}
PAIRS = [(channel, example) for channel in CHANNELS for example in EXAMPLES[channel.name]]

# The contract's table of topics: topic, who publishes it, retained, QoS.
TOPICS = {
    ("status", "service", True, 1),
    ("press", "service", True, 1),
    ("job", "others", True, 1),
    ("counter", "others", False, 0),
    ("scan", "others", False, 1),
    ("reading", "service", True, 1),
    ("proposal/{unit}", "service", True, 1),
    ("decision", "others", False, 1),
    ("request", "others", False, 1),
    ("outcome", "service", False, 1),
    ("keys/{unit}/command", "service", False, 1),
    ("keys/{unit}/position", "others", True, 1),
    ("alarm", "service", True, 1),
    ("answer", "service", False, 1),
}


def schema(name: str) -> dict[str, Any]:
    """The committed schema of that name."""
    data: dict[str, Any] = json.loads((CONFIG / SCHEMA_FOLDER / f"{name}.schema.json").read_bytes())
    return data


def fits(name: str, payload: Any) -> bool:
    """Whether the payload fits its committed schema."""
    return bool(Draft202012Validator(schema(name)).is_valid(payload))


def modelled(channel: Channel, payload: Any) -> bool:
    """Whether the payload fits its model, read from bytes as it would arrive."""
    try:
        decode(channel.payload, json.dumps(payload).encode())
    except Refused:
        return False
    return True


def test_committed_schemas_are_the_generated_ones() -> None:
    """The committed schema files are exactly those that the models give, byte for byte, and no others lie there."""
    committed = {path.name: path.read_bytes() for path in (CONFIG / SCHEMA_FOLDER).iterdir()}
    assert committed == documents()
    assert (CONFIG / ASYNCAPI_FILE).read_bytes() == encoded(document())


@pytest.mark.parametrize(("most", "same"), [(200_000, True), (200_001, False)])
def test_a_changed_model_changes_its_schema(monkeypatch: pytest.MonkeyPatch, most: int, same: bool) -> None:
    """One changed bound in one model shows in that schema's bytes and in no other's; the unchanged bound does not."""
    before = documents()
    speed = (float, Field(ge=0, le=most))
    other: Any = create_model("Counter", __base__=Counter, __doc__=Counter.__doc__, speed_sph=speed)
    planted = tuple(replace(item, payload=other) if item.name == "counter" else item for item in CHANNELS)
    monkeypatch.setattr(schemas, "CHANNELS", planted)
    after = documents()
    assert [name for name in before if after[name] != before[name]] == (
        [] if same else ["counter.schema.json"]
    )


@pytest.mark.parametrize("name", [*BY_NAME, "codes"])
def test_schemas_are_valid(name: str) -> None:
    """Every file is a valid JSON Schema of draft 2020-12 with a name of its own."""
    data = schema(name)
    Draft202012Validator.check_schema(data)
    assert data["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert data["$id"] == f"urn:inksteward:v1:{name}"


@pytest.mark.parametrize(("channel", "example"), PAIRS, ids=lambda item: getattr(item, "name", None))
def test_examples(channel: Channel, example: dict[str, Any]) -> None:
    """The contract's examples fit the schema and the model of their topic."""
    assert list(Draft202012Validator(schema(channel.name)).iter_errors(example)) == []
    assert modelled(channel, example)


def faulty(example: Any) -> Iterator[Any]:
    """The payload with each member or entry at any depth taken out, and replaced by each of FAULTS."""
    names = list(example) if isinstance(example, dict) else range(len(example))
    for name in names:
        for value in (*FAULTS, *(faulty(example[name]) if isinstance(example[name], dict | list) else ())):
            changed = copy(example)
            changed[name] = value
            yield changed
        shorter = copy(example)
        del shorter[name]
        yield shorter


@pytest.mark.parametrize("channel", CHANNELS, ids=lambda channel: channel.name)
def test_schema_and_model_agree_on_faults(channel: Channel) -> None:
    """Whatever single thing is taken out or replaced, at any depth, schema and model agree on what is good."""
    validator = Draft202012Validator(schema(channel.name))
    judged = [
        (payload, validator.is_valid(payload), modelled(channel, payload))
        for payload in faulty(EXAMPLES[channel.name][0])
    ]
    assert [payload for payload, by_schema, by_model in judged if by_schema is not by_model] == []
    assert sum(not by_schema for _, by_schema, _ in judged) > len(judged) / 3


@pytest.mark.parametrize("channel", CHANNELS, ids=lambda channel: channel.name)
def test_unknown_fields(channel: Channel) -> None:
    """A schema lets unknown fields pass; the models ignore them coming in and refuse them going out."""
    example = {**EXAMPLES[channel.name][0], "later": 1}
    assert fits(channel.name, example)
    if issubclass(channel.payload, Out):
        with pytest.raises(ValidationError):
            channel.payload.model_validate_json(json.dumps(example))
    else:
        assert modelled(channel, example)


def test_density_names() -> None:
    """A filter or ink of a patch is a name; another key there is refused by schema and model."""
    scan = deepcopy(EXAMPLES["scan"][0])
    scan["patches"][0]["density"]["two words"] = 1.0
    assert not fits("scan", scan)
    assert not modelled(BY_NAME["scan"], scan)


@pytest.mark.parametrize(
    ("members", "good"),
    [({"sheet": None}, False), ({"sheet": None, "pulled_at": "2026-03-02T08:15:30.000Z"}, True), ({}, True)],
)
def test_scan_without_sheet(members: dict[str, Any], good: bool) -> None:
    """A scan says its sheet, or when it was pulled."""
    scan = {**EXAMPLES["scan"][0], **members}
    assert fits("scan", scan) is good
    assert modelled(BY_NAME["scan"], scan) is good


def test_members_of_requests() -> None:
    """The schema asks for exactly the members that the model asks for, kind by kind."""
    for request in EXAMPLES["request"]:
        kind = request["kind"]
        for member in Request.model_fields:
            if member in ("request_id", "kind", "operator"):
                continue
            for variant in ({k: v for k, v in request.items() if k != member}, {**request, member: None}):
                needed = member in REQUEST_MEMBERS.get(kind, []) or (
                    member == "per_zone" and member in variant
                )
                assert fits("request", variant) is not needed, (kind, member)
                assert modelled(BY_NAME["request"], variant) is not needed, (kind, member)


def enums_in(data: Any) -> set[frozenset[str]]:
    """Every list of permitted texts in a schema."""
    found: set[frozenset[str]] = set()
    if isinstance(data, dict):
        if "enum" in data:
            found.add(frozenset(data["enum"]))
        for value in data.values():
            found |= enums_in(value)
    elif isinstance(data, list):
        for item in data:
            found |= enums_in(item)
    return found


def test_every_code_stands_in_a_schema() -> None:
    """Every enum of codes stands in codes.schema.json under its own name, each value in it."""
    codes = schema("codes")["$defs"]
    assert {name: frozenset(item["enum"]) for name, item in codes.items()} == {
        name: frozenset(code.value for code in enum) for name, enum in code_enums().items()
    }
    named = {
        "LimitCode",
        "LeftCode",
        "NoteCode",
        "SetAside",
        "NoProposal",
        "Alarm",
        "ResultCode",
        "Lapse",
        "Rule",
    }
    assert named | {"Phase", "Origin"} <= set(codes)


def test_topics_are_those_of_the_contract() -> None:
    """Topics, who publishes them, retention and quality of service are those of the contract's table."""
    channels = {
        (channel.topic, "service" if channel.sent else "others", channel.retained, channel.qos)
        for channel in CHANNELS
    }
    assert channels == TOPICS
    assert ROOT == "inksteward/v1/{press}/"
    assert [channel.topic for channel in CHANNELS if channel.expiry] == ["keys/{unit}/command"]
    assert [channel.topic for channel in CHANNELS if channel.cleared] == ["proposal/{unit}"]


def resolved(data: dict[str, Any], reference: str) -> Any:
    """What a reference of the AsyncAPI document leads to."""
    file, _, pointer = reference.partition("#")
    target: Any = json.loads((CONFIG / file).read_bytes()) if file else data
    for part in pointer.strip("/").split("/"):
        target = target[part] if part else target
    return target


def test_asyncapi_document() -> None:
    """The AsyncAPI document names every topic, its message with its schema, and one operation for it."""
    data = json.loads((CONFIG / ASYNCAPI_FILE).read_bytes())
    assert data["asyncapi"] == "3.0.0"
    assert set(data) == {
        "asyncapi",
        "info",
        "defaultContentType",
        "servers",
        "channels",
        "operations",
        "components",
    }
    assert len(data["operations"]) == len(data["channels"]) == len(CHANNELS)
    for operation in data["operations"].values():
        channel = resolved(data, operation["channel"]["$ref"])
        (message,) = channel["messages"].values()
        payload = resolved(data, resolved(data, message["$ref"])["payload"]["$ref"])
        topic = channel["address"].removeprefix(ROOT)
        publisher = "service" if operation["action"] == "send" else "others"
        binding = operation["bindings"]["mqtt"]
        assert (topic, publisher, channel["x-retained"], binding["qos"]) in TOPICS
        assert binding.get("retain", channel["x-retained"]) == channel["x-retained"]
        assert payload["$id"].startswith("urn:inksteward:v1:")
        assert set(channel["parameters"]) == {
            part[1:-1] for part in channel["address"].split("/") if part[0] == "{"
        }
        assert resolved(data, operation["messages"][0]["$ref"]) == message


def test_scan_is_the_scan_model() -> None:
    """The table of channels leads each topic to the model that reads it."""
    assert BY_NAME["scan"].payload is Scan
    assert {channel.payload for channel in CHANNELS if channel.sent} == {
        channel.payload for channel in CHANNELS if issubclass(channel.payload, Out)
    }
