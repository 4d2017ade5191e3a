"""The ways a scan leaves the strip reader: published under the contract, or over the strip line."""

import asyncio
import json
from typing import Any, Protocol

from inksteward_simulators import framing
from inksteward_simulators.broker import Session
from inksteward_simulators.console import say
from inksteward_simulators.line_peer import LinePeer
from inksteward_simulators.payloads import load_object

PATCHES_A_FRAME = 24
BODY_ROOM = 7000
TRY_AGAIN_S = 2.0


class Wire(Protocol):
    """Takes a contract scan to the service."""

    async def send(self, scan: dict[str, Any]) -> None:
        """Return once the other side has it."""
        ...


class MqttWire:
    """Publishes the scan."""

    def __init__(self, session: Session) -> None:
        self._session = session

    async def send(self, scan: dict[str, Any]) -> None:
        """Publish until the broker has it."""
        await self._session.publish("scan", json.dumps(scan, separators=(",", ":")).encode())


def head_of(scan: dict[str, Any], number: int) -> dict[str, Any]:
    """The line's ``scan`` message for a contract scan."""
    names = ("run_id", "side", "sheet", "extent", "instrument")
    return {
        "msg": "scan",
        "scan": number,
        "count": len(scan["patches"]),
        **{name: scan[name] for name in names},
    }


def bodies_of(scan: dict[str, Any], number: int) -> list[bytes]:
    """The scan as bodies of data frames, each within the protocol's room."""
    bodies = [_dense(head_of(scan, number))]
    patches = scan["patches"]
    first = 0
    while first < len(patches):
        take = PATCHES_A_FRAME
        body = _dense(_part(number, first, patches[first : first + take]))
        while len(body) > BODY_ROOM and take > 1:
            take //= 2
            body = _dense(_part(number, first, patches[first : first + take]))
        bodies.append(body)
        first += take
    return bodies


def _part(number: int, first: int, patches: list[Any]) -> dict[str, Any]:
    return {"msg": "patches", "scan": number, "first": first, "patches": patches}


def _dense(message: dict[str, Any]) -> bytes:
    return json.dumps(message, separators=(",", ":")).encode()


class LineWire:
    """Sends the scan over the strip line, part after part, and starts again when a part stays unanswered."""

    def __init__(self, peer: LinePeer) -> None:
        self._peer = peer
        self._number = 0

    async def send(self, scan: dict[str, Any]) -> None:
        """Return once every part was acknowledged, or the host refused the scan (said on standard output)."""
        self._number += 1
        while not await self._sent(bodies_of(scan, self._number)):
            await asyncio.sleep(TRY_AGAIN_S)

    async def _sent(self, bodies: list[bytes]) -> bool:
        for index, body in enumerate(bodies):
            answer = await self._peer.ask(body)
            if answer is None:
                say("unanswered", part=index, parts=len(bodies), next_try_s=TRY_AGAIN_S)
                return False
            if answer.kind != framing.ACK:
                say("scan_refused", part=index, text=answer.body.decode("utf-8", "replace"))
                return True
        return True


def strip_host_questions(device: str) -> Any:
    """What a strip reader answers to the host: who it is, and that it does nothing else."""

    async def serve(body: bytes) -> tuple[int, bytes]:
        try:
            message = load_object(body)
        except ValueError as error:
            return framing.REFUSED, _dense({"code": "form", "text": str(error)[:200]})
        if message == {"msg": "identify"}:
            return framing.REPLY, _dense({"msg": "identity", "line": "strip", "device": device})
        return framing.REFUSED, _dense({"code": "unknown", "text": "expected identify"})

    return serve
