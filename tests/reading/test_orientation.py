"""Strips read from the wrong end or with slipped labels: recognised, told, and refused where in doubt."""

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.contract.codes import NoteCode
from inksteward.contract.inputs import Patch
from inksteward.reading.filters import dominant_filter
from inksteward.reading.orientation import Orientation, Seen, Slot, Way, orientation, strip_slots
from tests.reading.bar import INKS, TURN, paper, printed, slots, solid, strip

REACH_MM = 2.5
Place = tuple[float, str]


def seen(patches: Sequence[Patch]) -> list[Seen]:
    """Patches as the room sees them."""
    return [
        Seen(
            Slot(patch.x_mm, patch.kind, patch.inks),
            None if patch.density is None else dominant_filter(patch.density),
        )
        for patch in patches
    ]


def relabelled(places: Sequence[Place], truth: Sequence[str]) -> list[Patch]:
    """Patches at the labelled places that in truth hold other inks."""
    found = []
    for (x_mm, label), ink in zip(places, truth, strict=True):
        patch = solid(x_mm, ink, 1.2) if ink else paper(x_mm)
        kind, inks = ("solid", (label,)) if label else ("paper", ())
        found.append(patch.model_copy(update={"kind": kind, "inks": inks}))
    return found


def inks(found: Orientation) -> list[str]:
    """Inks of the places found, '' for paper, '-' for none."""
    return ["-" if slot is None else slot.inks[0] if slot.inks else "" for slot in found.placed]


def test_strip_as_labelled() -> None:
    """A strip whose filters agree with the labels stands as read, without a note."""
    patches = printed(slots())
    found = orientation(seen(patches), None, REACH_MM)
    assert found.way is Way.AS_READ
    assert found.note is None
    assert found.placed == tuple(patch.label for patch in seen(patches))


@pytest.mark.parametrize("by_job", [True, False])
def test_labels_reversed(by_job: bool) -> None:
    """A strip whose labels ran from the other end is recognised with and without the job's strip, and told."""
    places = slots()
    truth = [ink for _, ink in reversed(places)]
    found = orientation(seen(relabelled(places, truth)), strip(places) if by_job else None, REACH_MM)
    assert found.way is Way.REVERSED
    assert inks(found) == truth
    assert [slot.x_mm for slot in found.placed if slot] == [x for x, _ in reversed(places)]
    assert found.note is not None
    assert found.note.code is NoteCode.STRIP_REVERSED
    assert ("the job's strip" if by_job else "their labels") in found.note.text
    assert f"{places[0][0]:.1f} and {places[-1][0]:.1f} mm" in found.note.text


def test_labels_right_but_places_reversed() -> None:
    """Patches labelled as they read, but counted from the other end, are found by the job's strip."""
    places = slots()
    turned = [(x, ink) for (x, _), (_, ink) in zip(places, reversed(places), strict=True)]
    assert orientation(seen(printed(turned)), None, REACH_MM).way is Way.AS_READ
    found = orientation(seen(printed(turned)), strip(places), REACH_MM)
    assert found.way is Way.REVERSED
    assert [slot.x_mm for slot in found.placed if slot] == [x for x, _ in reversed(places)]


def test_mirrored_strip_is_expected_mirrored() -> None:
    """A strip that the job calls mirrored stands as read when it reads mirrored, and is reversed when it does not."""
    places = slots()
    turned = [(x, ink) for (x, _), (_, ink) in zip(places, reversed(places), strict=True)]
    job = strip(places, mirror=True)
    assert orientation(seen(printed(turned)), job, REACH_MM).way is Way.AS_READ
    assert orientation(seen(printed(places)), job, REACH_MM).way is Way.REVERSED


def test_slots_of_an_empty_strip() -> None:
    """A job's strip without patches has no slots, mirrored or not."""
    assert strip_slots(strip([], mirror=True)) == ()
    assert orientation([], strip([], mirror=True), REACH_MM) == Orientation(Way.AS_READ, ())


@pytest.mark.parametrize("by_job", [True, False])
@pytest.mark.parametrize("shift", [-3, -2, -1, 1, 2, 3])
def test_labels_shifted(shift: int, by_job: bool) -> None:
    """Labels that slipped by up to three patches are recognised, and each reading moves to its own patch."""
    places = slots()
    names = [ink for _, ink in places]
    truth = [names[n + shift] if 0 <= n + shift < len(names) else "" for n in range(len(names))]
    found = orientation(seen(relabelled(places, truth)), strip(places) if by_job else None, REACH_MM)
    assert found.way is Way.SHIFTED
    assert [ink for ink in inks(found) if ink != "-"] == [
        names[n + shift] for n in range(len(names)) if 0 <= n + shift < len(names)
    ]
    assert inks(found).count("-") == abs(shift)
    assert found.note is not None
    assert found.note.code is NoteCode.STRIP_SHIFTED
    count = f"{abs(shift)} patch" + ("es" if abs(shift) > 1 else "")
    assert f"{count} too near the strip's {'start' if shift > 0 else 'end'}" in found.note.text


