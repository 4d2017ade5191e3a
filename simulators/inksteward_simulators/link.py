"""Bench link: JSON lines over loopback TCP between the simulated press and the other simulators.

A request is one line ``{"id": 7, "op": "drive", ...}``, its reply one line with the same id:
``{"id": 7, "ok": true, "result": {...}}`` or
``{"id": 7, "ok": false, "error": {"field": ..., "value": ..., "expected": ...}}``.
Replies may come in another order than the requests (a pull waits for its sheet).

The link is a stand-in for metal and ink, not an interface of the service: it has no access
control and therefore binds to loopback only.
"""

import asyncio
import contextlib
import ipaddress
import itertools
import json
from collections.abc import Awaitable, Callable, Mapping
from types import TracebackType
from typing import Any, Self, TypeVar

from pydantic import BaseModel, ValidationError

from inksteward_simulators import link_messages as msg
from inksteward_simulators.payloads import shown

LINE_LIMIT = 4 * 1024 * 1024
"""Longest line in bytes, either way."""

Handler = Callable[[dict[str, Any]], Awaitable[BaseModel]]
Reply = TypeVar("Reply", bound=BaseModel)


class LinkError(Exception):
    """A refused request: names the field, the value that came, and what was expected."""

    def __init__(self, field: str, value: object, expected: str) -> None:
        self.field = field
        self.value = value if isinstance(value, str) else shown(value)
        self.expected = expected
        super().__init__(f"{field} = {self.value}: expected {expected}")


def loopback(host: str) -> str:
    """Return `host` if it is a loopback address; raise LinkError otherwise."""
    with contextlib.suppress(ValueError):
        if ipaddress.ip_address(host).is_loopback:
            return host
    raise LinkError("host", host, "a loopback address such as 127.0.0.1")


def parse(model: type[Reply], body: object) -> Reply:
    """Validate `body` against `model`; raise LinkError naming the first field that is wrong."""
    try:
        return model.model_validate(body)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        field = ".".join(str(part) for part in first["loc"]) or "request"
        raise LinkError(field, first["input"], first["msg"]) from error


