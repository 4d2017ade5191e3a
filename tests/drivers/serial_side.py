"""A strip reader at the far end of a real pseudo-terminal."""

from pathlib import Path
from typing import Any

from inksteward_drivers.serial_strip import SerialStrip, build
from inksteward_simulators.framing import DATA, Telegram, to_wire
from inksteward_simulators.line_peer import LineNoise, LinePeer
from inksteward_simulators.pty_port import PtyPort
from inksteward_simulators.strip_wires import LineWire, bodies_of, strip_host_questions
from tests.drivers.bench import context


class SerialSide:
    """A strip reader at the other end of a pseudo-terminal."""

    def __init__(self, path: Path, *, noise: LineNoise | None = None, **settings: Any) -> None:
        self.peer = LinePeer(PtyPort(path), strip_host_questions("strip-1"), noise)
        self.wire = LineWire(self.peer)
        self.reader: SerialStrip = build(context(url=str(path), **settings))

    async def send(self, scan: dict[str, Any]) -> None:
        await self.wire.send(scan)

    async def break_link(self) -> None:
        self.peer.port.unplug()

    async def mend_link(self) -> None:
        self.peer.plug()

    def raw(self, data: bytes) -> None:
        assert self.peer.port.write(data) == len(data)


def telegrams(scan: dict[str, Any], epoch: int = 7, number: int = 1) -> list[bytes]:
    return [to_wire(Telegram(DATA, epoch, seq, body)) for seq, body in enumerate(bodies_of(scan, number))]
