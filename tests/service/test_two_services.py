"""Two services on one press: the journal keeps the second one out; with another journal one of them holds."""

import asyncio
import itertools
from pathlib import Path
from typing import Any

import pytest

from inksteward.events import CommandReleased, LinkChanged
from inksteward.service import app
from inksteward.service.clock import Clock
from inksteward.service.errors import CANNOT_START, StartError
from inksteward.service.starting import read
from tests.service.bench import decision, serving, set_up_shop
from tests.service.floor import Floor
from tests.service.listener import Probe, fence, probe, standing

pytestmark = pytest.mark.broker
_numbers = itertools.count(1)


def holds(heard: Probe, service: app.Service) -> dict[str, Any] | None:
    """The status by which a service said that it holds."""
    said = (state for state in heard.all("status") if state["instance"] == service.setup.instance)
    return next((state for state in said if state["state"] == "holding"), None)


async def test_the_second_one_on_a_journal_does_not_start(mosquitto: str, tmp_path: Path) -> None:
    """A second service on the same journal directory does not start and says who has it; the first one goes on."""
    shop = set_up_shop(tmp_path, mosquitto, f"two-{next(_numbers)}")
    async with probe(shop) as heard, serving(shop.options()):
        await heard.online()
        second = app.Service(read(shop.options()), Clock())
        with pytest.raises(StartError, match="keeps this journal") as raised:
            second.open()
        await fence(heard)
    assert raised.value.code == CANNOT_START
    assert {status["state"] for status in heard.all("status")} == {"online", "offline"}


async def test_with_another_journal_the_first_one_holds(mosquitto: str, tmp_path: Path) -> None:
    """When a second service with a journal of its own comes online on the same press, the first one holds with an
    alarm, and no decision moves a key through either of them.
    """
    shop = set_up_shop(tmp_path, mosquitto, f"two-{next(_numbers)}")
    other = tmp_path / "other"
    async with probe(shop) as heard, serving(shop.options()) as first:
        await heard.online()
        proposal = await standing(heard, Floor(shop.scenario))
        async with serving(shop.options(journal=other)) as second:
            holding = await heard.until(lambda: holds(heard, first))
            await heard.say("decision", decision(proposal))
            answers = await heard.until(
                lambda: len(found := [a for a in heard.all("answer") if a["id"] == "d-1"]) == 2 and found
            )
    assert second.setup.instance in holding["reason"]
    codes = {alarm["code"] for each in heard.all("alarm") for alarm in each["alarms"]}
    assert "other_instance" in codes
    assert [answer["accepted"] for answer in answers] == [False, False]
    assert not shop.events(CommandReleased)
    assert not shop.events(CommandReleased, other)


async def test_nobody_fights_for_the_session(mosquitto: str, tmp_path: Path) -> None:
    """Once two services have heard of each other, one has the persistent session and the other leaves it alone."""
    shop = set_up_shop(tmp_path, mosquitto, f"two-{next(_numbers)}")
    async with probe(shop) as heard, serving(shop.options()) as first:
        await heard.online()
        async with serving(shop.options(journal=tmp_path / "other")) as second:
            await heard.until(lambda: holds(heard, first))
            await asyncio.sleep(2.0)
            ups = (first.link._inbox.up, second.link._inbox.up)
            await asyncio.sleep(2.0)
            assert (first.link._inbox.up, second.link._inbox.up) == ups
            assert sorted(ups) == [False, True]
    assert len([event for event in shop.events(LinkChanged) if event.link == "broker"]) <= 5
