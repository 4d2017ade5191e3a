"""What moves say: zones and units that do not answer, and answers that show elsewhere."""

from __future__ import annotations

from dataclasses import replace

import pytest

from inksteward.diagnosis import Cause, Finding, Memory, SeenUnit, diagnose
from inksteward.diagnosis.answers import WHOLE, Answers, answered
from tests.diagnosis.strips import ZONES, codes, learnt, quiet, solids, with_unit

ASKED = [0.05, -0.06, 0.0, 0.07, 0.0, -0.05, 0.06, 0.0, -0.07, 0.05, 0.0, 0.06]


def moved(gains: list[float], to: list[int], asked: list[float], scans: int = 4) -> tuple[Finding, ...]:
    """Findings after so many scans of which each was expected to change the zones of u2; zone z shows in zone to[z]."""
    found: tuple[Finding, ...] = ()
    memory, so_far = learnt(), [0.0] * ZONES
    for number in range(scans):
        for z, change in enumerate(asked):
            so_far[to[z]] += gains[z] * change
        seen = with_unit(quiet(2000 + 250 * number), "u2", solids(so_far))
        seen = with_unit(seen, "u2", lambda u: replace(u, expected_change=tuple(asked)))
        memory, found = diagnose(memory, seen)
    return found


HERE = list(range(ZONES))


def test_moves_that_are_answered_are_no_fault() -> None:
    """Zones that change as was expected, or by 70 % of it, lead to nothing."""
    assert moved([1.0] * ZONES, HERE, ASKED) == ()
    assert moved([0.7] * ZONES, HERE, ASKED) == ()


def test_dead_key_is_named() -> None:
    """A zone that shows nothing of its moves is named, and it alone is held back."""
    gains = [0.0 if z == 3 else 1.0 for z in range(ZONES)]
    found = moved(gains, HERE, ASKED)
    assert codes(found) == [Cause.NO_RESPONSE.value]
    assert (found[0].units, found[0].zones) == (("u2",), (4,))


def test_one_move_is_too_few() -> None:
    """A single move without answer names nothing."""
    gains = [0.0 if z == 3 else 1.0 for z in range(ZONES)]
    assert moved(gains, HERE, ASKED, 1) == ()


@pytest.mark.parametrize(("to", "words"), [
    ([min(z + 1, ZONES - 1) for z in HERE], "one zone higher"),
    ([max(z - 1, 0) for z in HERE], "one zone lower"),
    (HERE[::-1], "as far from the other end"),
])  # fmt: skip
def test_answers_elsewhere_are_named(to: list[int], words: str) -> None:
    """Keys numbered one zone aside either way, or from the other end, are named as that and not as dead keys."""
    found = moved([1.0] * ZONES, to, ASKED)
    assert codes(found) == [Cause.ANSWERS_ASIDE.value]
    assert words in found[0].seen


def test_openings_without_effect_are_emulsified_ink() -> None:
    """A unit opened again and again that goes no higher is named, its zones are not."""
    assert codes(moved([0.1] * ZONES, HERE, [0.04] * ZONES)) == [Cause.EMULSIFIED.value]


def unit_at(level: float, change: float) -> SeenUnit:
    """A unit of three zones at a level, all with the same expected change, D."""
    u2 = quiet().units[1]
    rows = {name: getattr(u2, name)[:3] for name in ("sigma", "elasticity", "low", "high")}
    return replace(u2, density=(level,) * 3, expected_change=(change,) * 3, **rows)


def test_gain_is_a_least_squares_slope() -> None:
    """Of a straight line the slope is exact, and a step before the first move does not count.

    Outside check: the slope of (0, 1.30) (0.05, 1.33) (0.10, 1.34) (0.15, 1.39) is 0.56, worked by hand from
    sum (x - mean) (y - mean) / sum (x - mean)**2 = 0.007 / 0.0125.
    """
    answers, last = Answers(), 1.40
    for level, change in ((1.30, 0.0), (1.33, 0.05), (1.34, 0.05), (1.39, 0.05)):
        answers = answered(answers, (last,) * 3, unit_at(level, change), (0.0, 0.0))
        last = level
    mean = next(trial for trial in answers.trials if trial.zone == WHOLE)
    assert mean.gain() == pytest.approx(0.56, abs=1e-9)
    assert mean.spread() == pytest.approx(0.0125, abs=1e-12)


def test_trials_end() -> None:
    """What was asked is judged no longer than zones stay as they are: some scans after the last move it is over."""
    answers = Answers()
    for change in (0.05, 0.05, 0.0, 0.0):
        answers = answered(answers, (1.3,) * 3, unit_at(1.3, change), (0.0, 0.0))
        assert answers.trials
    assert answered(answers, (1.3,) * 3, unit_at(1.3, 0.0), (0.0, 0.0)).trials == ()


def test_unread_zone_is_not_on_trial() -> None:
    """A zone without a reading is not judged by it."""
    seen = replace(unit_at(1.3, 0.05), density=(1.3, None, 1.3))
    zones = {trial.zone for trial in answered(Answers(), (1.3,) * 3, seen, (0.0, 0.0)).trials}
    assert zones == {0, 2, WHOLE}


def test_expected_changes_are_no_deviation() -> None:
    """A unit that goes where it was expected to go has moved its course, not left it."""
    memory, _ = diagnose(Memory(), quiet())
    seen = with_unit(quiet(250), "u2", solids([0.08] * ZONES))
    seen = with_unit(seen, "u2", lambda u: replace(u, expected_change=(0.08,) * ZONES))
    memory, _ = diagnose(memory, seen)
    assert max(abs(off) for off in memory.units["u2"].before) < 1e-12
    assert memory.units["u2"].course == pytest.approx(seen.units[1].density)
