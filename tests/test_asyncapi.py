"""The AsyncAPI document: valid by the standard's own schema, complete by the contract's text, true by the models."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from copy import deepcopy
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft7Validator, Draft202012Validator
from referencing import Registry

from inksteward.canonical import digest
from inksteward.config.commands import ASYNCAPI_FILE, SCHEMA_FOLDER
from inksteward.contract import Refused, decode
from inksteward.contract.channels import CHANNELS, ROOT, Channel
from inksteward.contract.examples import examples
from inksteward.contract.schemas import REQUEST_MEMBERS

TESTS = Path(__file__).resolve().parent
CONFIG, PRINTED = TESTS.parent / "config", TESTS / "data" / "contract"
BY_NAME = {channel.name: channel for channel in CHANNELS}
NAMES = pytest.mark.parametrize("name", BY_NAME)
HEXADECIMAL = "0f" * 32
LEFT_OUT = {
    "proposal_id": "p-1",
    "decision_id": "d-1",
    "made_at": "2026-03-02T08:15:30.000Z",
    "decided_at": "2026-03-02T08:15:30.000Z",
    "code": "aim_below_min_gap",
    "signature": "eyJh.eyJi.c2ln",
}
"""What stands for ``"…"`` in a printed payload, by its member; any other is a text."""


@cache
def standard() -> Draft7Validator:
    """AsyncAPI's schema; its parts refer to each other by names, and nothing is fetched."""
    schema = json.loads((TESTS / "data" / "asyncapi" / "3.0.0.json").read_bytes())
    return Draft7Validator(schema, registry=Registry())


def document() -> dict[str, Any]:
    """The committed document."""
    data: dict[str, Any] = json.loads((CONFIG / ASYNCAPI_FILE).read_bytes())
    return data


def payload_schema(name: str) -> Draft202012Validator:
    """The schema that the document refers to for this message."""
    reference = document()["components"]["messages"][name]["payload"]["$ref"]
    assert reference == f"./{SCHEMA_FOLDER}/{name}.schema.json"
    return Draft202012Validator(json.loads((CONFIG / reference).read_bytes()))


def accepted(channel: Channel, payload: Any) -> bool:
    """Whether our own model takes the payload, read from bytes as it would arrive."""
    try:
        decode(channel.payload, json.dumps(payload).encode())
    except Refused:
        return False
    return True


def test_it_is_asyncapi() -> None:
    """The committed document is valid by the schema of AsyncAPI 3.0.0."""
    assert [error.message for error in standard().iter_errors(document())] == []


def _drop(*path: str) -> Callable[[dict[str, Any]], None]:
    def change(data: dict[str, Any]) -> None:
        for name in path[:-1]:
            data = data[name]
        del data[path[-1]]

    return change


def _put(value: Any, *path: str) -> Callable[[dict[str, Any]], None]:
    def change(data: dict[str, Any]) -> None:
        for name in path[:-1]:
            data = data[name]
        data[path[-1]] = value

    return change


SENT = ("operations", "send_command")
BROKEN = {
    "another version": _put("2.6.0", "asyncapi"),
    "no info": _drop("info"),
    "no title": _drop("info", "title"),
    "an unknown member": _put(1, "topics"),
    "no action": _drop(*SENT, "action"),
    "an unknown action": _put("publish", *SENT, "action"),
    "no channel": _drop(*SENT, "channel"),
    "a quality of service of 3": _put(3, *SENT, "bindings", "mqtt", "qos"),
    "retained as text": _put("no", *SENT, "bindings", "mqtt", "retain"),
    "an expiry below 0": _put(-1, *SENT, "bindings", "mqtt", "messageExpiryInterval"),
    "an unknown binding": _put("9.9.9", *SENT, "bindings", "mqtt", "bindingVersion"),
    "an unknown word in a binding": _put(1, *SENT, "bindings", "mqtt", "keep"),
    "no host": _drop("servers", "broker", "host"),
    "a message of an unknown member": _put(1, "components", "messages", "scan", "body"),
    "an example without payload": _put([{"name": "scan"}], "components", "messages", "scan", "examples"),
    "examples that are no list": _put({}, "components", "messages", "scan", "examples"),
    "a channel with a number for its address": _put(7, "channels", "scan", "address"),
}


@pytest.mark.parametrize("fault", BROKEN)
def test_broken_documents_are_refused(fault: str) -> None:
    """One fault planted in the document, and the standard's schema says no."""
    data = document()
    before = deepcopy(data)
    BROKEN[fault](data)
    assert data != before
    assert not standard().is_valid(data)


