"""The guide's wiring example for Modbus TCP, taken out of the guide and run."""

from __future__ import annotations

import tomllib
from pathlib import Path

from inksteward_drivers.modbus import build
from inksteward_simulators.cabinet import Cabinet
from inksteward_simulators.modbus_cabinet import Registers
from tests.drivers.bench import ZONES, Ears, context, press, released, running, unit

GUIDE = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"


async def test_the_example_reads_and_moves_a_cabinet() -> None:
    """With host and port of a real server in it, the example's bank tells positions and moves a key."""
    section = GUIDE.read_text("utf-8").split("\n### Family: Modbus TCP registers\n")[1].split("\n## ")[0]
    bank = tomllib.loads(section.split("```toml\n")[1].split("```")[0])["key_bank"][0]
    assert (bank["driver"], bank["units"]) == ("modbus", ["u1"])
    async with press() as link:
        registers = Registers(Cabinet(link, ("u1", "u2")))
        port = await registers.open()
        keys = build(context(unit("u1"), **{**bank["settings"], "host": "127.0.0.1", "port": port}))
        ears = Ears()
        async with running(keys.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            assert ears.objects()[0]["opening_pct"] == [40.0] * ZONES
            await keys.move(released())
            seen = await keys.read_back("u1")
            while seen.moving or seen.opening_mpct[1] != 45_000:
                await link.advance(seconds=1.0)
                seen = await keys.read_back("u1")
        assert registers.started == [("u1", 1)]
        await registers.close()
