"""Log, watchdog, clock, operators file, checkpoints."""

import asyncio
import contextlib
import io
import json
import logging
import re
import socket
from pathlib import Path
from typing import Any

import pytest

from inksteward.authority import Key, new_key, public_x, thumbprint
from inksteward.authority_file import AuthorityFileError, OperatorsFile, save, write_private_key
from inksteward.events import LinkChanged, OperatorsChanged
from inksteward.journal import Journal, JournalError
from inksteward.journal_verify import verify
from inksteward.service import app as app_module
from inksteward.service import checkpoints as checkpoints_module
from inksteward.service import clock as clock_module
from inksteward.service import operators as operators_module
from inksteward.service.checkpoints import Checkpoints, seal_with
from inksteward.service.clock import Clock, boot_id, new_id, now_rfc3339
from inksteward.service.log import Form, log_of, set_up
from inksteward.service.operators import OperatorsWatch
from inksteward.service.watchdog import Watchdog
from tests.records import SMALL_RESERVE, run, started
from tests.service.bench import ANNA_PUBLIC


class Torn(io.StringIO):
    """A stream whose other end is gone."""

    def write(self, text: str) -> int:
        raise BrokenPipeError


@pytest.fixture
def words() -> Any:
    """A stream that takes the log; the log goes to standard error again afterwards."""
    yield io.StringIO()
    set_up(Form.CONSOLE)
    logging.getLogger().handlers.clear()


def test_json_lines(words: io.StringIO) -> None:
    """Every line is one JSON object with part, level, time and facts; what JSON does not know is shown as text."""
    set_up(Form.JSON, words)
    log_of("intake").warning("input dropped", topic="scan", path=Path("/x"), number=3)
    (line,) = words.getvalue().splitlines()
    data = json.loads(line)
    assert (data["part"], data["level"], data["event"]) == ("intake", "warning", "input dropped")
    assert (data["topic"], data["path"], data["number"]) == ("scan", "PosixPath('/x')", 3)


def test_console_lines_and_exceptions(words: io.StringIO) -> None:
    """A line for people holds the facts; a traceback follows it."""
    set_up(Form.CONSOLE, words)
    try:
        raise ZeroDivisionError("planted")
    except ZeroDivisionError:
        log_of("consumer").exception("a message was dropped", topic="scan")
    first, *rest = words.getvalue().splitlines()
    assert re.search(r"error\s+a message was dropped part=consumer topic=scan", first)
    assert rest[-1] == "ZeroDivisionError: planted"


def test_libraries_speak_through_the_same_log(words: io.StringIO) -> None:
    """What a library logs from warning on comes out in the same form, a broken format included."""
    set_up(Form.JSON, words)
    logging.getLogger("mqtt").warning("There are %d pending calls.", 12)
    logging.getLogger("mqtt").warning("%d %d", 12)  # noqa: PLE1206 (the fault that is planted)
    logging.getLogger("mqtt").info("not shown")
    texts = [json.loads(line)["event"] for line in words.getvalue().splitlines()]
    assert texts == ["There are 12 pending calls.", "%d %d"]


@pytest.mark.parametrize("form", Form)
def test_a_log_never_raises(words: io.StringIO, form: Form) -> None:
    """Neither a closed stream nor a value that cannot be shown raises."""
    loop: list[Any] = []
    loop.append(loop)
    set_up(form, Torn())
    log_of("x").info("y", loop=loop)
    closed = io.StringIO()
    closed.close()
    set_up(form, closed)
    log_of("x").info("y")
    set_up(form, words)
    log_of("x").info("y", loop=loop)
    assert "loop" in words.getvalue()


def test_watchdog_says_what_systemd_expects(tmp_path: Path) -> None:
    """READY, WATCHDOG, STATUS and STOPPING go to the socket that NOTIFY_SOCKET names."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as notify:
        notify.bind(str(tmp_path / "notify"))
        notify.settimeout(5)
        dog = Watchdog(str(tmp_path / "notify"))
        for say in (dog.ready, dog.cycle, lambda: dog.status("full"), dog.stopping):
            say()
        said = [notify.recv(100) for _ in range(4)]
    assert said == [b"READY=1", b"WATCHDOG=1", b"STATUS=full", b"STOPPING=1"]


def test_watchdog_on_an_abstract_socket() -> None:
    """An address that begins with @ is an abstract socket."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as notify:
        notify.bind("\0inksteward-test-notify")
        notify.settimeout(5)
        Watchdog("@inksteward-test-notify").ready()
        assert notify.recv(100) == b"READY=1"


