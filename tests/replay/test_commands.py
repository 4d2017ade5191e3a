"""Commands on journals: replay, verify, show."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import pytest

from inksteward.authority import public_jwk
from inksteward.events import (
    CommandEnded,
    CommandRefused,
    CommandReleased,
    Effect,
    Ended,
    Event,
    InputDropped,
    LinkChanged,
    OperatorsChanged,
    Publish,
    Received,
    Stamp,
    Ticked,
    Via,
)
from inksteward.journal import Journal
from inksteward.replay import commands
from inksteward.replay.commands import add_journal, add_replay
from inksteward.replay.same import replay
from inksteward.replay.telling import line, touches
from tests.records import (
    EFFECTS,
    SERVICE_PUBLIC,
    SMALL_RESERVE,
    closed_record,
    core,
    core_initial,
    forge,
    started,
)
from tests.replay.test_same import drifted


@pytest.fixture
def parser() -> argparse.ArgumentParser:
    """A command line with the commands on journals."""
    parser = argparse.ArgumentParser()
    subparsers = parser.add_subparsers()
    add_replay(subparsers)
    add_journal(subparsers)
    return parser


def called(parser: argparse.ArgumentParser, *arguments: Any) -> int:
    """Exit code of a command."""
    args = parser.parse_args([str(each) for each in arguments])
    return int(args.run(args))


def use_core(monkeypatch: pytest.MonkeyPatch, step: Any) -> None:
    """Let the replay command use the test's core in place of the project's."""
    monkeypatch.setattr(commands, "replay", lambda paths: replay(paths, step, core_initial))


def test_verify_says_what_holds(
    parser: argparse.ArgumentParser, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A sound journal gives exit code 0, its last hash, and what nothing vouches for."""
    path = tmp_path / "a.journal"
    head = closed_record(path)
    assert called(parser, "journal", "verify", path) == 0
    said = capsys.readouterr().out
    assert said.startswith(f"{path}: sound\n  rows 1 to 10 hold with ")
    assert head in said
    assert "note: nothing outside the file vouches for rows 1 to 10" in said


