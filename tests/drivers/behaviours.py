"""What every strip reader and every key bank does, whatever it hangs on. Inherited by each family's tests.

A family gives a fixture ``side`` whose value plays the other side of the wire.
"""

import asyncio
import json
from contextlib import suppress
from typing import Any, Protocol

import pytest

from inksteward.contract import decode
from inksteward.contract.inputs import KeyPosition, Scan
from inksteward.ports import DriverError, KeyBank, NotSent, StripReader
from inksteward_simulators.link import BenchLink
from tests.drivers.bench import ZONES, Ears, released, running

PATCH = {
    "kind": "solid",
    "inks": ["C"],
    "tone_pct": 100.0,
    "density": {"C": 1.41, "M": 0.47, "Y": 0.14, "K": 0.52},
}


def scan_of(sheet: int = 1210, patches: int = 40) -> dict[str, Any]:
    """A contract scan; one patch was missed."""
    rows = [PATCH | {"x_mm": 14.0 + 4.8 * number} for number in range(patches)]
    rows[1] = rows[1] | {"density": None}
    return {
        "scan_id": "s-17",
        "run_id": "run-0412",
        "side": "front",
        "sheet": sheet,
        "pulled_at": None,
        "taken_at": "2026-03-02T08:15:30.000Z",
        "extent": "full",
        "instrument": {
            "id": "strip-1",
            "kind": "strip",
            "status": "E",
            "polarised": True,
            "paper_relative": True,
        },
        "patches": rows,
    }


class StripSide(Protocol):
    """The instrument's end."""

    reader: StripReader

    async def send(self, scan: dict[str, Any]) -> None: ...
    async def break_link(self) -> None: ...
    async def mend_link(self) -> None: ...


class StripReaderBehaviours:
    """Inherit and give a fixture ``side``: a StripSide."""

    async def test_scan_is_delivered_once_as_the_contract_wants_it(self, side: StripSide) -> None:
        """A scan sent by the instrument comes out once, under `scan`, readable by the contract's own model."""
        ears = Ears()
        async with running(side.reader.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.links)
            await side.send(scan_of())
            await ears.until(lambda: ears.came)
        [(topic, payload, retained)] = ears.came
        scan, _ = decode(Scan, payload)
        assert (topic, retained, scan.sheet, scan.run_id) == ("scan", False, 1210, "run-0412")
        assert json.loads(payload)["patches"] == scan_of()["patches"]

    async def test_scans_keep_their_order(self, side: StripSide) -> None:
        """Scans come out in the order in which they were sent, none left out."""
        ears = Ears()
        async with running(side.reader.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.links)
            for sheet in range(1, 6):
                await side.send(scan_of(sheet, patches=30))
            await ears.until(lambda: len(ears.came) == 5)
        assert [scan["sheet"] for scan in ears.objects()] == [1, 2, 3, 4, 5]

    async def test_link_comes_back(self, side: StripSide) -> None:
        """After the link was lost it is told so; when it is back, scans come again without a restart."""
        ears = Ears()
        async with running(side.reader.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.links and ears.links[-1][0])
            await side.break_link()
            await ears.until(lambda: any(not up for up, _ in ears.links))
            await side.mend_link()
            await ears.until(lambda: ears.links[-1][0])
            await side.send(scan_of(2000))
            await ears.until(lambda: ears.came)
        assert [scan["sheet"] for scan in ears.objects()] == [2000]

    async def test_run_ends_when_cancelled(self, side: StripSide) -> None:
        """Cancelling `run` ends it at once and leaves nothing behind."""
        ears = Ears()
        before = asyncio.all_tasks()
        async with running(side.reader.run(ears.deliver, ears.link)) as task:
            await ears.until(lambda: ears.links)
        assert task.cancelled()
        assert asyncio.all_tasks() == before


class KeySide(Protocol):
    """The cabinet's end, with units u1 and u2 of six keys at 40 %; the bank drives u1 and u2."""

    bank: KeyBank
    link: BenchLink
    silence: str

    async def lose_cabinet(self) -> None: ...
    async def drop_line(self) -> None: ...


