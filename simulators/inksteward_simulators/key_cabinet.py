"""The key cabinet as a process: one bank of keys a unit, over MQTT or a serial line."""

import argparse
import asyncio
import sys
from pathlib import Path

from inksteward_simulators.broker import Session
from inksteward_simulators.cabinet import Cabinet
from inksteward_simulators.cabinet_wires import LineCabinet, MqttCabinet
from inksteward_simulators.console import link_address, ready, share
from inksteward_simulators.line_peer import LineNoise, LinePeer
from inksteward_simulators.link import BenchLink, LinkError
from inksteward_simulators.pty_port import PtyPort
from inksteward_simulators.schema_check import SchemaFault, SchemaFolder
from inksteward_simulators.tasks import ended


async def serve(options: argparse.Namespace) -> None:
    """Run until told to end, or until the press is gone."""
    host, port = options.link
    async with await BenchLink.connect(port, host) as link:
        units = tuple(unit.unit for unit in (await link.state()).units)
        if options.units is not None:
            unknown = [unit for unit in options.units.split(",") if unit not in units]
            if unknown:
                raise ValueError(f"--units: {unknown[0]!r}: expected some of {', '.join(units)}")
            units = tuple(options.units.split(","))
        cabinet = Cabinet(link, units, options.group, options.take_up_pct)
        try:
            await {"mqtt": _over_mqtt, "pty": _over_line, "modbus": _over_modbus}[options.via](
                cabinet, options
            )
        finally:
            await cabinet.close()


async def _over_mqtt(cabinet: Cabinet, options: argparse.Namespace) -> None:
    face = MqttCabinet(cabinet, SchemaFolder(options.schemas))
    session = Session(
        options.broker,
        options.press,
        f"sim-keys-{options.press}-{options.device}",
        topics=("keys/+/command",),
        on_message=face.on_message,
        as_published=True,
    )

    async def tell() -> None:
        await session.connected.wait()
        ready(
            what="key-cabinet", device=options.device, units=cabinet.units, via="mqtt", broker=options.broker
        )
        await face.tell(session)

    await ended(session.run(), tell())


async def _over_line(cabinet: Cabinet, options: argparse.Namespace) -> None:
    port = PtyPort(options.pty_link)
    noise = LineNoise(options.line_noise, options.seed)
    peer = LinePeer(port, LineCabinet(cabinet, options.device).serve, noise)
    path = peer.plug()
    ready(what="key-cabinet", device=options.device, units=cabinet.units, via="pty", pty=path)
    try:
        await ended(peer.run())
    finally:
        port.unplug()


async def _over_modbus(cabinet: Cabinet, options: argparse.Namespace) -> None:
    from inksteward_simulators.modbus_cabinet import Registers

    registers = Registers(cabinet)
    port = await registers.open()
    ready(what="key-cabinet", device=options.device, units=cabinet.units, via="modbus", port=port)
    try:
        await ended()
    finally:
        await registers.close()


def parser() -> argparse.ArgumentParser:
    """The command line of the key cabinet."""
    made = argparse.ArgumentParser(prog="python -m inksteward_simulators key-cabinet", description=__doc__)
    made.add_argument("--link", type=link_address, required=True, help="[127.0.0.1:]PORT of the bench link")
    made.add_argument("--units", help="u1,u2,...: those that this cabinet drives (default: all)")
    made.add_argument("--via", choices=("mqtt", "pty", "modbus"), default="mqtt")
    made.add_argument("--broker", help="mqtt://host:port, with --via mqtt")
    made.add_argument(
        "--pty-link", type=Path, help="with --via pty: a symbolic link to the port under this name"
    )
    made.add_argument("--line-noise", type=share, default=0.0, help="with --via pty: share of frames spoilt")
    made.add_argument("--press", default="press-demo")
    made.add_argument("--device", default="cabinet-1", help="its id")
    made.add_argument("--group", type=int, default=8, help="keys that run at the same time")
    made.add_argument(
        "--take-up-pct", type=float, default=1.0, help="how far beyond an opening target a key goes"
    )
    made.add_argument("--seed", type=int, default=1, help="for the noise on the line")
    made.add_argument(
        "--schemas", type=Path, help="folder of the published schemas to check positions against"
    )
    return made


def main(argv: list[str] | None = None) -> int:
    """Entry of `python -m inksteward_simulators key-cabinet`."""
    made = parser()
    options = made.parse_args(argv)
    if options.via == "mqtt" and options.broker is None:
        made.error("--broker: expected mqtt://host:port with --via mqtt")
    if options.group < 1:
        made.error(f"--group: {options.group}: expected at least 1")
    try:
        asyncio.run(serve(options))
    except ConnectionError as error:
        print(f"bench link: {error}", file=sys.stderr)
        return 2
    except (SchemaFault, LinkError, ValueError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    return 0
