"""The strip reader as a process: pulls a sheet now and then, carries it, reads it, sends the contract's scan."""

import argparse
import asyncio
import contextlib
import random
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from inksteward_simulators.broker import Session
from inksteward_simulators.console import link_address, low_high, new_id, now_rfc3339, ready, say, share
from inksteward_simulators.file_wire import FileWire
from inksteward_simulators.instrument import BIAS_D, MISSED, NOISE_D, OUTLIERS, Densitometer, Faults
from inksteward_simulators.line_peer import LineNoise, LinePeer
from inksteward_simulators.link import BenchLink, LinkError
from inksteward_simulators.link_messages import Patch, PullReply, State
from inksteward_simulators.pty_port import PtyPort
from inksteward_simulators.scenario import ScenarioError
from inksteward_simulators.scenario_forms import FILTERS
from inksteward_simulators.schema_check import SchemaFault, SchemaFolder
from inksteward_simulators.strip_layout import layout_of
from inksteward_simulators.strip_wires import LineWire, MqttWire, Wire, strip_host_questions
from inksteward_simulators.tasks import ended, typed_lines
from inksteward_simulators.text_wire import TextWire

LOOK_S = 0.05


@dataclass(slots=True)
class StripReader:
    """One instrument at work. ``wanted`` is set to pull a sheet at once."""

    link: BenchLink
    wire: Wire
    densitometer: Densitometer
    patches: tuple[Patch, ...]
    options: argparse.Namespace
    schemas: SchemaFolder
    wanted: asyncio.Event = field(default_factory=asyncio.Event)

    async def work(self) -> None:
        """Pull, carry, read and send until so many scans are sent (0: for ever)."""
        dice = random.Random(f"{self.options.seed} way")
        carry, read = self.options.carry_sheets, self.options.scan_sheets
        run_id, due, sent = "", self.options.first_sheet, 0
        while self.options.scans == 0 or sent < self.options.scans:
            state = await self._wait_for_sheet(run_id, due)
            if state.run_id != run_id:
                run_id, due = state.run_id, self.options.first_sheet
                continue
            pulled = await self.link.pull(self.patches, self.options.side)
            due = pulled.sheet + self.options.every_sheets
            await self._carried(pulled, round(dice.uniform(*carry) + dice.uniform(*read)))
            if pulled.instrument.dead:
                say("no_scan", run_id=pulled.run_id, sheet=pulled.sheet, text="the instrument is dead")
                continue
            scan = self.schemas.check("scan", self._scan(pulled))
            await self.wire.send(scan)
            sent += 1
            say(
                "scan",
                scan_id=scan["scan_id"],
                run_id=pulled.run_id,
                sheet=pulled.sheet,
                patches=len(scan["patches"]),
            )

    async def _wait_for_sheet(self, run_id: str, due: int) -> State:
        while True:
            state = await self.link.state()
            if state.run_id != run_id:
                return state
            if self.wanted.is_set():
                self.wanted.clear()
                return state
            if self.options.every_sheets and state.printing and state.sheet >= due:
                return state
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LOOK_S):
                    await self.wanted.wait()

    async def _carried(self, pulled: PullReply, sheets: int) -> None:
        """Wait until the press has printed so many sheets more. A standing press makes nobody wait."""
        while True:
            state = await self.link.state()
            if state.run_id != pulled.run_id or not state.printing or state.sheet >= pulled.sheet + sheets:
                return
            await asyncio.sleep(LOOK_S)

    def _scan(self, pulled: PullReply) -> dict[str, Any]:
        options = self.options
        return {
            "scan_id": new_id("s"),
            "run_id": pulled.run_id,
            "side": pulled.side,
            "sheet": max(pulled.sheet, 0),
            "pulled_at": None,
            "taken_at": now_rfc3339(),
            "extent": "full",
            "instrument": {
                "id": options.instrument,
                "kind": "strip",
                "status": options.status,
                "polarised": not options.unpolarised,
                "paper_relative": not options.absolute,
            },
            "patches": self.densitometer.measure(pulled.patches, pulled.instrument),
        }


async def _listen_to_stdin(wanted: asyncio.Event) -> None:
    """A line ``pull`` on standard input asks for a sheet."""
    async for line in typed_lines():
        if line.strip() == "pull":
            wanted.set()
        else:
            say("not_understood", line=line.strip()[:80], expected="pull")


async def _over_mqtt(options: argparse.Namespace) -> None:
    session = Session(options.broker, options.press, f"sim-strip-{options.press}-{options.instrument}")

    async def work() -> None:
        await session.connected.wait()
        await _read_on(options, MqttWire(session), {"via": "mqtt", "broker": options.broker})

    await ended(session.run(), work())


async def _over_line(options: argparse.Namespace) -> None:
    port = PtyPort(options.pty_link)
    noise = LineNoise(options.line_noise, options.seed)
    peer = LinePeer(port, strip_host_questions(options.instrument), noise)
    path = peer.plug()
    try:
        await ended(peer.run(), _read_on(options, LineWire(peer), {"via": "pty", "pty": path}))
    finally:
        port.unplug()


async def _as_text(options: argparse.Namespace) -> None:
    port = PtyPort(options.pty_link)
    path = port.plug(lambda _: None)
    wire = TextWire(port, tuple(options.filters.split(",")))
    try:
        await ended(_read_on(options, wire, {"via": "text", "pty": path}))
    finally:
        port.unplug()


