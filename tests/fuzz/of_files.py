"""Targets: every file that is read: journals and what lies beside them, configuration, operators, keys."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from contextlib import suppress
from datetime import date
from functools import cache
from pathlib import Path

import tomli_w
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from inksteward.authority import is_public_x, public_jwk, public_x
from inksteward.authority_file import (
    AuthorityFileError,
    load,
    read_private_key,
    read_public_x,
    save,
    write_private_key,
)
from inksteward.bench.configuration import configuration
from inksteward.config import ConfigErrors, parse
from inksteward.config import load as load_config
from inksteward.config.commands import summary
from inksteward.event_codec import CodecError
from inksteward.journal_digest import digest_fault
from inksteward.journal_format import HASH, JournalError
from inksteward.journal_read import genesis_of, head_of, read_rows
from inksteward.journal_verify import verify
from inksteward.journal_wal import scan_wal
from inksteward.replay import first_difference, replay
from inksteward.replay.telling import line
from tests.fuzz.form import AT_END, SEPARATOR, Target, attempt, dense, finite
from tests.fuzz.of_contract import ANNA, KEY, OPERATORS_DATA
from tests.records import EFFECTS, SERVICE_PUBLIC, record
from tests.steward.desk import two_units

ROOT = Path(__file__).resolve().parents[2]
TODAY = date(2026, 3, 2)


@cache
def folder() -> Path:
    """A folder of this process's own."""
    made = Path(tempfile.mkdtemp(prefix="inksteward-fuzz-"))
    AT_END.extend((lambda: shutil.rmtree(made), folder.cache_clear))
    return made


def file_of(name: str, content: bytes) -> Path:
    """A file of that content and nothing beside it, closed to others."""
    path = folder() / name
    for beside in folder().glob(f"*{name}*"):
        beside.unlink()
    path.touch(0o600)
    path.write_bytes(content)
    return path


def verified(raw: bytes) -> None:
    """Any file: verify reports what is wrong with it and raises nothing."""
    path = file_of("a.journal", raw)
    with suppress(JournalError):
        report = verify(path, None, SERVICE_PUBLIC)
        assert report.sound or report.findings[0].text
        assert HASH.fullmatch(report.head)
        assert not report.sound or report.rows == sum(1 for _ in read_rows(path))


def rows(raw: bytes) -> None:
    """Any file: its rows are read and told, or JournalError; an event or effect that cannot be decoded is a
    CodecError."""
    path = file_of("a.journal", raw)
    for question in (genesis_of, head_of):
        with suppress(JournalError):
            assert isinstance(question(path), str)
    with suppress(JournalError):
        for row in read_rows(path):
            with suppress(CodecError):
                assert line(row.stamp, row.event, row.effects)


def replayed(raw: bytes) -> None:
    """Any file runs through the core again, or JournalError."""
    path = file_of("a.journal", raw)
    with suppress(JournalError):
        done = replay(path)
        assert done.same or done.difference is not None


def compared(raw: bytes) -> None:
    """Two effects as stored and as they come out again: whatever they hold, the place of the difference is named."""
    stored, _, again = raw.partition(SEPARATOR)
    found = first_difference(Path("a"), 1, "difference", (stored,), (again,))
    assert (found is None) == (stored == again)


def ahead(raw: bytes) -> None:
    """Any bytes as a write-ahead file."""
    state = scan_wal(file_of("a.journal-wal", raw))
    assert 0 <= state.committed <= state.frames


def digested(raw: bytes) -> None:
    """Any bytes as the digest of a closed journal: it holds, or does not."""
    path = file_of("b.journal", b"")
    path.with_name("b.journal.sha256").write_bytes(raw)
    assert digest_fault(path) is None or raw != _digest_samples()[0]


def config(raw: bytes) -> None:
    """Any file as configuration: every mistake in words, or a press whose numbers are finite, and which the journal's
    copy builds again."""
    path = file_of("press.toml", raw)
    found = attempt(ConfigErrors, lambda: load_config(path))
    if isinstance(found, ConfigErrors):
        assert found.errors
        assert all(error.key and error.expected for error in found.errors)
        assert str(found).encode()
        return
    finite(found)
    assert parse(found.data(), "again") == found
    assert list(summary(found, TODAY))
    found.judged(found.calibration_valid(TODAY))