def test_shift_by_four_is_refused() -> None:
    """Labels that slipped by more than three patches fit no way, and the scan's patches are refused."""
    places = slots()
    names = [ink for _, ink in places]
    found = orientation(seen(relabelled(places, names[4:] + [""] * 4)), None, REACH_MM)
    assert found.way is Way.UNCLEAR
    assert found.placed == (None,) * len(places)
    assert found.note is None
    assert "no other way to read it fits" in found.text


def test_periodic_strip_is_refused() -> None:
    """Where two shifts fit alike, neither is taken: the scan's patches are refused."""
    places = slots(turn=("K", "C"))
    names = [ink for _, ink in places]
    patches = relabelled(places, names[1:] + names[:1])
    found = orientation(seen(patches), None, REACH_MM)
    assert found.way is Way.UNCLEAR
    assert "more than one way" in found.text


def test_ink_beyond_the_ends_tells_shifts_apart() -> None:
    """On a strip that repeats every four patches, a shift by one differs from one by three at the strip's ends."""
    places = slots(turn=INKS)
    names = [ink for _, ink in places]
    found = orientation(seen(relabelled(places, [*names[1:], ""])), strip(places), REACH_MM)
    assert found.way is Way.SHIFTED
    assert inks(found) == [*names[1:], "-"]


def test_same_from_both_ends() -> None:
    """A strip with the same inks from both ends cannot be told apart and stands as read."""
    turn = [*TURN, *reversed(TURN)]
    places = [(5.0 * n, ink) for n, ink in enumerate(turn)]
    assert orientation(seen(relabelled(places, turn[::-1])), strip(places), REACH_MM).way is Way.AS_READ


@pytest.mark.parametrize(("wrong", "way"), [(10, Way.AS_READ), (26, Way.AS_READ), (27, Way.UNCLEAR)])
def test_share_of_contradictions(wrong: int, way: Way) -> None:
    """With no other way that fits, a strip is refused when more than half of its patches contradict."""
    places = [(5.0 * n, ("C", "M")[n % 3 == 0]) for n in range(52)]
    truth = ["Y" if n < wrong else ink for n, (_, ink) in enumerate(places)]
    assert orientation(seen(relabelled(places, truth)), None, REACH_MM).way is way


@pytest.mark.parametrize(("count", "way"), [(3, Way.AS_READ), (4, Way.UNCLEAR)])
def test_few_patches_say_nothing(count: int, way: Way) -> None:
    """Fewer than four patches that speak for an ink say nothing of the strip as a whole."""
    places = [(5.0 * n, "C") for n in range(count)]
    assert orientation(seen(relabelled(places, ["M"] * count)), None, REACH_MM).way is way


def test_one_contradiction_is_the_patch_alone() -> None:
    """A single patch of the wrong ink among four is not a question of the strip."""
    places = [(5.0 * n, ink) for n, ink in enumerate("CMYK")]
    assert orientation(seen(relabelled(places, list("CMYY"))), None, REACH_MM).way is Way.AS_READ


def test_patches_that_say_nothing() -> None:
    """Missed patches, bare solids, overprints, grey and spot inks neither agree nor contradict."""
    silent = [
        solid(5.0, "C", None),
        solid(10.0, "C", 0.1),
        solid(15.0, "M", 1.2).model_copy(update={"kind": "overprint", "inks": ("M", "Y")}),
        solid(20.0, "K", 0.5).model_copy(update={"kind": "grey", "inks": ("C", "M", "Y")}),
        solid(25.0, "M", 1.2).model_copy(update={"inks": ("P1",)}),
        solid(30.0, "M", 1.2).model_copy(update={"inks": ()}),
    ]
    wrong = [solid(35.0 + 5.0 * n, "M", 1.2, label="C") for n in range(3)]
    assert orientation(seen([*silent, *wrong]), None, REACH_MM).way is Way.AS_READ


