"""What the page is told when the core does not take something, or nobody knows yet."""

from pathlib import Path

import pytest

from inksteward.service.page import asking
from tests.page.kit import page_shop, paged

NOBODY = "mqtt://127.0.0.1:1"


async def test_a_record_that_cannot_be_kept(tmp_path: Path) -> None:
    """While the journal cannot be written a request is refused with that reason, and nothing is taken."""
    async with paged(page_shop(tmp_path, NOBODY, "unanswered-1")) as (service, web):
        await web.sign_in()
        service.consumer.faulty = "the run record cannot be kept: no room"
        reply = await web.ask("hold", "r-1")
        service.consumer.faulty = None
        assert (reply.status, reply.data["text"]) == (
            503,
            "not taken: the run record cannot be kept: no room",
        )
        assert service.consumer.state.holding is None


async def test_an_answer_that_takes_too_long(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without an answer in time the page is told that nobody knows; asked again under the same id, the core answers
    what it answered, and does it once.
    """
    async with paged(page_shop(tmp_path, NOBODY, "unanswered-2")) as (service, web):
        await web.sign_in()
        with monkeypatch.context() as patched:
            patched.setattr(asking, "PATIENCE_S", 0.0)
            reply = await web.ask("hold", "r-1")
            assert (reply.status, reply.data["text"][:13]) == (504, "no answer yet")
        again = await web.ask("hold", "r-1")
        assert again.data["accepted"]
        assert service.consumer.state.holding is not None


async def test_too_fast(tmp_path: Path) -> None:
    """An operator's page that asks without end is slowed down, and another operator's is not."""
    async with paged(page_shop(tmp_path, NOBODY, "unanswered-3")) as (service, web):
        await web.sign_in()
        assert service.page is not None
        rates = service.page.rates
        while rates.admits(
            "page:op-anna", service.clock.mono_ns() / 1e9 + 10.0
        ):  # as if it had gone on until then
            pass
        assert (await web.ask("hold", "r-2")).status == 429
        assert rates.admits("page:op-ben", service.clock.mono_ns() / 1e9)


async def test_files_and_forms_that_are_not_there(tmp_path: Path) -> None:
    """Signing in with what is no text, and a chart of a unit that is not there, are answered in words or empty."""
    async with paged(page_shop(tmp_path, NOBODY, "unanswered-4")) as (_, web):
        assert (await web.post("/api/sign-in", {"name": 1, "pin": 271828})).status == 400
        assert (await web.get("/static/..%2Fapp.py")).status == 404
        assert (await web.get("/static/../app.py")).status == 404
        assert (await web.get("/api/chart/u9/1")).data["points"] == []
        assert (await web.get("/api/decide")).status == 405
        assert (await web.post("/api/stream", {})).status == 405
