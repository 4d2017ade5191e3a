"""Scans out of described messages: whole, or refused with the reason."""

from typing import Any

import pytest

from inksteward_drivers.described_form import description_form
from inksteward_drivers.described_frames import BadCheck, Body
from inksteward_drivers.described_scan import Outcome, Scans, Spoiled, Unusable, Whole, scans_of
from inksteward_drivers.framing import Fault
from tests.drivers.behaviours import scan_of
from tests.drivers.descriptions import ABSENT, described, messages_of

HEAD, SECOND, END = "B1210,run-0412,2", "P;19.5;paper;;0;0;0;0;0", "E"
FIRST = "P;14;solid;C;100;1.41;.47;0.14;0.52"


def made(*changes: tuple[str, Any]) -> Scans:
    return scans_of("strip", description_form("strip", described(*changes)))()


def took(scans: Scans, *messages: Any) -> list[Outcome]:
    """What came of messages; anything but text is taken as what the framing gave."""
    found: list[Outcome] = []
    for message in messages:
        found += scans.take(Body(message.encode()) if isinstance(message, str) else message)
    return found


def test_a_whole_scan() -> None:
    """Beginning, patches and end make one scan, its patches in the contract's form."""
    [scan] = took(made(), HEAD, FIRST, SECOND, END)
    assert scan == Whole(
        "run-0412",
        1210,
        "front",
        (
            {
                "x_mm": 14.0,
                "kind": "solid",
                "inks": ["C"],
                "tone_pct": 100.0,
                "density": {"C": 1.41, "M": 0.47, "Y": 0.14, "K": 0.52},
            },
            {
                "x_mm": 19.5,
                "kind": "paper",
                "inks": [],
                "tone_pct": 0.0,
                "density": {"C": 0.0, "M": 0.0, "Y": 0.0, "K": 0.0},
            },
        ),
    )


@pytest.mark.parametrize(
    ("messages", "reason"),
    [
        ((HEAD, FIRST, BadCheck("checksum 00, expected 01"), END), "sheet 1210: checksum 00, expected 01"),
        ((HEAD, FIRST, Fault("noise", 4), SECOND, END), "sheet 1210: 4 bytes discarded: noise"),
        ((HEAD, FIRST, END), "1 patches came, 2 were announced"),
        ((HEAD, FIRST, "what?", SECOND, END), "'what\\?': no message that is described"),
        ((HEAD, FIRST, FIRST, END), "a second solid patch at 14 mm"),
        ((HEAD, FIRST.replace("1.41", "1.4x"), SECOND, END), "density_C '1.4x': expected a number"),
        ((HEAD, FIRST.replace("1.41", "1,41"), SECOND, END), "density_C '1,41': expected a number"),
        ((HEAD, FIRST.replace("1.41", ""), SECOND, END), "density_C '': expected a number"),
        ((HEAD, "P;14;solid", SECOND, END), "2 columns, expected 8"),
        ((HEAD, END), "no patch came"),
        ((FIRST, SECOND, END), "scan: its beginning was not read"),
        ((HEAD, FIRST, "x", "y", END), r"; 1 more$"),
    ],
)
def test_one_bad_frame_refuses_the_scan(messages: tuple[Any, ...], reason: str) -> None:
    """A scan that is incomplete, or holds one frame that is of no use, is refused once, with the first reason."""
    scans = made()
    [refused] = took(scans, *messages)
    assert isinstance(refused, Spoiled)
    with pytest.raises(AssertionError, match=reason):
        raise AssertionError(refused.text)
    assert isinstance(took(scans, HEAD, FIRST, SECOND, END)[0], Whole)


def test_the_next_scan_cuts_one_short() -> None:
    """A beginning before the end refuses the scan before it, and that one alone."""
    [cut, whole] = took(made(), HEAD, FIRST, HEAD, FIRST, SECOND, END)
    assert isinstance(cut, Spoiled)
    assert "the next scan began before its end" in cut.text
    assert isinstance(whole, Whole)


