"""Key banks behind Modbus TCP: a real server, a real cabinet controller, a simulated press."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import AsyncIterator
from contextlib import suppress
from typing import Any

import pytest

from inksteward.ports import DriverError, NotSent
from inksteward_drivers.modbus import build
from inksteward_simulators.modbus_cabinet import BLOCK, START, TARGET
from tests.drivers.behaviours import KeyBankBehaviours
from tests.drivers.bench import ZONES, Ears, context, press, released, running, unit
from tests.drivers.modbus_side import ModbusSide, settings, unit_table


@pytest.fixture
async def side() -> AsyncIterator[ModbusSide]:
    """A cabinet that listens, and a bank for it."""
    async with press() as link:
        made = ModbusSide(link)
        await made.open()
        yield made
        made.registers.silent = False
        await made.registers.close()
        await made.cabinet.close()


def starts(side: ModbusSide) -> list[int]:
    """Writes of a register that starts a command."""
    return [address for address, _ in side.registers.writes if address % BLOCK == START]


class TestModbusKeys(KeyBankBehaviours):
    """The Modbus key bank does what every key bank does, and:"""

    async def test_nothing_is_written_but_a_command(self, side: ModbusSide) -> None:
        """Connecting, reading and reading back write nothing; a command writes targets first, its start last."""
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            await side.bank.read_back("u1")
            await side.bank.read_back("u2")
            assert side.registers.writes == []
            await side.bank.move(released())
        assert side.registers.writes[0] == (TARGET, ZONES)
        assert side.registers.writes[-1] == (START, 1)
        assert starts(side) == [START]

    async def test_a_command_that_starts_elsewhere_is_not_written(self, side: ModbusSide) -> None:
        """Where keys do not stand as the command says, not one register is written."""
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            with pytest.raises(NotSent, match="zone 2 stands at 40 %, expected 42 %"):
                await side.bank.move(released(targets=((2, 42.0, 43.0),)))
        assert side.registers.writes == []

    async def test_an_answer_that_is_lost_leaves_the_fate_open(self, side: ModbusSide) -> None:
        """When the connection breaks on the start, nobody knows: it is told so, and never written again, though the
        line comes back; the position names the command once the cabinet says that it ended."""
        side.registers.dies_at_start = "late"
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            with pytest.raises(DriverError, match="nobody knows") as error:
                await side.bank.move(released("c-late"))
            assert not isinstance(error.value, NotSent)
            side.registers.dies_at_start = ""
            for _ in range(60):
                await side.link.advance(seconds=1.0)
                await asyncio.sleep(0.05)
                if any(pos["command_id"] == "c-late" for pos in ears.objects()):
                    break
        assert ears.objects()[-1]["command_id"] == "c-late" or any(
            pos["command_id"] == "c-late" for pos in ears.objects()
        )
        assert starts(side) == [START]
        assert side.registers.started == [("u1", 1)]

    async def test_writes_that_are_refused_start_nothing(self, side: ModbusSide) -> None:
        """A server that refuses to write leaves the keys alone, and the position says why."""
        side.registers.broken = True
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            with pytest.raises(NotSent, match="were not written: refused with exception 4"):
                await side.bank.move(released("c-no"))
            await ears.until(lambda: any(pos["refused"] for pos in ears.objects()))
        assert side.registers.started == []
        assert ears.objects()[-1]["command_id"] == "c-no"

    async def test_the_other_keys_stay(self, side: ModbusSide) -> None:
        """Two commands one after the other move each their own keys and no other; each has its own number."""
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            for number, (zone, goal) in enumerate(((1, 44.0), (6, 36.0)), 1):
                await side.bank.move(released(f"c-{number}", targets=((zone, 40.0, goal),)))
                seen = await side.bank.read_back("u1")
                while seen.moving or seen.opening_mpct[zone - 1] != round(goal * 1000):
                    await side.link.advance(seconds=1.0)
                    seen = await side.bank.read_back("u1")
            seen = await side.bank.read_back("u1")
        assert seen.opening_mpct == (44_000, 40_000, 40_000, 40_000, 40_000, 36_000)
        assert side.registers.started == [("u1", 1), ("u1", 2)]

    async def test_it_comes_back_after_the_server_was_gone(self, side: ModbusSide) -> None:
        """A server that goes and comes back is told of both ways, and positions come again."""
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            await side.registers.close()
            await ears.until(lambda: any(not up for up, _ in ears.links))
            count = len(ears.came)
            await side.registers.open()
            await ears.until(lambda: len(ears.came) > count)
        assert ears.links[-1][0]

    async def test_another_device_number_is_no_cabinet(self, side: ModbusSide) -> None:
        """Registers of a device that does not answer give no position; what was seen is told."""
        bank = build(context(unit("u1"), unit("u2"), **settings(side.registers.port, device=7)))
        ears = Ears()
        async with running(bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: any(not up for up, _ in ears.links))
        assert ears.came == []

    async def test_a_command_that_is_too_old_is_not_started(self, side: ModbusSide) -> None:
        """Targets that stood only after the command's time are never started."""
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            with pytest.raises(NotSent, match="no longer valid"):
                await side.bank.move(released(valid_s=0))
        assert starts(side) == []

    async def test_cancelling_ends_it(self, side: ModbusSide) -> None:
        """Cancelling `run` ends it and a command after it is not sent."""
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)) as task:
            await ears.until(lambda: ears.came)
        assert task.cancelled()
        with pytest.raises(NotSent, match="is not open"):
            await side.bank.move(released())


