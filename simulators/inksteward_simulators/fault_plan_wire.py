"""Faults on command over MQTT: the press process listens on ``bench/{press}/fault``.

The payload is the bench link's fault request. Nothing is answered; a refusal is a line on standard error. The topic
lies outside the service's own tree: no service listens there, and only a bench press does.
"""

import asyncio
import sys

import aiomqtt

from inksteward_simulators.link import LinkError, parse
from inksteward_simulators.link_messages import FaultRequest
from inksteward_simulators.payloads import load_object
from inksteward_simulators.press.desk import PressDesk


def fault_topic(press: str) -> str:
    """Where the faults of this press come in."""
    return f"bench/{press}/fault"


def make_fault(desk: PressDesk, payload: bytes, retained: bool) -> str | None:
    """Make the fault in this payload; None when it is made, else the words of the refusal."""
    try:
        if retained:
            return "fault = retained: expected one published without the retain flag, it would come again"
        desk.fault(parse(FaultRequest, load_object(payload)))
    except LinkError as error:
        return f"fault refused: {error}"
    except ValueError as error:  # not a JSON object
        return f"fault refused: {error}"
    return None


async def take_faults(desk: PressDesk, client: aiomqtt.Client, asked: asyncio.Event) -> None:
    """Take faults over this connected client until it is lost or the task is cancelled.

    `asked` is set when the broker has answered. A broker that allows no such subscription is told of once; the
    press goes on without. Raises MqttError when the connection is lost.
    """
    topic = fault_topic(desk.press.scenario.press)
    codes = await client.subscribe(topic, qos=1)
    asked.set()
    if any(not isinstance(code, int) and code.is_failure for code in codes):
        print(f"{topic}: the broker does not let this press listen for faults", file=sys.stderr, flush=True)
        await asyncio.Event().wait()
    async for message in client.messages:
        refusal = make_fault(desk, bytes(message.payload), message.retain)
        if refusal is not None:
            print(" ".join(refusal.split()), file=sys.stderr, flush=True)  # one line, whatever came in
