"""The contract as one AsyncAPI 3.0 document: topics, who sends and who receives, quality of service, retention.

Payloads are referred to in the schema files beside it; every message has examples. ``send`` and ``receive`` are said of
the service. The MQTT binding has no word for a topic that others retain, so every channel says so in ``x-retained`` as
well.
"""

from __future__ import annotations

from typing import Any

from inksteward.contract.channels import CHANNELS, ROOT, Channel
from inksteward.contract.examples import examples

BINDING = "0.2.0"
PARAMETERS = {
    "press": {"description": "Id of the press as configured: 1 to 32 characters of a-z, 0-9 and -."},
    "unit": {"description": "Id of the printing unit as configured."},
}
ABOUT = (
    "Payloads are UTF-8 JSON objects with finite numbers and no name twice. Receivers ignore fields that they do "
    "not know. The same id arriving twice changes nothing the second time. Zones count from 1, arrays run from "
    "zone 1, openings are percent of key travel, gaps um, densities D, sheets impressions of the run. Everything "
    "works over MQTT 3.1.1 as well: what must hold stands in the payload."
)


def document(schemas: str = "./schemas") -> dict[str, Any]:
    """The AsyncAPI document as JSON data; ``schemas`` is where the schema files lie, seen from it."""
    given = examples()
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Inksteward: ink key control beside a sheet-fed offset press",
            "version": "1",
            "description": ABOUT,
            "license": {"name": "MIT"},
        },
        "defaultContentType": "application/json",
        "servers": {"broker": _server()},
        "channels": {channel.name: _channel(channel) for channel in CHANNELS},
        "operations": {_operation_name(channel): _operation(channel) for channel in CHANNELS},
        "components": {
            "messages": {
                channel.name: _message(channel, schemas, given[channel.name]) for channel in CHANNELS
            }
        },
    }


def _server() -> dict[str, Any]:
    return {
        "host": "127.0.0.1:1883",
        "protocol": "mqtt",
        "protocolVersion": "5.0",
        "description": "The broker on this machine unless the configuration says another. Off this machine only "
        "with TLS and client certificates.",
        "bindings": {
            "mqtt": {
                "lastWill": {
                    "topic": ROOT + "status",
                    "qos": 1,
                    "retain": True,
                    "message": "the status payload with state offline",
                },
                "bindingVersion": BINDING,
            }
        },
    }


def _names(channel: Channel) -> list[str]:
    return [name for name in PARAMETERS if "{" + name + "}" in ROOT + channel.topic]


def _channel(channel: Channel) -> dict[str, Any]:
    return {
        "address": ROOT + channel.topic,
        "description": channel.text,
        "parameters": {name: PARAMETERS[name] for name in _names(channel)},
        "messages": {channel.name: {"$ref": f"#/components/messages/{channel.name}"}},
        "x-retained": channel.retained,
        "x-qos": channel.qos,
        **({"x-expiry": channel.expiry} if channel.expiry else {}),
        **({"x-cleared-by": "an empty retained payload"} if channel.cleared else {}),
    }


def _operation_name(channel: Channel) -> str:
    return f"{'send' if channel.sent else 'receive'}_{channel.name}"


def _operation(channel: Channel) -> dict[str, Any]:
    binding: dict[str, Any] = {"qos": channel.qos}
    if channel.sent:
        binding["retain"] = channel.retained
    if channel.expiry:
        binding["messageExpiryInterval"] = {"type": "integer", "minimum": 1, "description": channel.expiry}
    return {
        "action": "send" if channel.sent else "receive",
        "channel": {"$ref": f"#/channels/{channel.name}"},
        "messages": [{"$ref": f"#/channels/{channel.name}/messages/{channel.name}"}],
        "bindings": {"mqtt": {**binding, "bindingVersion": BINDING}},
    }


def _message(channel: Channel, schemas: str, given: tuple[dict[str, Any], ...]) -> dict[str, Any]:
    return {
        "name": channel.name,
        "title": channel.payload.__name__,
        "contentType": "application/json",
        "payload": {"$ref": f"{schemas}/{channel.name}.schema.json"},
        "examples": [{"name": _example_name(channel, payload), "payload": payload} for payload in given],
    }


def _example_name(channel: Channel, payload: dict[str, Any]) -> str:
    kind = payload.get("kind")
    return channel.name if kind is None else f"{channel.name}_{kind}"
