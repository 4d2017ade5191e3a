"""What is remembered: small, plain, the same bits for the same scans, and forgotten when it is worth nothing."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from inksteward.diagnosis import FORGETS, Memory, diagnose
from inksteward.diagnosis.memory import OLD_SHEET_S, followed, forgotten
from inksteward.steward.codec import decode, encode, state_digest
from tests.diagnosis.feeding import seen as fed
from tests.diagnosis.generator.life import healthy
from tests.diagnosis.strips import ZONES, learnt, quiet, solids, with_unit


def run(scans: int) -> Memory:
    """What is remembered of a drawn press after so many scans."""
    memory = Memory()
    for one in healthy(11, scans):
        memory, _ = diagnose(memory, fed(one.scan))
    return memory


def test_memory_is_plain_and_the_same_every_time() -> None:
    """What is remembered survives canonical JSON to the bit, and equal scans leave equal bits."""
    memory = run(12)
    text = json.dumps(encode(memory))
    again = decode(Memory, json.loads(text))
    assert again == memory
    assert state_digest(again) == state_digest(run(12)) == state_digest(memory)


def test_memory_does_not_grow() -> None:
    """A hundred scans are remembered in no more than a tenth more room than ten."""
    assert len(json.dumps(encode(run(100)))) < 1.1 * len(json.dumps(encode(run(10))))


def test_a_fault_does_not_become_usual_at_once() -> None:
    """A course takes in no more than a fifth of two standard deviations at a scan."""
    track = None
    for value in (10.0, 10.0, 10.0, 60.0):
        track = followed(track, value, 1.0)
    assert track is not None
    assert track.course == pytest.approx(10.4, abs=1e-12)


@pytest.mark.parametrize(("age_s", "learns"), [(OLD_SHEET_S - 1.0, True), (OLD_SHEET_S, False), (None, True)])
def test_an_old_sheet_teaches_nothing(age_s: float | None, learns: bool) -> None:
    """A sheet from thirty minutes on leaves the courses where they were."""
    memory = learnt()
    seen = replace(with_unit(quiet(), "all", solids([-0.1] * ZONES)), age_s=age_s)
    after, _ = diagnose(memory, seen)
    assert (after.units["u2"].course != memory.units["u2"].course) is learns
    assert (after.units["u2"].last == seen.units[1].density) is learns


@pytest.mark.parametrize("kind", sorted(FORGETS))
def test_events_are_forgotten_by(kind: str) -> None:
    """After an event just the quantities that it changes begin anew."""
    left = forgotten(learnt(), replace(quiet(), events=(kind,)))
    kinds = {name.split("/")[0] for name in left.tracks} | ({"zones"} if left.units else set())
    assert kinds == {"zones", "tone", "trap", "paper", "grey", "hue"} - set(FORGETS[kind])


def test_an_event_of_one_unit_leaves_the_others() -> None:
    """New ink in one unit leaves what is known of the other units, and takes what its overprints showed."""
    left = forgotten(learnt(), replace(quiet(), events=("ink:u2",)))
    assert sorted(left.units) == ["u1", "u3", "u4"]
    assert not any("/u2/" in f"{name}/" for name in left.tracks)
    assert "tone/u3/50/1" in left.tracks


def test_another_basis_begins_anew() -> None:
    """Densities of another basis are not compared with those remembered."""
    assert forgotten(learnt(), replace(quiet(), basis="T/abs")) == Memory("T/abs")


def test_a_sheet_scanned_again_is_remembered_once() -> None:
    """A second scan of one sheet is judged and leaves what is remembered as it was; a new sheet does not."""
    memory = learnt()
    jumped = with_unit(quiet(1750), "u2", solids([0.3] + [0.0] * (ZONES - 1)))
    again, found = diagnose(memory, jumped)
    assert [one.code.value for one in found] == ["absurd_patch"]
    assert again is memory
    assert diagnose(memory, replace(jumped, sheet=2000))[0] != memory


def test_two_tints_of_a_zone_count_as_their_mean() -> None:
    """Tints of one nominal value in one zone are followed as one."""
    seen = quiet()
    tint = seen.units[1].tints[0]
    more = replace(tint, tone_pct=tint.tone_pct + 4.0)
    seen = with_unit(seen, "u2", lambda u: replace(u, tints=(tint, more)))
    memory, _ = diagnose(Memory(), seen)
    assert memory.tracks["tone/u2/50/1"].course == tint.tone_pct + 2.0


def test_unknown_event_is_refused() -> None:
    """An event of an unknown kind is an error that names it and what was expected."""
    with pytest.raises(ValueError, match="event 'lunch': expected one of blanket, ink"):
        diagnose(Memory(), replace(quiet(), events=("lunch",)))


def test_another_number_of_zones_begins_anew() -> None:
    """A unit that comes with another number of zones is not compared with what it was."""
    u2 = quiet().units[1]
    rows = {
        n: getattr(u2, n)[:6] for n in ("density", "sigma", "expected_change", "elasticity", "low", "high")
    }
    seen = replace(quiet(), units=(replace(u2, **rows),))
    memory, found = diagnose(learnt(), seen)
    assert memory.units["u2"].count == 1
    assert found == ()
