"""What no broker has acknowledged is sent, over changes of files and restarts, and then not again."""

import itertools
import json
from pathlib import Path

import pytest

from inksteward.events import Publish, Ticked
from inksteward.journal import Journal
from inksteward.journals import Journals
from inksteward.service.app import NEW_FILE_AGAIN_NS
from inksteward.service.restoring import label_of
from tests.records import SMALL_RESERVE
from tests.service.bench import Shop, set_up_shop
from tests.service.floor import Floor
from tests.service.listener import Probe, fence, probe
from tests.service.parts import HandClock
from tests.service.test_files import NOWHERE, assert_sound, job, running, say

pytestmark = pytest.mark.broker
_numbers = itertools.count(1)
UNREADABLE = b"said while the broker was away"


def at_broker(shop: Shop, url: str) -> Shop:
    """The same press with another broker in its configuration."""
    text = shop.config.read_text("utf-8").replace(NOWHERE, url)
    shop.config.write_text(text, "utf-8")
    return Shop(shop.folder, shop.press, url, shop.scenario)


def answers(heard: Probe) -> int:
    """How often the unreadable message was answered."""
    return sum(UNREADABLE.decode() in json.dumps(one) for one in heard.all("answer"))


def labels(shop: Shop) -> list[str]:
    return [label_of(path) for path in Journals(shop.journal).paths()]


def unsent(journals: Journals) -> list[str]:
    """Topics without acknowledgement in the last file but one."""
    path = journals.paths()[-2]
    latest = journals.open_latest()
    assert latest is not None
    with latest, latest.earlier(path) as before:
        return [each.publish.topic for each in before.unacknowledged()]


async def test_no_file_is_begun_over_what_was_not_sent(mosquitto: str, tmp_path: Path) -> None:
    """While the broker is away a new run goes on in the present file, over a restart too; when the broker is back what
    was not sent is sent once, and then the run's file is begun.
    """
    shop = set_up_shop(tmp_path, NOWHERE, f"unsent-{next(_numbers)}")
    floor = Floor(shop.scenario)
    async with running(shop) as (service, clock):
        await service.intake.receive("decision", UNREADABLE, False)
        await say(service, floor)
        assert labels(shop) == ["no-run"]
    shop = at_broker(shop, mosquitto)
    clock.at_ns += NEW_FILE_AGAIN_NS
    async with probe(shop) as heard:
        async with running(shop, clock):
            await heard.until(lambda: answers(heard))
            await fence(heard)
            clock.at_ns += NEW_FILE_AGAIN_NS
            await fence(heard)
        assert labels(shop) == ["no-run", "run-1"]
        async with running(shop, clock):
            await fence(heard)
        assert answers(heard) == 1
    assert_sound(Journals(shop.journal).paths())


async def test_what_a_succeeded_file_left_is_sent_at_the_next_start(mosquitto: str, tmp_path: Path) -> None:
    """A file that was succeeded before all of it was sent is made good at the next start, what was said once and
    clears, and noted there, so that a later start does not send it again.
    """
    shop = set_up_shop(tmp_path, NOWHERE, f"unsent-{next(_numbers)}")
    async with running(shop) as (service, clock):
        await service.intake.receive("decision", UNREADABLE, False)
    journals = Journals(shop.journal, reserve_bytes=SMALL_RESERVE)
    latest = journals.open_latest()
    assert latest is not None
    journals.begin("run-2", clock.wall_ms(), latest).close()
    assert "answer" in unsent(journals)
    shop = at_broker(shop, mosquitto)
    async with probe(shop) as heard:
        for _ in range(2):
            async with running(shop, clock):
                await fence(heard)
        assert answers(heard) == 1
    assert "answer" not in unsent(journals)
    assert_sound(journals.paths())


@pytest.mark.damaged_journal
async def test_a_retained_state_of_a_succeeded_file_is_not_told_again(mosquitto: str, tmp_path: Path) -> None:
    """Of a succeeded file a retained topic's old state is left alone: it may have been told since. Its clear is not."""
    shop = set_up_shop(tmp_path, NOWHERE, f"unsent-{next(_numbers)}")
    clock = HandClock()
    journals = Journals(shop.journal, reserve_bytes=SMALL_RESERVE)
    async with running(shop, clock):
        pass
    old = (Publish("reading", b'{"old": 1}', True), Publish("proposal/u2", b"", True))
    latest = journals.open_latest()
    assert latest is not None
    latest.append(latest.next_stamp(clock.wall_ms(), clock.mono_ns()), Ticked(), old)
    journals.begin("run-2", clock.wall_ms(), latest).close()
    shop = at_broker(shop, mosquitto)
    async with probe(shop) as heard, running(shop, clock):
        await fence(heard)
    topics = [topic for topic, _, _ in heard.heard]
    assert "proposal/u2" in topics
    assert "reading" not in topics


@pytest.mark.damaged_journal
async def test_a_damaged_file_before_the_last_does_not_stop_the_start(mosquitto: str, tmp_path: Path) -> None:
    """When the file before the last cannot be read any more the service starts and says so in its log."""
    shop = set_up_shop(tmp_path, mosquitto, f"unsent-{next(_numbers)}")
    floor = Floor(shop.scenario)
    async with probe(shop) as heard, running(shop) as (service, clock):
        await service.intake.receive("job", job("run-1", floor), False)
        await fence(heard)
    first, last = Journals(shop.journal).paths()
    first.write_bytes(b"no journal")
    async with probe(shop) as heard, running(shop, clock):
        await fence(heard)
    with Journal.open(last, reserve_bytes=SMALL_RESERVE) as journal:
        assert journal.head.seq > 2