def test_quiet_and_loss_refuse_what_is_incomplete() -> None:
    """A scan whose end stays away is refused after the described time, or when the line is lost; nothing else is."""
    scans = made()
    assert scans.quiet() == scans.lost() == []
    took(scans, HEAD, FIRST)
    [late] = scans.quiet()
    assert isinstance(late, Spoiled)
    assert "quiet for 10 s before its end" in late.text
    took(scans, HEAD, FIRST)
    [lost] = scans.lost()
    assert isinstance(lost, Spoiled)
    assert "the line was lost" in lost.text
    assert not scans.begun


def test_outside_of_scans() -> None:
    """Frames outside every scan say nothing: faults spoil none, a strange message and a lone end are told."""
    scans = made()
    assert took(scans, Fault("noise", 3), BadCheck("x")) == []
    assert took(scans, END) == [Unusable("an end without a scan")]
    [strange] = took(scans, "hello")
    assert isinstance(strange, Unusable)
    assert took(made(("ignore", ["#"])), "# warm") == []


def test_a_scan_that_ends_by_its_count() -> None:
    """Where no end is sent, the announced number of patches ends the scan; a bad frame counts as one of them."""
    scans = made(("scan.ends_by", "count"), ("end", ABSENT))
    assert took(scans, HEAD, FIRST) == []
    assert isinstance(took(scans, SECOND)[0], Whole)
    assert took(scans, HEAD, BadCheck("bad"))[:1] == []
    assert isinstance(took(scans, SECOND)[0], Spoiled)


def test_a_scan_that_ends_by_quiet_and_begins_with_its_first_patch() -> None:
    """A device that sends patches alone: sheet and run on each, the line's quiet ends the scan."""
    columns = ["sheet", "run_id", "position", "kind", "ink", "density_C"]
    patch = {"delimiter": ",", "columns": columns}
    scans = made(("begin", ABSENT), ("end", ABSENT), ("patch", patch), ("scan.ends_by", "quiet"))
    assert took(scans, "7,r,1,solid,C,1.2", "7,r,2,solid,C,1.3") == []
    [whole] = scans.quiet()
    assert isinstance(whole, Whole)
    assert (whole.sheet, whole.run_id, len(whole.patches)) == (7, "r", 2)
    took(scans, "7,r,1,solid,C,1.2", "8,r,2,solid,C,1.3")
    [mixed] = scans.quiet()
    assert isinstance(mixed, Spoiled)
    assert "sheet 8 after 7" in mixed.text
    took(scans, BadCheck("was it the first patch?"), "7,r,2,solid,C,1.3")
    assert isinstance(scans.quiet()[0], Spoiled)


@pytest.mark.parametrize("head", ["B,run-1,1", "B12,,1"])
def test_no_sheet_or_no_run_is_refused(head: str) -> None:
    """A scan that does not say its sheet or its run is refused: nobody guesses them."""
    scans = made(("begin", {"pattern": r"B(?P<sheet>\d*),(?P<run_id>[\w-]*),(?P<count>\d+)"}))
    [refused] = took(scans, head, FIRST, END)
    assert isinstance(refused, Spoiled)
    assert "was given: a scan counts for one sheet of one run" in refused.text


def test_a_scan_without_end_is_not_held_without_bound() -> None:
    """More patches than a scan may have are refused, and no more than that are held."""
    scans = made(("begin", {"pattern": r"B(?P<sheet>\d+),(?P<run_id>[\w-]+)"}))
    rows = [f"P;{0.5 * number:g};solid;C;100;1;1;1;1" for number in range(2001)]
    [refused] = took(scans, "B1,r", *rows, END)
    assert isinstance(refused, Spoiled)
    assert "more than 2000 patches" in refused.text


def test_every_patch_of_a_contract_scan_comes_back() -> None:
    """A scan of the contract, said in the described way, comes out with the very same patches."""
    scan = scan_of()
    [whole] = took(made(), *messages_of(scan))
    assert isinstance(whole, Whole)
    assert list(whole.patches) == scan["patches"]
