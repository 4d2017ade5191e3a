"""Signing in by name and PIN, and that wrong PINs keep nobody from a signed decision."""

import asyncio
import io
import logging
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from inksteward.attempts import FIRST_WAIT_MS, FREE, FREE_AT_SOURCE, LONGEST_WAIT_MS
from inksteward.authority import Operator, Operators
from inksteward.authority_file import OperatorsFile, save
from inksteward.pins import hash_pin
from inksteward.service.log import Form, set_up
from inksteward.service.sign_in import NotSignedIn, SignedIn, SignIn
from tests.service.bench import ANNA_PUBLIC, decision, serving, set_up_shop
from tests.service.floor import Floor
from tests.service.listener import feed, probe, standing

PIN, OTHER = "271828", "314159"
DESK, OFFICE = "192.0.2.1", "192.0.2.2"
WRONG = NotSignedIn(0, "name or PIN wrong")
ANNA_IN = SignedIn("op-anna", "Anna")
LEFT = Operator("op-left", "Left", (), revoked=True)
NO_PIN = Operator("op-bare", "Bare", ())


@pytest.fixture(scope="module")
def content() -> OperatorsFile:
    """Anna with a PIN, somebody revoked whose hash is still there, somebody without a PIN."""
    return OperatorsFile(
        Operators((*ANNA_PUBLIC.all, LEFT, NO_PIN)), {"op-anna": hash_pin(PIN), "op-left": hash_pin(PIN)}
    )


@pytest.fixture
def words() -> Iterator[io.StringIO]:
    """The log; it goes to standard error again afterwards."""
    out = io.StringIO()
    set_up(Form.JSON, out)
    yield out
    set_up(Form.CONSOLE)
    logging.getLogger().handlers.clear()


@pytest.mark.parametrize(
    ("name", "pin", "wanted"),
    [
        ("op-anna", PIN, ANNA_IN),
        ("op-anna", OTHER, WRONG),
        ("op-anna", "", WRONG),
        ("op-anna", "1" * 1_000_000, WRONG),
        ("op-left", PIN, WRONG),
        ("op-bare", PIN, WRONG),
        ("op-nobody", PIN, WRONG),
        ("op-anna" + "a" * 1_000_000, PIN, WRONG),
        ("", "", WRONG),
    ],
)
async def test_name_and_pin(
    content: OperatorsFile, name: str, pin: str, wanted: SignedIn | NotSignedIn
) -> None:
    """The right PIN of an operator who is not revoked signs in; anything else is refused in the same words."""
    assert await SignIn(lambda: content)(name, pin, DESK, 0) == wanted


async def test_after_five_wrong_pins_even_the_right_one_waits(content: OperatorsFile) -> None:
    """After five wrong PINs the next is not looked at before ten seconds are over, right or wrong; elsewhere it is."""
    sign_in = SignIn(lambda: content)
    said = [await sign_in("op-anna", OTHER, DESK, number) for number in range(FREE)]
    wait = FIRST_WAIT_MS
    assert said == [WRONG] * (FREE - 1) + [NotSignedIn(wait, "name or PIN wrong; try again in 10 s")]
    assert await sign_in("op-anna", PIN, DESK, FREE - 1 + wait - 1) == NotSignedIn(1, "try again in 1 s")
    assert await sign_in("op-anna", PIN, OFFICE, FREE) == ANNA_IN
    assert await sign_in("op-anna", PIN, DESK, FREE - 1 + wait) == ANNA_IN


async def test_a_source_with_many_names_waits(content: OperatorsFile) -> None:
    """Twenty wrong PINs for names that do not exist make every name wait at that source."""
    sign_in = SignIn(lambda: content)
    for number in range(FREE_AT_SOURCE):
        await sign_in(f"op-{number}", "0", DESK, 0)
    assert isinstance(await sign_in("op-anna", PIN, DESK, 0), NotSignedIn)
    assert await sign_in("op-anna", PIN, OFFICE, 0) == ANNA_IN


async def test_tries_at_once(content: OperatorsFile) -> None:
    """Of many tries at the same moment no more are looked at than one after the other."""
    sign_in = SignIn(lambda: content)
    tries = await asyncio.gather(*(sign_in("op-anna", OTHER, DESK, 0) for _ in range(20)))
    waiting = [each for each in tries if isinstance(each, NotSignedIn) and each.text.startswith("try again")]
    assert len(waiting) == 20 - FREE


async def test_the_loop_goes_on_while_a_pin_is_judged(content: OperatorsFile) -> None:
    """While a PIN is hashed the event loop does other work: a cycle is no longer than the hash by far."""
    task = asyncio.create_task(SignIn(lambda: content)("op-anna", PIN, DESK, 0))
    cycles = 0
    while not task.done():
        await asyncio.sleep(0)
        cycles += 1
    assert task.result() == ANNA_IN
    assert cycles > 10


@pytest.mark.parametrize("change", ["revoked", "another PIN", "no PIN", "gone"])
async def test_who_is_revoked_meanwhile_is_not_signed_in(content: OperatorsFile, change: str) -> None:
    """An operator who is revoked, or gets another PIN, while the right PIN is judged is refused."""
    now = content
    sign_in = SignIn(lambda: now)
    task = asyncio.create_task(sign_in("op-anna", PIN, DESK, 0))
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    (anna,) = ANNA_PUBLIC.all
    now = {
        "revoked": replace(content, operators=Operators((replace(anna, revoked=True),))),
        "another PIN": replace(content, pin_hashes={"op-anna": content.pin_hashes["op-left"]}),
        "no PIN": replace(content, pin_hashes={}),
        "gone": OperatorsFile(),
    }[change]
    assert await task == WRONG


async def test_what_is_written_down(content: OperatorsFile, words: io.StringIO) -> None:
    """The log tells who failed and from where, but no PIN, and no unknown name: it may be a PIN in the wrong field."""
    sign_in = SignIn(lambda: content)
    await sign_in("op-anna", OTHER, DESK, 0)
    await sign_in(PIN, "op-anna", OFFICE, 0)
    text = words.getvalue()
    assert all(word in text for word in ("op-anna", DESK, OFFICE, "unknown"))
    assert PIN not in text
    assert OTHER not in text


@pytest.mark.broker
async def test_wrong_pins_keep_nobody_from_a_signed_decision(mosquitto: str, tmp_path: Path) -> None:
    """While an operator's PIN is not looked at any more, at any source that tried, her signed decision is accepted."""
    shop = set_up_shop(tmp_path, mosquitto, "sign-in-1")
    save(tmp_path / "operators.toml", OperatorsFile(ANNA_PUBLIC, {"op-anna": hash_pin(PIN)}))
    floor = Floor(shop.scenario)
    async with probe(shop) as heard, serving(shop.options()) as service:
        await heard.online()
        proposal = await standing(heard, floor)
        now_ms = time.monotonic_ns() // 1_000_000
        assert await service.sign_in("op-anna", PIN, DESK, now_ms) == ANNA_IN
        for source in (DESK, OFFICE):
            for _ in range(FREE):
                await service.sign_in("op-anna", "0", source, now_ms)
            closed = await service.sign_in("op-anna", PIN, source, now_ms)
            assert isinstance(closed, NotSignedIn)
            assert 0 < closed.wait_ms <= LONGEST_WAIT_MS
        await feed(heard, floor, 1)
        await heard.say("decision", decision(proposal))
        answer = await heard.answer("d-1")
        await heard.next(f"keys/{proposal['unit']}/command")
    assert answer["accepted"]