class LinkServer:
    """Serves a table of operations to any number of clients. The handlers run in the caller's loop."""

    def __init__(self, handlers: Mapping[str, Handler]) -> None:
        self._handlers = handlers
        self._server: asyncio.Server | None = None
        self._clients: set[asyncio.Task[None]] = set()

    async def start(self, port: int = 0, host: str = "127.0.0.1") -> int:
        """Listen on `host`; return the port, which the system chooses when `port` is 0."""
        self._server = await asyncio.start_server(self._client, loopback(host), port, limit=LINE_LIMIT)
        return int(self._server.sockets[0].getsockname()[1])

    async def close(self) -> None:
        """Stop listening and drop every client."""
        if self._server is not None:
            self._server.close()
        for task in tuple(self._clients):
            task.cancel()
        await asyncio.gather(*self._clients, return_exceptions=True)

    async def _client(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        if task is None:
            raise RuntimeError("a stream callback outside a task")
        self._clients.add(task)
        pending: set[asyncio.Task[None]] = set()
        try:
            while line := await reader.readline():
                answer = asyncio.create_task(self._answer(line, writer))
                pending.add(answer)
                answer.add_done_callback(lambda done: self._settled(done, pending, writer))
        except (ConnectionError, ValueError):
            pass  # peer gone, or a line over the limit: this client is dropped, the press goes on
        except asyncio.CancelledError:
            pass  # close() was called
        finally:
            for answer in pending:
                answer.cancel()
            writer.close()
            self._clients.discard(task)

    @staticmethod
    def _settled(
        done: asyncio.Task[None], pending: set[asyncio.Task[None]], writer: asyncio.StreamWriter
    ) -> None:
        pending.discard(done)
        if not done.cancelled() and done.exception() is not None:
            # A fault of the press itself: its client must not wait for ever, and the fault must be seen.
            writer.close()
            done.get_loop().call_exception_handler(
                {"message": "a bench link operation failed", "exception": done.exception(), "task": done}
            )

    async def _answer(self, line: bytes, writer: asyncio.StreamWriter) -> None:
        reply = await self._reply(line)
        with contextlib.suppress(ConnectionError):
            writer.write(json.dumps(reply, allow_nan=False).encode() + b"\n")
            await writer.drain()

    async def _reply(self, line: bytes) -> dict[str, Any]:
        number: object = None
        try:
            body = _object(line)
            number = _number(body.pop("id", None))
            op = body.pop("op", None)
            handler = self._handlers.get(op) if isinstance(op, str) else None
            if handler is None:
                raise LinkError("op", op, "one of " + ", ".join(sorted(self._handlers)))
            result = await handler(body)
        except LinkError as error:
            refusal = {"field": error.field, "value": error.value, "expected": error.expected}
            return {"id": number, "ok": False, "error": refusal}
        return {"id": number, "ok": True, "result": result.model_dump(mode="json")}


def _object(line: bytes) -> dict[str, Any]:
    try:
        body = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise LinkError("line", line[:200], "one JSON object in UTF-8") from error
    if not isinstance(body, dict):
        raise LinkError("line", body, "a JSON object")
    return body


def _number(given: object) -> int | str | None:
    if given is not None and not isinstance(given, int | str):
        raise LinkError("id", given, "a number or a text, to be repeated in the reply")
    return given


class BenchLink:
    """Client of the press process. Use as ``async with await BenchLink.connect(port) as link``.

    Every method raises LinkError when the press refuses, ConnectionError when it is gone.
    """

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader = reader
        self._writer = writer
        self._numbers = itertools.count(1)
        self._waiting: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self._listener = asyncio.create_task(self._listen())

    @classmethod
    async def connect(cls, port: int, host: str = "127.0.0.1") -> Self:
        """Connect to the press process; raises OSError when nothing listens there."""
        reader, writer = await asyncio.open_connection(loopback(host), port, limit=LINE_LIMIT)
        return cls(reader, writer)

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.close()

    async def close(self) -> None:
        """Close the connection; requests still waiting fail with ConnectionError."""
        self._writer.close()
        self._listener.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self._listener
        with contextlib.suppress(ConnectionError):
            await self._writer.wait_closed()

    async def _listen(self) -> None:
        try:
            while line := await self._reader.readline():
                reply = json.loads(line)
                future = self._waiting.pop(reply["id"], None)
                if future is not None and not future.done():
                    future.set_result(reply)
        finally:
            for future in self._waiting.values():
                if not future.done():
                    future.set_exception(ConnectionError("the press process closed the bench link"))
            self._waiting.clear()

    async def call(self, op: str, request: BaseModel, reply: type[Reply]) -> Reply:
        """Send one operation and wait for its validated reply."""
        if self._listener.done():
            raise ConnectionError("the bench link is closed")
        number = next(self._numbers)
        future: asyncio.Future[dict[str, Any]] = asyncio.get_running_loop().create_future()
        self._waiting[number] = future
        body = {"id": number, "op": op, **request.model_dump(mode="json")}
        try:
            self._writer.write(json.dumps(body, allow_nan=False).encode() + b"\n")
            await self._writer.drain()
            answer = await future
        finally:
            self._waiting.pop(number, None)
        if not answer["ok"]:
            raise LinkError(**answer["error"])
        return reply.model_validate(answer["result"])

    async def state(self) -> msg.State:
        """Where the press stands."""
        return await self.call("state", msg.Nothing(), msg.State)

    async def pull(
        self, patches: tuple[msg.Patch, ...], side: msg.Side = "front", sheet: int | None = None
    ) -> msg.PullReply:
        """Pull the next sheet (or take one pulled before) and give the true densities of the patches."""
        request = msg.PullRequest(side=side, patches=patches, sheet=sheet)
        return await self.call("pull", request, msg.PullReply)

    async def drive(
        self,
        unit: str,
        targets: Mapping[int, float],
        sweep_pct: float | None = None,
        take_up_pct: float = 0.0,
    ) -> msg.DriveReply:
        """Start the motors of a unit toward `targets` (zone -> percent of travel)."""
        listed = tuple(msg.KeyTarget(zone=zone, to_pct=to_pct) for zone, to_pct in targets.items())
        request = msg.DriveRequest(unit=unit, targets=listed, sweep_pct=sweep_pct, take_up_pct=take_up_pct)
        return await self.call("drive", request, msg.DriveReply)

    async def positions(self, unit: str) -> msg.Positions:
        """Read the encoders of a unit."""
        return await self.call("positions", msg.PositionsRequest(unit=unit), msg.Positions)

    async def stop_motors(self, unit: str | None = None) -> None:
        """Stop the motors of one unit, or of all, where they are."""
        await self.call("stop_motors", msg.StopMotorsRequest(unit=unit), msg.Nothing)

    async def run(self, request: msg.RunRequest) -> msg.State:
        """Start, stop, change speed or begin a new run."""
        return await self.call("run", request, msg.State)

    async def good(self, value: bool | None) -> None:
        """Set the good-sheet switch."""
        await self.call("good", msg.GoodRequest(value=value), msg.Nothing)

    async def hand_move(self, request: msg.HandMoveRequest) -> msg.DriveReply:
        """The operator turns a key or the sweep at the panel."""
        return await self.call("hand_move", request, msg.DriveReply)

    async def fault(self, request: msg.FaultRequest) -> None:
        """Make something go wrong."""
        await self.call("fault", request, msg.Nothing)

    async def advance(self, *, sheets: int | None = None, seconds: float | None = None) -> msg.State:
        """With time factor 0: print `sheets`, or let `seconds` of press time pass."""
        return await self.call("advance", msg.AdvanceRequest(sheets=sheets, seconds=seconds), msg.State)

    async def truth(self) -> msg.TruthReply:
        """What no service can know; for the bench's judges only."""
        return await self.call("truth", msg.Nothing(), msg.TruthReply)

    async def shutdown(self) -> None:
        """End the press process."""
        await self.call("shutdown", msg.Nothing(), msg.Nothing)