async def _as_files(options: argparse.Namespace) -> None:
    wire = FileWire(options.folder, tuple(options.filters.split(",")))
    await ended(_read_on(options, wire, {"via": "folder", "folder": str(options.folder)}))


async def _read_on(options: argparse.Namespace, wire: Wire, facts: dict[str, Any]) -> None:
    schemas = SchemaFolder(options.schemas)
    densitometer = Densitometer(options.seed, faults_of(options))
    host, port = options.link
    async with await BenchLink.connect(port, host) as link:
        patches = layout_of(options.layout, await link.state(), options.side, options.scenario)
        reader = StripReader(link, wire, densitometer, patches, options, schemas)
        ready(what="strip-reader", instrument=options.instrument, patches=len(patches), **facts)
        listener = asyncio.create_task(_listen_to_stdin(reader.wanted)) if options.stdin else None
        try:
            await reader.work()
        finally:
            if listener is not None:
                listener.cancel()


def faults_of(options: argparse.Namespace) -> Faults:
    """The instrument's errors as the command line asks for them. Raises ValueError for filters that are not there."""
    swapped = None
    if options.wrong_filter is not None:
        one, _, other = options.wrong_filter.partition("=")
        if one not in FILTERS or other not in FILTERS:
            raise ValueError(
                f"--wrong-filter = {options.wrong_filter!r}: expected two of {FILTERS} as in C=M"
            )
        swapped = (one, other)
    return Faults(
        noise_d=options.noise_d,
        bias_d=options.bias_d,
        outliers=options.outliers,
        missed=options.missed,
        dropped=options.drop,
        turned=options.reverse,
        swapped=swapped,
    )


def parser() -> argparse.ArgumentParser:
    """The command line of the strip reader."""
    made = argparse.ArgumentParser(prog="python -m inksteward_simulators strip-reader", description=__doc__)
    made.add_argument("--link", type=link_address, required=True, help="[127.0.0.1:]PORT of the bench link")
    made.add_argument(
        "--layout", default="cycle", help="cycle, scenario, or a JSON file with an array of patches"
    )
    made.add_argument("--scenario", help="bundled name or file, for --layout scenario")
    made.add_argument("--via", choices=("mqtt", "pty", "text", "folder"), default="mqtt")
    made.add_argument("--folder", type=Path, default=Path("strips"), help="with --via folder: where files go")
    made.add_argument("--filters", default="C,M,Y,K", help="with --via text or folder: densities, in order")
    made.add_argument("--broker", help="mqtt://host:port, with --via mqtt")
    made.add_argument(
        "--pty-link", type=Path, help="with --via pty: a symbolic link to the port under this name"
    )
    made.add_argument("--line-noise", type=share, default=0.0, help="with --via pty: share of frames spoilt")
    made.add_argument("--press", default="press-demo")
    made.add_argument("--instrument", default="strip-1", help="its id")
    made.add_argument("--side", choices=("front", "back"), default="front")
    made.add_argument("--seed", type=int, default=1)
    made.add_argument("--every-sheets", type=int, default=60, help="0: only on request")
    made.add_argument("--first-sheet", type=int, default=40)
    made.add_argument("--carry-sheets", type=float, nargs=2, default=(10, 25), metavar=("LEAST", "MOST"))
    made.add_argument("--scan-sheets", type=float, nargs=2, default=(15, 35), metavar=("LEAST", "MOST"))
    made.add_argument("--scans", type=int, default=0, help="end after so many (default: never)")
    made.add_argument("--stdin", action="store_true", help="pull at once for every line `pull`")
    made.add_argument("--schemas", type=Path, help="folder of the published schemas to check scans against")
    _add_instrument(made)
    return made


def _add_instrument(made: argparse.ArgumentParser) -> None:
    made.add_argument("--status", default="E")
    made.add_argument("--unpolarised", action="store_true")
    made.add_argument("--absolute", action="store_true", help="densities with the paper's own in them")
    made.add_argument("--noise-d", type=float, default=NOISE_D)
    made.add_argument("--bias-d", type=float, default=BIAS_D)
    made.add_argument("--outliers", type=share, default=OUTLIERS, help="share of patches")
    made.add_argument("--missed", type=share, default=MISSED, help="share of patches without a reading")
    made.add_argument("--drop", type=share, default=0.0, help="share of patches left out")
    made.add_argument("--reverse", choices=("no", "turned", "mirrored"), default="no")
    made.add_argument("--wrong-filter", metavar="C=M", help="two filters are exchanged")


def main(argv: list[str] | None = None) -> int:
    """Entry of `python -m inksteward_simulators strip-reader`."""
    made = parser()
    options = made.parse_args(argv)
    if options.via == "mqtt" and options.broker is None:
        made.error("--broker: expected mqtt://host:port with --via mqtt")
    try:
        for name in ("carry_sheets", "scan_sheets"):
            low_high(getattr(options, name), f"--{name.replace('_', '-')}")
        way = {"mqtt": _over_mqtt, "pty": _over_line, "text": _as_text, "folder": _as_files}[options.via]
        asyncio.run(way(options))
    except ConnectionError as error:
        print(f"bench link: {error}", file=sys.stderr)
        return 2
    except (ScenarioError, SchemaFault, LinkError, ValueError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    return 0
