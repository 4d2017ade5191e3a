"""What explains what, and how sure a finding is."""

from __future__ import annotations

import pytest

from inksteward.contract.codes import NoteCode
from inksteward.diagnosis import Cause, Finding, diagnose, judge
from inksteward.diagnosis.chance import at_once, surety, together
from inksteward.diagnosis.judge import ANYWHERE, SAME_UNIT, explained
from inksteward.diagnosis.quantities import purity
from inksteward.diagnosis.signs import read_signs
from tests.diagnosis.strips import learnt, quiet


def finding(code: Cause, units: tuple[str, ...] = ("u2",), sure: float = 0.9) -> Finding:
    """A finding of a cause."""
    return Finding(code, units, (), "seen", sure, "check")


def judged(*findings: Finding) -> list[Cause]:
    """Codes that are left of findings, as rules would make them."""
    signs = read_signs(learnt(), quiet())
    return [one.code for one in judge.judge(signs, (lambda _: findings,))]


EVERYWHERE = [(by, one) for by, ones in ANYWHERE.items() for one in sorted(ones)]
AT_HOME = [(by, one) for by, ones in SAME_UNIT.items() for one in sorted(ones)]


@pytest.mark.parametrize(("by", "one"), EVERYWHERE)
def test_explained_wherever_it_is_seen(by: Cause, one: Cause) -> None:
    """A finding that a cause of all inks explains is not told beside it, of whatever unit it is."""
    assert judged(finding(one, ("u3",), 0.99), finding(by)) == [by]


@pytest.mark.parametrize(("by", "one"), AT_HOME)
def test_explained_in_the_same_unit(by: Cause, one: Cause) -> None:
    """A finding that a cause explains is not told beside it in the same unit, and is in another."""
    assert judged(finding(one), finding(by)) == [by]
    assert set(judged(finding(one, ("u4",)), finding(by))) == {one, by}


@pytest.mark.parametrize(("zones", "alone"), [((5,), True), ((6,), False), ((5, 6), False)])
def test_explained_at_the_same_place(zones: tuple[int, ...], alone: bool) -> None:
    """What a low spot does to a zone is not told beside it; a fault in another zone is."""
    spot = Finding(Cause.BLANKET_SPOT, ("u2",), (5,), "seen", 0.9, "check")
    silent = Finding(Cause.NO_RESPONSE, ("u2",), zones, "seen", 0.9, "check")
    assert (judged(silent, spot) == [Cause.BLANKET_SPOT]) is alone


def test_nothing_explains_itself_or_what_explains_it() -> None:
    """No two causes explain each other: one of them is always told."""
    for one in Cause:
        for other in Cause:
            assert not (explained(finding(one), finding(other)) and explained(finding(other), finding(one)))


def test_the_surest_comes_first() -> None:
    """Findings come in the order of their sureness, and those below a half are not told."""
    found = (
        finding(Cause.TRAP_DOWN, sure=0.6),
        finding(Cause.HUE_CHANGED, ("u4",), 0.8),
        finding(Cause.TONING, sure=0.4),
    )
    assert judged(*found) == [Cause.HUE_CHANGED, Cause.TRAP_DOWN]


def test_codes_of_the_contract_are_used() -> None:
    """A cause that the contract has a note for has that note's code."""
    shared = {
        NoteCode.SHORTAGE,
        NoteCode.TONE_UP,
        NoteCode.TRAP_DOWN,
        NoteCode.NO_RESPONSE,
        NoteCode.COMMON_LOSS,
    }
    assert {code.value for code in shared} <= {cause.value for cause in Cause}


def test_surety_grows_with_evidence_and_falls_with_places() -> None:
    """Sureness is one half where the likelihood ratio makes up for odds and places, and goes from 0 to 0.999.

    Outside check: exp(z**2 / 2) = 500 at z = 3.525494, by hand from 2 ln 500 = 12.429216.
    """
    assert surety(3.525494) == 0.5
    assert surety(3.525494, 10) == pytest.approx(1.0 / 11.0, abs=5e-4)
    assert surety(0.0) == pytest.approx(0.002)
    assert surety(100.0) == 0.999


def test_pieces_of_evidence_are_taken_together() -> None:
    """Stouffer's sum of equal pieces grows with the root of their number; missing pieces do not weaken `at_once`."""
    assert together(2.0, 2.0, 2.0, 2.0) == pytest.approx(4.0)
    assert at_once(5.0, 0.0) == pytest.approx(24.0**0.5)
    assert at_once(0.5, 0.5) == 0.0


@pytest.mark.parametrize(("red", "green", "blue", "error", "greyness"), [
    (1.45, 0.50, 0.18, 25.196850, 12.413793),
    (0.14, 1.45, 0.75, 46.564885, 9.655172),
])  # fmt: skip
def test_hue_error_and_greyness(red: float, green: float, blue: float, error: float, greyness: float) -> None:
    """Hue error and greyness of a cyan and a magenta: by hand, 100 (0.50 - 0.18)/(1.45 - 0.18) and 100 0.18/1.45."""
    assert purity({"C": red, "M": green, "Y": blue}) == pytest.approx((error, greyness), abs=1e-6)


def test_a_neutral_ink_has_no_hue() -> None:
    """Black has no hue error, and nor has a patch that was not read through three filters."""
    assert purity({"C": 1.70, "M": 1.72, "Y": 1.66}) is None
    assert purity({"C": 1.70, "M": 0.4}) is None
    assert purity({"C": 0.0, "M": 0.0, "Y": 0.0}) is None


def test_sureness_has_bounds() -> None:
    """A sureness outside 0 to 1 is refused."""
    with pytest.raises(ValueError, match=r"sure of toning: 1.2: expected 0 to 1"):
        finding(Cause.TONING, sure=1.2)


def test_first_scans_are_not_judged() -> None:
    """Nothing is told before there is a course to compare with."""
    memory = learnt(2)
    _, found = diagnose(memory, quiet())
    assert found == ()
