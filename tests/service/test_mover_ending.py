"""What becomes of commands when the service ends."""

import asyncio
from pathlib import Path
from typing import Any

import pytest

from inksteward.events import CommandEnded, CommandRefused, CommandReleased, Ended, Move
from inksteward.service import mover as module
from tests.service.mover_kit import approved


async def test_an_ending_service_waits_for_a_command(tmp_path: Path) -> None:
    """A command that is being handed over when the service ends is finished and its end recorded."""
    async with approved(tmp_path) as shop:
        shop.bank.may_move.clear()
        shop.mover.start(shop.effect)
        await shop.bank.on_move.wait()
        ending = asyncio.create_task(shop.mover.end())
        await asyncio.sleep(0.01)
        shop.bank.may_move.set()
        await ending
        assert shop.told()[-1] == CommandEnded(shop.number, "u2", Ended.DONE)


async def test_an_ending_service_interrupts_what_takes_too_long(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bank that does not return is interrupted after a while; the fate of the command is recorded as unknown."""
    monkeypatch.setattr(module, "PATIENCE_S", 0.05)
    async with approved(tmp_path) as shop:
        shop.bank.may_move.clear()
        shop.mover.start(shop.effect)
        await shop.bank.on_move.wait()
        await shop.mover.end()
        assert shop.told()[-1].ended is Ended.FATE_UNKNOWN


async def test_an_ending_service_releases_nothing_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A command that was still being judged when the service ended, or came afterwards, is refused."""
    monkeypatch.setattr(module, "PATIENCE_S", 0.05)
    async with approved(tmp_path) as shop:
        shop.bank.may_read.clear()
        shop.mover.start(shop.effect)
        await shop.bank.on_read.wait()
        await shop.mover.end()
        later = Move("u2", {**shop.effect.command, "command_id": "c-later"})
        shop.mover.start(later)
        await shop.ended()
        assert [(type(event), event.command_id) for event in shop.told()] == [
            (CommandRefused, shop.number),
            (CommandRefused, "c-later"),
        ]
        assert shop.made.state.units["u2"].pending is None
        assert shop.bank.moved == []


async def test_interrupted_while_the_release_is_recorded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Interrupted after the release went into the queue and before the bank was asked, the command is recorded as not
    sent: no restart must call its fate unknown.
    """
    monkeypatch.setattr(module, "PATIENCE_S", 0.0)
    async with approved(tmp_path) as shop:
        slow, record = asyncio.Event(), shop.made.record
        advance = record.advance

        async def waiting(*words: Any) -> Any:
            slow.set()
            await asyncio.sleep(0.1)
            return await advance(*words)

        monkeypatch.setattr(record, "advance", waiting)
        shop.mover.start(shop.effect)
        await slow.wait()
        await shop.mover.end()
        assert [type(event) for event in shop.told()] == [CommandReleased, CommandEnded]
        assert shop.told()[-1].ended is Ended.NOT_SENT
        assert shop.bank.moved == []