def operators_file(raw: bytes) -> None:
    """Any file as operators.toml: every mistake in words, or content that is the same after writing it."""
    path = file_of("operators.toml", raw)
    with suppress(AuthorityFileError):
        found = load(path)
        save(path, found)
        assert load(path) == found


def private_key(raw: bytes) -> None:
    """Any file as a private key."""
    with suppress(AuthorityFileError):
        key = read_private_key(file_of("key.pem", raw))
        assert is_public_x(public_x(key))


def public_key(raw: bytes) -> None:
    """Any file as a public key: PEM, JWK or bare."""
    with suppress(AuthorityFileError):
        x, kid = read_public_x(file_of("key.pub", raw))
        assert is_public_x(x)
        assert isinstance(kid, str)


def _read_and_cleared(path: Path) -> bytes:
    content = path.read_bytes()
    for beside in path.parent.glob(f"{path.name}*"):
        beside.unlink()
    return content


@cache
def _journal_samples() -> tuple[bytes, ...]:
    path = folder() / "sample.journal"
    with record(path, 1, checkpoints=(3,)):
        pass
    return (_read_and_cleared(path),)


@cache
def _wal_samples() -> tuple[bytes, ...]:
    path = folder() / "open.journal"
    with record(path):
        raw = path.with_name("open.journal-wal").read_bytes()
    _read_and_cleared(path)
    return raw[: 32 + 2 * 4120], raw[:32]


@cache
def _digest_samples() -> tuple[bytes, ...]:
    return (b"e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855  b.journal\n",)


def _config_samples() -> tuple[bytes, ...]:
    return (
        (ROOT / "config/example.toml").read_bytes(),
        *(tomli_w.dumps(configuration(two_units(blade=blade))).encode() for blade in ("segmented", "spring")),
    )


def _operators_samples() -> tuple[bytes, ...]:
    pinned = [
        {**OPERATORS_DATA[0], "pin": "$argon2id$v=19$m=8,t=1,p=1$c2FsdHNhbHQ$aGFzaA"},
        OPERATORS_DATA[1],
    ]
    return tuple(tomli_w.dumps({"operator": each}).encode() for each in (OPERATORS_DATA, pinned))


@cache
def _private_samples() -> tuple[bytes, ...]:
    path = folder() / "sample.pem"
    write_private_key(path, ANNA)
    return (_read_and_cleared(path),)


def _public_samples() -> tuple[bytes, ...]:
    pem = ANNA.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    return pem, dense(public_jwk(KEY.x, KEY.kid)), KEY.x.encode()


def _effect_samples() -> tuple[bytes, ...]:
    told = dense({"kind": "publish", "payload": {"text": '{"zone":7,"aim":[1.4,1.5]}'}, "topic": "reading"})
    other = dense({"kind": "publish", "payload": {"text": '{"zone":7,"aim":[1.4,1]}'}, "topic": "reading"})
    return told + SEPARATOR + other, other + SEPARATOR + told + SEPARATOR, repr(EFFECTS[0]).encode()


FILES: tuple[tuple[str, Callable[[bytes], None], Callable[[], tuple[bytes, ...]], int], ...] = (
    ("journal.verify", verified, _journal_samples, 25),
    ("journal.rows", rows, _journal_samples, 40),
    ("journal.wal", ahead, _wal_samples, 40),
    ("journal.digest", digested, _digest_samples, 60),
    ("replay.journal", replayed, _journal_samples, 25),
    ("replay.difference", compared, _effect_samples, 150),
    ("config", config, _config_samples, 25),
    ("operators.file", operators_file, _operators_samples, 80),
    ("key.private", private_key, _private_samples, 80),
    ("key.public", public_key, _public_samples, 100),
)
TARGETS: dict[str, Target] = {name: Target(call, samples, tries) for name, call, samples, tries in FILES}
