"""Which unit a separation goes to."""

from __future__ import annotations

from pathlib import Path

import pytest

from inksteward.config import load
from inksteward.coverage.errors import CoverageError
from inksteward.coverage.separations import Separation, Wanted, matched
from inksteward.model import Press
from tests.coverage.plates import PRESS

BACK = '[[unit]]\nunit = "u3"\nside = "back"\ncalibration.blade_id = "b-3"\n[[key_bank]]'
INKS = {"u1": "K", "u2": "C"}


@pytest.fixture
def press(tmp_path: Path) -> Press:
    """Two units at the front, one at the back."""
    text = PRESS.replace("[[key_bank]]", BACK).replace('"u1", "u2"]', '"u1", "u2", "u3"]')
    (tmp_path / "press.toml").write_text(text, "utf-8")
    return load(tmp_path / "press.toml").press


def file(*words: str) -> list[Separation[int]]:
    """Separations, written ``sheet/side/name``; data are their numbers."""
    parts = [word.split("/") for word in words]
    return [Separation(sheet, side or None, name, number) for number, (sheet, side, name) in enumerate(parts)]


def units(press: Press, found: list[Separation[int]], wanted: Wanted) -> dict[str, int]:
    return {unit.unit: one.data for unit, one in matched("f", found, press, wanted)[0]}


def test_by_the_ink_of_the_job(press: Press) -> None:
    """The standard's names of the process inks are the contract's; others have to be the same to the letter."""
    assert units(press, file("/front/Cyan", "/front/Black"), Wanted(inks=INKS)) == {"u2": 0, "u1": 1}
    assert units(press, file("/front/C", "/front/Blue 3"), Wanted(inks={"u1": "Blue 3", "u2": "C"})) == {
        "u2": 0,
        "u1": 1,
    }
    with pytest.raises(
        CoverageError, match=r"f: separation 'cyan' of the front belongs to no unit: expected --separation"
    ):
        matched("f", file("/front/cyan", "/front/Black"), press, Wanted(inks=INKS))


def test_each_side_goes_to_its_units(press: Press) -> None:
    """One ink on both sides goes to two units, whether by ink or by option."""
    found = file("/front/Black", "/back/Black")
    inks = {"u1": "K", "u3": "K"}
    assert units(press, found, Wanted(inks=inks)) == {"u1": 0, "u3": 1}
    assert units(press, found, Wanted(pairs=(("Black", "u2"), ("Black", "u3")))) == {"u2": 0, "u3": 1}
    with pytest.raises(CoverageError, match=r"'Black' belongs to u1 and u3"):
        matched("f", file("//Black"), press, Wanted(inks=inks))


def test_one_side_for_all_units(press: Press) -> None:
    """With a side stated, the file's back goes to units at the front, and the other side is told as left aside."""
    pairs, notes = matched(
        "f", file("/front/Black", "/back/Black"), press, Wanted(pairs=(("Black", "u1"),), side="back")
    )
    assert [(unit.unit, one.data) for unit, one in pairs] == [("u1", 1)]
    assert notes == ["separation 'Black' of the front is left aside: --side back"]


def test_a_side_that_no_unit_prints(tmp_path: Path) -> None:
    """Without a unit at the back the back is left aside and told."""
    (tmp_path / "press.toml").write_text(PRESS, "utf-8")
    straight = load(tmp_path / "press.toml").press
    pairs, notes = matched("f", file("/front/Cyan", "/back/Cyan"), straight, Wanted(pairs=(("Cyan", "u2"),)))
    assert [one.data for _, one in pairs] == [0]
    assert notes == ["separation 'Cyan' of the back is left aside: no unit of the press prints that side"]
    with pytest.raises(CoverageError, match="no separation that is wanted"):
        matched("f", file("/back/Cyan"), straight, Wanted(pairs=(("Cyan", "u2"),)))


CASES: list[tuple[tuple[str, ...], Wanted, str]] = [
    (
        ("/front/Cyan", "/front/Cyan"),
        Wanted(inks=INKS),
        "'Cyan' of the front stands twice: expected one of each ink",
    ),
    (("/front/Cyan", "//Cyan"), Wanted(inks=INKS), "separation 'Cyan' stands twice"),
    (("/front/Cyan",), Wanted(inks=INKS), "no separation for u1 of the job: expected one for each unit"),
    (("/front/Cyan",), Wanted(), "belongs to no unit: expected --separation Cyan=UNIT"),
    (("/front/Cyan",), Wanted(pairs=(("Cyn", "u1"),)), "--separation: Cyn: expected a separation of f: Cyan"),
    (
        ("/front/Cyan",),
        Wanted(pairs=(("Cyan", "u9"),)),
        "--separation: Cyan=u9: expected a unit of press-test: u1, u2, u3",
    ),
    (("/front/Cyan",), Wanted(pairs=(("Cyan", "u1"), ("Cyan", "u2"))), "belongs to u1 and u2"),
    (("/front/Cyan",), Wanted(pairs=(("Cyan", "u3"),)), "belongs to no unit"),
    (
        ("/front/Cyan", "/front/X"),
        Wanted(pairs=(("Cyan", "u1"), ("X", "u1"))),
        "f: u1 for separation 'Cyan' of the front and",
    ),
    (
        ("/front/Cyan",),
        Wanted(inks=INKS, without=frozenset({"u7"})),
        "--without: u7: expected separations of f (Cyan) or units",
    ),
    (("a//Cyan", "b//Cyan"), Wanted(inks=INKS), "f: 2 sheets: expected --sheet with one of a, b"),
    (("a//Cyan", "b//Cyan"), Wanted(inks=INKS, sheet="c"), "--sheet: c: expected a sheet of f: a, b"),
]


@pytest.mark.parametrize(("words", "wanted", "told"), CASES)
def test_what_is_refused(press: Press, words: tuple[str, ...], wanted: Wanted, told: str) -> None:
    """A separation without a unit, a unit without a separation, and anything that stands twice are errors."""
    with pytest.raises(CoverageError) as refused:
        matched("f", file(*words), press, wanted)
    assert told in str(refused.value)


def test_left_aside_by_name(press: Press) -> None:
    """A separation and a unit of the job can be left aside; the separation is told. A sheet can be chosen."""
    found = file("a/front/Cyan", "a/front/Varnish", "b/front/Cyan")
    wanted = Wanted(inks=INKS, without=frozenset({"Varnish", "u1"}), sheet="a")
    pairs, notes = matched("f", found, press, wanted)
    assert [(unit.unit, one.data) for unit, one in pairs] == [("u2", 0)]
    assert notes == ["separation 'Varnish' of the front of sheet 'a' is left aside: --without"]