async def _stands_at(ears: Ears, unit: str, zone: int, pct: float, link: BenchLink) -> None:
    """Let press time pass until a delivered position shows the key there and standing."""

    def there() -> bool:
        seen = [pos for pos in ears.objects() if pos["unit"] == unit]
        return bool(seen) and seen[-1]["opening_pct"][zone - 1] == pct and not seen[-1]["moving"]

    while not there():
        await link.advance(seconds=1.0)
        await ears.more()


class KeyBankBehaviours:
    """Inherit and give a fixture ``side``: a KeySide."""

    async def test_positions_are_delivered_as_the_contract_wants_them(self, side: KeySide) -> None:
        """Every unit's position comes out under its topic, readable by the contract's own model."""
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(
                lambda: {topic for topic, _, _ in ears.came} >= {"keys/u1/position", "keys/u2/position"}
            )
        for topic, payload, _ in ears.came:
            position, _ = decode(KeyPosition, payload)
            assert topic == f"keys/{position.unit}/position"
            assert position.opening_pct == (40.0,) * ZONES
            assert position.at is not None

    async def test_read_back_is_live_and_in_integers(self, side: KeySide) -> None:
        """A read-back gives openings in thousandths of a percent, with its age, and knows nothing of the fountain."""
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            seen = await side.bank.read_back("u1")
        assert (seen.unit, seen.blade_id) == ("u1", "blade-1")
        assert seen.opening_mpct == (40_000,) * ZONES
        assert seen.referenced == (True,) * ZONES
        assert seen.sweep_mpct == 30_000
        assert seen.age_ms is not None
        assert 0 <= seen.age_ms <= 3000
        assert seen.fountain_turning is None

    async def test_move_reaches_the_keys(self, side: KeySide) -> None:
        """A released command moves exactly its keys; positions tell of the way and name the command at its end."""
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            await side.bank.move(released("c-7", targets=((2, 40.0, 45.0), (5, 40.0, 38.0))))
            await _stands_at(ears, "u1", 5, 38.0, side.link)
            await ears.until(lambda: any(pos["command_id"] == "c-7" for pos in ears.objects()))
        last = [pos for pos in ears.objects() if pos["unit"] == "u1"][-1]
        assert last["opening_pct"] == [40.0, 45.0, 40.0, 40.0, 38.0, 40.0]
        assert (last["command_id"], last["refused"], last["moving"]) == ("c-7", None, False)
        assert any(pos["moving"] for pos in ears.objects())

    async def test_refused_command_moves_nothing_and_says_why(self, side: KeySide) -> None:
        """A command that does not start from where the keys stand is refused whole; its position says why."""
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            with suppress(DriverError):  # a line knows at once, the broker does not
                await side.bank.move(released("c-8", targets=((1, 40.0, 41.0), (2, 42.0, 43.0))))
            await ears.until(lambda: any(pos["refused"] for pos in ears.objects()))
        refused = [pos for pos in ears.objects() if pos["refused"]][-1]
        assert (refused["unit"], refused["command_id"]) == ("u1", "c-8")
        assert "zone 2 stands at 40 %" in refused["refused"]
        assert refused["opening_pct"] == [40.0] * ZONES

    async def test_unknown_unit(self, side: KeySide) -> None:
        """A unit that the bank does not serve is refused before anything is sent."""
        with pytest.raises(NotSent, match="u9: expected one of this bank's units: u1, u2"):
            await side.bank.move(released("c-9", "u9"))
        with pytest.raises(DriverError, match="u9"):
            await side.bank.read_back("u9")

    async def test_without_a_line_nothing_is_sent(self, side: KeySide) -> None:
        """With the line down a command is known not to have been sent."""
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            await side.drop_line()
            with pytest.raises(NotSent):
                await side.bank.move(released("c-10"))

    async def test_silent_cabinet_gives_no_read_back(self, side: KeySide) -> None:
        """When the cabinet no longer answers, a read-back is refused in words, never taken from memory."""
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            await side.lose_cabinet()
            with pytest.raises(DriverError, match=side.silence):
                await side.bank.read_back("u1")
