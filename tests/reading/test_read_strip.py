"""A scan whose strip was read the wrong way round, or slipped, from patches to zones."""

from typing import Any

import pytest

from inksteward.contract.codes import NoteCode
from tests.reading.bar import codes, paper, printed, read, slots, solid, strip


def test_strip_read_from_the_other_end() -> None:
    """A scan counted from the wrong end reads as the straight scan does, with a note."""
    places = slots()

    def slope(ink: str, x_mm: float) -> float:
        return 1.0 + 0.001 * x_mm

    straight = printed(places, slope)
    end_mm = places[0][0] + places[-1][0]
    turned = [
        patch.model_copy(update={"x_mm": round(end_mm - patch.x_mm, 3)}) for patch in reversed(straight)
    ]
    good, bad = read(straight, strip=strip(places)), read(turned, strip=strip(places))
    assert [note.code for note in bad.notes] == [NoteCode.STRIP_REVERSED]
    assert bad.asides == ()
    for unit, reading in good.lanes.items():
        assert bad.lanes[unit].density == pytest.approx(reading.density)


@pytest.mark.parametrize(("off_mm", "found_out"), [(2.49, True), (2.51, False)])
def test_strip_laid_beside_its_places(off_mm: float, found_out: bool) -> None:
    """A patch belongs to a slot of the job's strip up to half a patch away."""
    places = slots(step_mm=10.0)
    job = strip([(x + off_mm, {"Y": "C"}.get(ink, "Y")) for x, ink in places])
    assert (len(read(printed(places), strip=job).asides) == len(places)) is found_out


def test_strip_that_fits_no_way() -> None:
    """A strip that fits neither its labels nor any other way is refused, patch by patch, with the reason."""
    places = slots()
    swap = {"C": "Y", "Y": "M", "M": "K", "K": "C"}
    patches = [solid(x, swap[ink], 1.2, label=ink) if ink else paper(x) for x, ink in places]
    patches[0] = patches[0].model_copy(update={"density": None})
    found = read(patches, strip=strip(places))
    assert [code for _, code in codes(found)] == ["missed", *["wrong_filter"] * (len(places) - 1)]
    assert "no other way to read it fits" in found.asides[1].text
    assert found.notes == ()
    assert all(unit.density == (None,) * 8 for unit in found.lanes.values())


def test_patch_pushed_off_the_strip() -> None:
    """A shifted reading that belongs to no patch of the strip is set aside and says so."""
    places = slots()
    names = [ink for _, ink in places]
    patches = [
        solid(x, names[n + 1], 1.2, label=ink or "C") if n + 1 < len(names) and names[n + 1] else paper(x)
        for n, (x, ink) in enumerate(places)
    ]
    found = read(patches, strip=strip(places))
    assert [note.code for note in found.notes] == [NoteCode.STRIP_SHIFTED]
    assert codes(found) == [(len(places) - 1, "wrong_filter")]
    assert "belongs to no patch of the strip" in found.asides[0].text


@pytest.mark.parametrize(
    ("changed", "by_job", "noted"),
    [
        ({}, False, True),
        ({"extent": "part"}, False, False),
        ({"extent": "part"}, True, True),
        ({"instrument": {"kind": "hand"}}, True, False),
    ],
)
def test_when_the_strip_is_judged(changed: dict[str, Any], by_job: bool, noted: bool) -> None:
    """Readings by hand, and parts without the job's strip, stand as labelled; wrong ones fall one by one."""
    places = slots()
    truth = [ink for _, ink in reversed(places)]
    patches = [
        (solid(x, ink, 1.2) if ink else paper(x)).model_copy(
            update={"kind": "solid" if label else "paper", "inks": (label,) if label else ()}
        )
        for (x, label), ink in zip(places, truth, strict=True)
    ]
    found = read(patches, strip=strip(places) if by_job else None, **changed)
    assert bool(found.notes) is noted
    assert ("wrong_filter" in {code for _, code in codes(found)}) is not noted


def test_empty_job_strip_counts_as_none() -> None:
    """A job's strip without patches is no strip: the scan's own labels are used, and a part stands as labelled."""
    assert read(printed(slots()), strip=strip([])).asides == ()
    wrong = [solid(16.0 * n + 8.0, "M", 1.2, label="C") for n in range(8)]
    found = read(wrong, strip=strip([]), extent="part")
    assert all("labelled C, but the filter of M reads highest" in aside.text for aside in found.asides)
    assert len(found.asides) == 8