async def test_keys_that_do_not_know_where_they_are(side: ModbusSide) -> None:
    """The count that stands for unknown is told as unknown, and such a key is never moved."""
    table = unit_table()
    table["position"]["unknown_count"] = 4000
    units = {"u1": table, "u2": unit_table(1)}
    bank = build(context(unit("u1"), unit("u2"), **settings(side.registers.port, unit=units)))
    ears = Ears()
    async with running(bank.run(ears.deliver, ears.link)):
        await ears.until(lambda: any(pos["unit"] == "u1" for pos in ears.objects()))
        with pytest.raises(NotSent, match="zone 2 does not know where it is"):
            await bank.move(released())
    position = next(pos for pos in ears.objects() if pos["unit"] == "u1")
    assert position["opening_pct"] == [None] * ZONES
    assert side.registers.writes == []


def test_without_the_package_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    """The extra is named."""
    monkeypatch.setitem(sys.modules, "pymodbus", None)
    with pytest.raises(ImportError, match=r"install inksteward\[modbus\]"):
        build(context(unit("u1"), **settings(502)))


async def test_a_server_that_never_answers_is_left_again(side: ModbusSide) -> None:
    """Silence is no position: the line is closed and opened again, and told."""
    side.registers.silent = True
    ears = Ears()
    async with running(side.bank.run(ears.deliver, ears.link)):
        await ears.until(lambda: any(not up for up, _ in ears.links))
    assert "no answer to reading" in ears.links[-1][1]
    with suppress(DriverError):
        await side.bank.read_back("u1")
    assert ears.came == []


def changed(place: str, value: Any) -> dict[str, Any]:
    """Settings with one value changed or, for None, taken away."""
    data = settings(502)
    *way, last = place.split(".")
    table: Any = data
    for name in way:
        table = table[name]
    if value is None:
        del table[last]
    else:
        table[last] = value
    return data


@pytest.mark.parametrize(
    ("place", "value", "told"),
    [
        ("host", None, "host = missing"),
        ("port", 0, "port = 0"),
        ("baud", 9600, "baud"),
        ("unit.u2", None, "unit = u1: expected registers of u1, u2"),
        ("unit.u1.position.percent_per_count", 0.0, "unit.u1.position.percent_per_count = 0"),
        ("unit.u1.position.percent_per_count", 0.001, "100 % is the count 100000, expected 0 to 65535"),
        ("unit.u1.position.coded", "float", "unit.u1.position.coded"),
        ("unit.u1.target.table", "input", "unit.u1.target.table = input: expected holding"),
        ("unit.u1.target.step", 2, "unit.u1.target.step: expected 0"),
        ("unit.u1.start.address", TARGET + 2, "register 102 is under-test: unit.u1.target too"),
        ("unit.u1.target.address", 65534, "expected room for 6 registers below 65536"),
        ("unit.u1.refusals", {"0": "x"}, "unit.u1.refusals.0"),
        ("unit.u1.blade_id", None, "unit.u1.blade_id = missing"),
        ("unit.u1.position.unknown_count", -1, "unknown_count = -1: expected 0 to 65535"),
    ],
)
def test_a_wrong_setting_is_named(place: str, value: Any, told: str) -> None:
    """The message has the setting, its value and what was expected."""
    with pytest.raises(ValueError, match="under-test") as error:
        build(context(unit("u1"), unit("u2"), **changed(place, value)))
    assert told in str(error.value)