def test_verify_uses_head_and_service_key(
    parser: argparse.ArgumentParser, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With the service's public key checkpoints vouch, with a head the rows up to it."""
    path = tmp_path / "a.journal"
    head = closed_record(path, checkpoints=(5,))
    (tmp_path / "service.jwk").write_text(json.dumps(public_jwk(SERVICE_PUBLIC.x, "any")))
    assert called(parser, "journal", "verify", path, "--service-key", tmp_path / "service.jwk") == 0
    assert "vouched for up to row 5 (1 signed checkpoints hold)" in capsys.readouterr().out
    assert called(parser, "journal", "verify", path, "--head", head) == 0
    assert "vouched for up to row 10 (0 signed" in capsys.readouterr().out
    assert called(parser, "journal", "verify", path, "--head", "ab" * 32) == 1
    assert "fault: row 11: truncated: no row has the given head" in capsys.readouterr().out


def test_verify_names_faults(
    parser: argparse.ArgumentParser, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A fault gives exit code 1 and is named by row and kind; a file without a good row says so."""
    path = tmp_path / "a.journal"
    closed_record(path)
    forge(path, "UPDATE event SET wall_ms = 0 WHERE seq = 4")
    assert called(parser, "journal", "verify", path) == 1
    said = capsys.readouterr().out
    assert f"{path}: NOT SOUND\n  rows 1 to 3 hold" in said
    assert "  fault: row 4: altered: row 4" in said
    path.write_bytes(b"no journal")
    assert called(parser, "journal", "verify", path) == 1
    assert "  no row holds\n  fault: unreadable: SQLite" in capsys.readouterr().out


def test_empty_journal_is_told(
    parser: argparse.ArgumentParser, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An empty journal is sound and says what it follows."""
    Journal.create(tmp_path / "a.journal", "ab" * 32, reserve_bytes=SMALL_RESERVE).close()
    assert called(parser, "journal", "verify", tmp_path / "a.journal") == 0
    assert f"no rows yet; follows {'ab' * 32}" in capsys.readouterr().out


@pytest.mark.parametrize(
    "arguments",
    [
        ("journal", "verify", "{none}"),
        ("journal", "verify", "{path}", "--head", "abc"),
        ("journal", "verify", "{path}", "--service-key", "{none}"),
        ("journal", "show", "{none}"),
        ("journal", "show", "{bad}"),
        ("replay", "{none}"),
    ],
)
def test_what_cannot_be_done_is_exit_code_2(
    parser: argparse.ArgumentParser,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    arguments: tuple[str, ...],
) -> None:
    """A file that is not there or cannot be used gives exit code 2 and one line that says why."""
    closed_record(tmp_path / "path")
    closed_record(tmp_path / "bad")
    forge(tmp_path / "bad", "UPDATE event SET body = '{}' WHERE seq = 1")
    places = {f"{{{name}}}": tmp_path / name for name in ("none", "path", "bad")}
    assert called(parser, *(places.get(each, each) for each in arguments)) == 2
    error = capsys.readouterr().err
    assert error.startswith(
        f"inksteward {'replay' if arguments[0] == 'replay' else ' '.join(arguments[:2])}: "
    )
    assert error.count("\n") == 1


def test_replay_says_same(
    parser: argparse.ArgumentParser,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A journal that replays gives exit code 0 and the counts."""
    closed_record(tmp_path / "a.journal")
    use_core(monkeypatch, core)
    assert called(parser, "replay", tmp_path / "a.journal") == 0
    assert capsys.readouterr().out.startswith("same: 10 events, ")


def test_replay_shows_the_first_difference(
    parser: argparse.ArgumentParser,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A difference gives exit code 1 with row, effect, place, both numbers and both effects."""
    path = tmp_path / "a.journal"
    closed_record(path)
    use_core(monkeypatch, drifted(2))
    assert called(parser, "replay", path) == 1
    first, at, stored, again, *texts, last = capsys.readouterr().out.splitlines()
    assert first == f"difference: {path}, row 1, effect 0"
    assert at == "  at payload.gap_um"
    assert float(again.split()[1]) == 2 * float(stored.split()[1])
    assert [text.split()[0] for text in texts] == ["stored:", "again:"]
    assert last.startswith("up to there the same: 1 events")


def test_replay_shows_missing_effects_and_errors(
    parser: argparse.ArgumentParser,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """An effect that is missing now and a core that raises are told in words."""
    closed_record(tmp_path / "a.journal")
    use_core(monkeypatch, lambda state, stamp, event: (state, ()))
    assert called(parser, "replay", tmp_path / "a.journal") == 1
    said = capsys.readouterr().out
    assert "at the whole effect" in said
    assert "again  nothing" in said
    assert "again:  no such effect" in said
    use_core(monkeypatch, lambda state, stamp, event: 1 / 0)
    assert called(parser, "replay", tmp_path / "a.journal") == 1
    said = capsys.readouterr().out
    assert "row 1\n" in said
    assert "again:  the core raised ZeroDivisionError" in said


def test_journal_at_fault_is_not_replayed(
    parser: argparse.ArgumentParser, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A record whose chain does not hold is not replayed: exit code 1 and the fault."""
    closed_record(tmp_path / "a.journal")
    forge(tmp_path / "a.journal", "UPDATE event SET wall_ms = 0 WHERE seq = 4")
    assert called(parser, "replay", tmp_path / "a.journal") == 1
    said = capsys.readouterr().out
    assert "row 4: altered" in said
    assert "nothing was replayed" in said


def test_show_prints_a_line_for_each_event(
    parser: argparse.ArgumentParser, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every event is one line with number, time and what followed; a part can be chosen by rows and topic."""
    path = tmp_path / "a.journal"
    closed_record(path)
    assert called(parser, "journal", "show", path) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [int(each.split()[0]) for each in lines] == list(range(1, 11))
    assert lines[0].startswith("     1  2026-03-02 08:15:30.001  started ")
    assert called(parser, "journal", "show", path, "--from", 3, "--to", 5) == 0
    assert capsys.readouterr().out.splitlines() == lines[2:5]
    assert called(parser, "journal", "show", path, "--topic", "proposal") == 0
    chosen = capsys.readouterr().out.splitlines()
    assert chosen == [each for each in lines if "proposal/u2" in each]
    assert 0 < len(chosen) < 10


@pytest.mark.parametrize(
    ("event", "told"),
    [
        (started(), "started 0.1.0, with an empty record"),
        (started("ab" * 32), "started 0.1.0, after abababababab…"),
        (Received("scan", b"x" * 999, False, Via.MQTT), "received scan, 999 B, via mqtt"),
        (
            Received("decision", b"x" * 1234, True, Via.PAGE, "op-anna"),
            "received decision, 1.2 kB, retained, via page by op-anna",
        ),
        (InputDropped("scan", 3, ()), "dropped 3 inputs on scan"),
        (LinkChanged("broker", True), "link broker up"),
        (LinkChanged("broker", False, "gone"), "link broker down (gone)"),
        (OperatorsChanged(({}, {})), "operators file read anew, 2 operators"),
        (Ticked({"u1": 2, "u2": 3}), "tick, 5 unchanged positions"),
        (CommandReleased("c-1", "u2"), "command c-1 for u2 released"),
        (CommandRefused("c-1", "u2", ({}, {})), "command c-1 for u2 refused, 2 reasons"),
        (
            CommandEnded("c-1", "u2", Ended.FATE_UNKNOWN, "unplugged"),
            "command c-1 for u2 ended: fate_unknown (unplugged)",
        ),
    ],
)
def test_event_in_words(event: Event, told: str) -> None:
    """Every kind of event is told in a few words."""
    assert line(Stamp(7, 0, 1), event, ()) == f"     7  1970-01-01 00:00:00.000  {told}"


def test_effects_in_words() -> None:
    """What was published and moved is told; wake times and cycles are of no interest to people."""
    effects: tuple[Effect, ...] = (
        *EFFECTS,
        Publish("proposal/u2", b"", True),
        Publish("answer", b"{}", False),
    )
    told = line(Stamp(7, 2**62, 1), Ticked(), effects)
    assert told == (
        "     7  4611686018427387904 ms  tick, 0 unchanged positions -> publish proposal/u2 (48 B, retained), "
        "move keys of u2, publish proposal/u2 (cleared, retained), publish answer (2 B)"
    )


def test_topic_touches_what_came_in_and_went_out() -> None:
    """A topic stands for itself and what lies below it, in and out; a beginning of a word is no topic."""
    assert touches("scan", Received("scan", b"", False, Via.MQTT), ())
    assert touches("scan", InputDropped("scan", 1, ()), ())
    assert touches("proposal", Ticked(), EFFECTS)
    assert touches("proposal/u2", Ticked(), EFFECTS)
    assert not touches("prop", Ticked(), EFFECTS)
    assert not touches("scan", Ticked(), EFFECTS)