@NAMES
def test_every_channel_is_whole(name: str) -> None:
    """Action, quality of service, retention and expiry of each topic are the table's; there is an example."""
    data, channel = document(), BY_NAME[name]
    told = data["channels"][name]
    assert told["address"] == ROOT + channel.topic
    assert (told["x-retained"], told["x-qos"]) == (channel.retained, channel.qos)
    (operation,) = (
        one for one in data["operations"].values() if one["channel"]["$ref"] == f"#/channels/{name}"
    )
    assert operation["action"] == ("send" if channel.sent else "receive")
    binding = operation["bindings"]["mqtt"]
    assert binding["qos"] == channel.qos
    assert binding.get("retain") == (channel.retained if channel.sent else None)
    expires = {"type": "integer", "minimum": 1, "description": "valid_s of the payload"}
    assert binding.get("messageExpiryInterval") == (expires if name == "command" else None)
    message = data["components"]["messages"][name]
    assert [one["payload"] for one in message["examples"]] == list(examples()[name])
    assert len({one["name"] for one in message["examples"]}) == len(message["examples"]) >= 1


@NAMES
def test_every_example_is_true(name: str) -> None:
    """Each example fits its schema and is taken by our model; with its first member spoilt neither does."""
    validator = payload_schema(name)
    for example in document()["components"]["messages"][name]["examples"]:
        payload = example["payload"]
        assert [error.message for error in validator.iter_errors(payload)] == []
        assert accepted(BY_NAME[name], payload)
        spoilt = {**payload, next(iter(payload)): {"spoilt": True}}
        assert not validator.is_valid(spoilt)
        assert not accepted(BY_NAME[name], spoilt)


def test_examples_belong_together() -> None:
    """The proposal bears its own digest, the decision names it, and every kind of request is shown."""
    shown = {name: rows[0] for name, rows in examples().items()}
    proposal = dict(shown["proposal"])
    assert proposal.pop("digest") == digest(proposal) == shown["decision"]["digest"]
    ids = {shown[name]["proposal_id"] for name in ("proposal", "decision", "command", "outcome")}
    assert ids == {shown["reading"]["units"]["u2"]["proposal_id"]}
    assert shown["position"]["command_id"] == shown["command"]["command_id"]
    kinds = {row["kind"] for row in examples()["request"]}
    schema = payload_schema("request").schema
    assert isinstance(schema, dict)
    assert kinds == set(schema["properties"]["kind"]["enum"]) >= set(REQUEST_MEMBERS)


def filled(text: str) -> Any:
    """A printed payload with something in the place of each ``…``."""
    text = text.replace("[…]", "[7]").replace("sha256:…", f"sha256:{HEXADECIMAL}")
    return json.loads(
        re.sub(
            r'"(\w+)":"…"',
            lambda found: f'"{found[1]}":{json.dumps(LEFT_OUT.get(found[1], "a text"))}',
            text,
        )
    )


@pytest.mark.parametrize("name", ["scan", "proposal", "decision"])
def test_printed_payloads_are_taken(name: str) -> None:
    """What the contract prints is taken by schema and model as it stands, and refused with one member taken out."""
    payload = filled((PRINTED / f"{name}.txt").read_text("utf-8"))
    assert "…" not in json.dumps(payload, ensure_ascii=False)
    assert [error.message for error in payload_schema(name).iter_errors(payload)] == []
    assert accepted(BY_NAME[name], payload)
    first = next(iter(payload))
    assert not accepted(BY_NAME[name], {key: value for key, value in payload.items() if key != first})


def members(shape: str) -> list[str]:
    """Names of the members on the outermost level of a printed shape; a text behind a colon is a value."""
    found, depth, before = [], 0, ""
    for token in re.findall(r'"[^"]*"|[\[\]{}:,]', shape):
        depth += {"{": 1, "[": 1, "}": -1, "]": -1}.get(token, 0)
        if depth == 1 and token[0] == '"' and before in "{,":
            found.append(token[1:-1])
        before = token
    return found


SHAPES = dict(line.split(" ", 1) for line in (PRINTED / "shapes.txt").read_text("utf-8").splitlines())


@pytest.mark.parametrize("name", SHAPES)
def test_printed_members_are_ours(name: str) -> None:
    """Every member that the contract prints for a payload stands in its schema and in our example of it."""
    printed = members(SHAPES[name])
    schema = payload_schema(name).schema
    assert isinstance(schema, dict)
    assert printed
    assert set(printed) <= set(schema["properties"])
    assert set(printed) <= set(examples()[name][0])


def test_every_payload_of_the_contract_is_printed() -> None:
    """The printed payloads are those of all topics; the reading of shapes tells names from values."""
    assert {"scan", "proposal", "decision", *SHAPES} == set(BY_NAME)
    assert members('{"a":"x|y","b","c":{"d":"e"},"f":[{"g"}],"h":bool|null}') == ["a", "b", "c", "f", "h"]


def test_payloads_in_the_guide_are_taken() -> None:
    """So are the payloads that the integrators' guide prints as JSON."""
    guide = (TESTS.parent / "DEVELOPERS.md").read_text("utf-8")
    taken = []
    for text in re.findall(r"```json\n(.*?)```", guide, re.DOTALL):
        payload = filled(text)
        for name, identity in (
            ("request", "request_id"),
            ("decision", "decision_id"),
            ("proposal", "proposal_id"),
            ("scan", "scan_id"),
        ):
            if identity in payload:
                assert accepted(BY_NAME[name], payload), text
                taken.append(name)
                break
    assert {"request", "decision", "proposal", "scan"} <= set(taken)