def test_watchdog_without_a_listener(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without systemd, or with a socket that is gone, nothing happens."""
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    Watchdog().ready()
    Watchdog(str(tmp_path / "nobody")).ready()


def test_ids_and_times(tmp_path: Path) -> None:
    """Ids are UUIDs of version 7 that sort by time; times have milliseconds; a boot without an id says so."""
    first, second = new_id(), new_id()
    form = r"[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}"
    assert re.fullmatch(form, first)
    assert first[:8] <= second[:8]
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", now_rfc3339())
    assert boot_id(tmp_path / "none") == "unknown"
    assert re.fullmatch(r"[0-9a-f-]{36}", boot_id())
    assert clock_module.Clock().mono_ns() > 0


class Told:
    """Takes the events that the watch submits."""

    def __init__(self) -> None:
        self.events: list[OperatorsChanged] = []
        self.came = asyncio.Event()

    async def submit(self, event: OperatorsChanged) -> None:
        self.events.append(event)
        self.came.set()


@pytest.mark.parametrize("asked", [False, True])
async def test_a_changed_operators_file_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, asked: bool
) -> None:
    """An operators file that changes becomes an event with its public part, by itself or when told to look; one with a
    mistake changes nothing, and the PIN hashes stay outside.
    """
    path = tmp_path / "operators.toml"
    content = OperatorsFile(ANNA_PUBLIC, {"op-anna": "$argon2id$x"})
    save(path, content)
    monkeypatch.setattr(operators_module, "LOOK_S", 60.0 if asked else 0.01)
    told = Told()
    watch = OperatorsWatch(path, content, told.submit)
    task = asyncio.create_task(watch.run())

    async def looked() -> None:
        if asked:
            watch.look()
        await asyncio.sleep(0.1)

    await looked()
    path.write_text("[[operator]]\nid = 3\n")
    await looked()
    path.unlink()
    await looked()
    assert told.events == []
    save(path, OperatorsFile())
    await looked()
    await asyncio.wait_for(told.came.wait(), 5)
    task.cancel()
    assert told.events == [OperatorsChanged(())]
    assert watch.content == OperatorsFile()


async def test_a_part_that_misses_its_cancellation_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    """A part that loses a cancellation, as asyncio.wait_for may, is cancelled again: the service ends all the same."""
    monkeypatch.setattr(app_module, "CANCEL_AGAIN_S", 0.05)

    async def deaf() -> None:
        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.Event().wait()
        await asyncio.Event().wait()

    task = asyncio.create_task(deaf())
    await asyncio.sleep(0)
    await asyncio.wait_for(app_module._cancelled([task]), 5)
    assert task.cancelled()


class Ticking:
    """A monotonic clock that a test turns."""

    def __init__(self) -> None:
        self.ns = 0

    def __call__(self) -> int:
        return self.ns


def more(journal: Journal, rows: int) -> None:
    run(journal, [LinkChanged("keys", bool(n % 2)) for n in range(rows)])


def signed_rows(path: Path, key: Key) -> tuple[int, int]:
    report = verify(path, service_key=key)
    assert report.sound, report.findings
    return report.checkpoints, report.vouched


def test_checkpoints_come_by_rows_and_by_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With a service key the head is signed every so many rows, after so much time, and when told; each holds."""
    monkeypatch.setattr(checkpoints_module, "EVERY_ROWS", 5)
    key = new_key()
    write_private_key(tmp_path / "key.pem", key)
    public = Key(thumbprint(public_x(key)), public_x(key))
    ticking = Ticking()
    made = Checkpoints(seal_with(tmp_path / "key.pem"), ticking)
    path = tmp_path / "a.journal"
    with Journal.create(path, reserve_bytes=SMALL_RESERVE) as journal:
        made.now(journal)  # nothing to sign yet
        run(journal, [started()])
        for _ in range(4):
            made.after_row(journal)
            more(journal, 1)
        assert signed_rows(path, public) == (0, 0)
        made.after_row(journal)
        assert signed_rows(path, public) == (1, 5)
        more(journal, 1)
        ticking.ns = 599_999_000_000
        made.after_row(journal)
        assert signed_rows(path, public) == (1, 5)
        ticking.ns = 600_000_000_000
        made.after_row(journal)
        assert signed_rows(path, public) == (2, 6)
        more(journal, 1)
        made.now(journal)
        assert signed_rows(path, public) == (3, 7)
        made.now(journal)  # the head has its signature: told in the log, nothing raised
        assert signed_rows(path, public) == (3, 7)


def test_without_a_key_nothing_is_signed(tmp_path: Path) -> None:
    """Without a service key there are no checkpoints."""
    made = Checkpoints(None, Clock().mono_ns)
    path = tmp_path / "a.journal"
    with Journal.create(path, reserve_bytes=SMALL_RESERVE) as journal:
        run(journal, [started()])
        made.now(journal)
        made.begun()
    assert verify(path).checkpoints == 0


def test_a_key_that_others_can_read_is_refused(tmp_path: Path) -> None:
    """The service key must be closed to others."""
    write_private_key(tmp_path / "key.pem", new_key())
    (tmp_path / "key.pem").chmod(0o644)
    with pytest.raises(AuthorityFileError, match="others may use it"):
        seal_with(tmp_path / "key.pem")
    assert issubclass(JournalError, Exception)