def test_patches_off_the_jobs_slots() -> None:
    """Patches that lie between the slots of the job's strip say nothing of it."""
    places = slots()
    job = strip([(x + 2.5, "P1") for x, _ in places])
    wrong = strip([(x + 2.5, {"Y": "C"}.get(ink, "Y")) for x, ink in places])
    for reach_mm, way in ((2.49, Way.AS_READ), (2.5, Way.UNCLEAR)):
        assert orientation(seen(printed(places)), wrong, reach_mm).way is way
        assert orientation(seen(printed(places)), job, reach_mm).way is Way.AS_READ


def test_uneven_strip_reversed() -> None:
    """A reversed strip of uneven spacing, whose mirrored places fall between its slots, is refused."""
    places = [(6.0 * n + 0.05 * n * n, TURN[n % len(TURN)]) for n in range(41)]
    truth = [ink for _, ink in reversed(places)]
    assert orientation(seen(relabelled(places, truth)), None, 0.4).way is Way.UNCLEAR


@given(st.lists(st.sampled_from([*INKS, ""]), min_size=1, max_size=60), st.randoms(use_true_random=False))
def test_never_silent(truth: list[str], chance: object) -> None:
    """Whatever was read: a way other than as it stands comes with a note or with a text, one place a patch."""
    places = [(5.0 * n, TURN[n % len(TURN)]) for n in range(len(truth))]
    found = orientation(seen(relabelled(places, truth)), None, REACH_MM)
    assert len(found.placed) == len(truth)
    assert (found.note is not None) is (found.way in {Way.REVERSED, Way.SHIFTED})
    assert bool(found.text) is (found.way is Way.UNCLEAR)


@given(st.lists(st.sampled_from([*INKS, ""]), min_size=8, max_size=60))
def test_reversing_twice(names: list[str]) -> None:
    """A strip read reversed and set right is the strip: the places found, read again, stand as they are."""
    places = [(5.0 * n, ink) for n, ink in enumerate(names)]
    job = strip(places)
    turned = [(x, ink) for (x, _), (_, ink) in zip(places, reversed(places), strict=True)]
    first = orientation(seen(printed(turned)), job, REACH_MM)
    if first.way is Way.REVERSED:
        again = [(slot.x_mm, slot.inks[0] if slot.inks else "") for slot in first.placed if slot]
        assert sorted(again) == sorted(places)
        assert orientation(seen(printed(again)), job, REACH_MM).way is Way.AS_READ


def near_palindrome(half: str, pairs: int, middle: str = "") -> str:
    """Inks the same from both ends but for the first ``pairs`` places, which hold another ink than their mirror."""
    swap = str.maketrans("KCMY", "CKYM")
    return half[:pairs].translate(swap) + half[pairs:] + middle + half[::-1]


@pytest.mark.parametrize(
    ("inks_", "way"),
    [
        (near_palindrome("KCMYKYCMKC", 1), Way.AS_READ),  # 2 of 20 contradict
        (near_palindrome("KCMYKYCMKC", 2, "M"), Way.AS_READ),  # 4 of 21
        (near_palindrome("KCMYKYCMKC", 2), Way.REVERSED),  # 4 of 20
        (near_palindrome("KCMY", 1), Way.REVERSED),  # 2 of 8
    ],
)
def test_from_a_fifth_on_the_strip_is_doubted(inks_: str, way: Way) -> None:
    """A strip read from the other end is found out from two contradictions and a fifth of the patches on."""
    places = [(5.0 * n, ink) for n, ink in enumerate(inks_)]
    assert orientation(seen(relabelled(places, inks_[::-1])), None, REACH_MM).way is way


@pytest.mark.parametrize(("silent", "way"), [(0, Way.SHIFTED), (1, Way.UNCLEAR)])
def test_best_way_leads_by_two(silent: int, way: Way) -> None:
    """The best way counts when the next best contradicts at two patches more, not at one."""
    places = [(5.0 * n, "CMY"[n % 3]) for n in range(12)]
    truth = [""] * silent + [ink for _, ink in places[1 + silent :]] + [""]
    patches = relabelled(places, truth)
    assert orientation(seen(patches), None, REACH_MM).way is way


@pytest.mark.parametrize(("misread", "way"), [(4, Way.REVERSED), (5, Way.UNCLEAR)])
def test_other_way_fits_up_to_a_tenth(misread: int, way: Way) -> None:
    """Another way fits while no more than a tenth of its patches contradict: four of forty, not five."""
    names = [TURN[n % len(TURN)] or "K" for n in range(40)]
    places = [(5.0 * n, ink) for n, ink in enumerate(names)]
    swap = {"K": "C", "C": "M", "M": "Y", "Y": "K"}
    truth = [swap[ink] if n < misread else ink for n, ink in enumerate(reversed(names))]
    assert orientation(seen(relabelled(places, truth)), None, REACH_MM).way is way
