"""Everything as separate processes: broker, press, key cabinet, strip reader, operator, and the service."""

import asyncio
import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from inksteward.authority_file import write_private_key
from inksteward.events import CommandEnded, CommandReleased, Ended
from inksteward.journal_verify import verify
from inksteward.journals import Journals
from inksteward.replay import replay
from inksteward_simulators.link import BenchLink
from inksteward_simulators.scenario import load_scenario
from tests.service.bench import ANNA, KID, Shop, set_up_shop
from tests.service.listener import Probe, probe
from tests.service.processes import broker_process, service_process

pytestmark = pytest.mark.broker

TIME_FACTOR = "20"
WANTED = 3


@contextmanager
def simulator(folder: Path, *words: str) -> Iterator[dict[str, Any]]:
    """One simulator; what it says when it is up."""
    with (folder / f"{words[0]}.log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "inksteward_simulators", *words], stdout=subprocess.PIPE, stderr=log
        )
    assert process.stdout is not None
    try:
        line = process.stdout.readline()
        assert line, (folder / f"{words[0]}.log").read_text()
        yield json.loads(line)
    finally:
        process.terminate()
        process.communicate(timeout=10)


@contextmanager
def bench(shop: Shop) -> Iterator[int]:
    """Press, cabinet, reader and operator at the shop's broker; the port of the press's bench link."""
    folder, broker = shop.folder, ("--broker", shop.url, "--press", shop.press)
    press = ("press", "--time-factor", TIME_FACTOR, "--printing", "--broker", shop.url, "--seed", "4")
    with simulator(folder, *press) as facts:
        link = str(facts["link_port"])
        reader = ("--every-sheets", "60", "--carry-sheets", "5", "10", "--scan-sheets", "10", "15")
        operator = ("--operator", "op-anna", "--key", str(folder / "anna.pem"), "--kid", KID)
        with (
            simulator(folder, "key-cabinet", "--link", link, *broker),
            simulator(folder, "strip-reader", "--link", link, *reader, *broker),
            simulator(folder, "operator", *operator, "--think-s", "0.2", "0.6", *broker),
        ):
            words = ("job", "--scenario", "makeready", "--link", link, *broker)
            with simulator(folder, *words) as said:
                assert said["did"] == "job"
            yield int(link)


def moved(heard: Probe) -> list[dict[str, Any]]:
    return [outcome for outcome in heard.all("outcome") if outcome["result"] == "moved"]


async def test_the_whole_shop_works_together(tmp_path: Path) -> None:
    """A simulated press with its instruments is brought towards its aims by signed approvals, over a real broker,
    without a contact, and the record verifies and replays.
    """
    with broker_process(tmp_path / "broker") as broker:
        shop = set_up_shop(tmp_path / "shop", broker.url, "press-demo", load_scenario("makeready"))
        write_private_key(shop.folder / "anna.pem", ANNA)
        async with probe(shop) as heard:
            with service_process(shop) as service:
                await heard.online()
                with bench(shop) as port:
                    await heard.until(lambda: len(moved(heard)) >= WANTED, 45.0)
                    async with await BenchLink.connect(port) as link:
                        contacts = (await link.truth()).contacts
                service.send_signal(signal.SIGTERM)
                code = await asyncio.to_thread(service.wait, 15)
    assert code == 0
    assert not contacts
    assert heard.all("status")[-1]["state"] == "offline"
    accepted = {answer["id"] for answer in heard.all("answer") if answer["accepted"]}
    assert {outcome["decision_id"] for outcome in moved(heard)} <= accepted
    ended = [outcome["proposal_id"] for outcome in heard.all("outcome")]
    assert len(ended) == len(set(ended))
    released = [event.command_id for event in shop.events(CommandReleased)]
    ends = [event for event in shop.events(CommandEnded) if event.ended is Ended.DONE]
    assert len(released) == len(set(released)) >= WANTED
    assert {event.command_id for event in ends} <= set(released)
    paths = Journals(shop.journal).paths()
    assert len(paths) == 2  # before the run, and the run
    assert all(verify(path).sound for path in paths)
    report = replay(paths)
    assert report.same, report.difference
