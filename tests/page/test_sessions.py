"""Who is signed in, and until when."""

from dataclasses import replace
from pathlib import Path

import pytest

from inksteward.authority import Operator, Operators
from inksteward.authority_file import OperatorsFile, save
from inksteward.events import Received, Via
from inksteward.service.page.sessions import IDLE_MS, ROOM, Sessions
from tests.page.kit import OPERATORS, OTHER_PIN, PIN, event, page_shop, paged, streamed

NOBODY = "mqtt://127.0.0.1:1"


@pytest.mark.parametrize(("idle_ms", "there"), [(IDLE_MS - 1, True), (IDLE_MS, False)])
def test_out_after_five_idle_minutes(idle_ms: int, there: bool) -> None:
    """A session lasts for five minutes from its last touch, not a millisecond more; looking alone does not count."""
    sessions = Sessions(lambda: OPERATORS)
    token = sessions.begin("op-anna", "Anna", 1000)
    assert sessions.touch(token, 250_000) is not None
    assert sessions.find(token, 250_000 + IDLE_MS - 1) is not None
    assert (sessions.find(token, 250_000 + idle_ms) is not None) is there


def test_revoked_or_another_pin() -> None:
    """A session ends when its operator is revoked, gone, or has another PIN; other people's sessions go on."""
    anna, ben = OPERATORS.operators.all
    content = [OPERATORS]
    sessions = Sessions(lambda: content[0])
    for changed in (
        OperatorsFile(Operators((replace(anna, revoked=True), ben)), OPERATORS.pin_hashes),
        OperatorsFile(Operators((ben,)), OPERATORS.pin_hashes),
        OperatorsFile(OPERATORS.operators, {**OPERATORS.pin_hashes, "op-anna": "$argon2id$another"}),
        OperatorsFile(OPERATORS.operators, {"op-ben": OPERATORS.pin_hashes["op-ben"]}),
    ):
        content[0] = OPERATORS
        token, other = sessions.begin("op-anna", "Anna", 0), sessions.begin("op-ben", "Ben", 0)
        content[0] = changed
        assert sessions.find(token, 1) is None
        assert sessions.find(other, 1) is not None
        content[0] = OPERATORS
        assert sessions.find(token, 1) is None  # and does not come back


def test_room_for_sessions() -> None:
    """One session more than there is room for ends the one that was idle for longest."""
    sessions = Sessions(lambda: OPERATORS)
    tokens = [sessions.begin("op-anna", "Anna", at) for at in range(ROOM)]
    sessions.touch(tokens[0], ROOM)
    sessions.begin("op-anna", "Anna", ROOM + 1)
    assert sessions.find(tokens[0], ROOM + 1) is not None
    assert sessions.find(tokens[1], ROOM + 1) is None
    assert len(set(tokens)) == ROOM


async def test_signing_in_and_out(tmp_path: Path) -> None:
    """A right PIN gives a cookie that scripts cannot read and other sites cannot send; signing out ends it."""
    async with paged(page_shop(tmp_path, NOBODY, "session-1")) as (_, web):
        wrong = await web.sign_in("op-anna", OTHER_PIN)
        assert (wrong.status, wrong.data["text"]) == (403, "name or PIN wrong")
        assert (await web.ask("hold", "r-1")).status == 401
        right = await web.sign_in()
        assert right.data["me"]["id"] == "op-anna"
        flags = {part.strip().lower() for part in right.headers["set-cookie"].split(";")[1:]}
        assert flags == {"httponly", "samesite=strict", "path=/"}
        async with streamed(web) as stream:
            assert (await event(stream, "hello"))["me"]["name"] == "Anna"
            assert (await web.ask("hold", "r-2")).data["accepted"]
            await web.post("/api/sign-out", {})
            while (await event(stream, "beat"))["me"] is not None:
                pass
        assert (await web.ask("release", "r-3")).status == 401


async def test_a_revoked_operator_is_out(tmp_path: Path) -> None:
    """Revoked in the operators file, an operator is signed out and cannot decide, without a restart."""
    shop = page_shop(tmp_path, NOBODY, "session-2")
    async with paged(shop) as (service, web):
        await web.sign_in()
        anna, ben = OPERATORS.operators.all
        gone = Operator(anna.operator, anna.name, anna.keys, revoked=True)
        save(shop.folder / "operators.toml", OperatorsFile(Operators((gone, ben)), OPERATORS.pin_hashes))
        service.operators.look()
        async with streamed(web) as stream:
            while (await event(stream, "beat"))["me"] is not None:
                pass
        assert (await web.ask("hold", "r-1")).status == 401


async def test_a_restart_signs_out(tmp_path: Path) -> None:
    """A cookie of the service before does not count."""
    shop = page_shop(tmp_path, NOBODY, "session-3")
    async with paged(shop) as (_, web):
        await web.sign_in()
    async with paged(shop) as (_, again):
        again.cookie = web.cookie
        assert (await again.ask("hold", "r-1")).status == 401


async def test_no_pin_is_written_anywhere(tmp_path: Path) -> None:
    """Neither PIN nor cookie stands in the journal; what is asked for stands there with the page as its way."""
    shop = page_shop(tmp_path, NOBODY, "session-4")
    async with paged(shop) as (_, web):
        await web.sign_in()
        assert (await web.ask("hold", "r-1")).data["accepted"]
    assert web.cookie is not None
    token = web.cookie.partition("=")[2].encode()
    for row in shop.rows():
        stored = b"".join((row.body, *row.effect_bodies))
        assert PIN.encode() not in stored
        assert token not in stored
    (asked,) = [one for one in shop.events(Received) if one.topic == "request"]
    assert (asked.via, asked.authenticated_as) == (Via.PAGE, "op-anna")
