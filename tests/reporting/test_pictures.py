"""Shapes, hatching and words of a report."""

from __future__ import annotations

import pytest

from inksteward.reporting.markup import Markup, table, tag
from inksteward.reporting.plan import STATES, hatch, mark, sheet_plan, state_of
from inksteward.reporting.story import Ink
from inksteward.reporting.wording import percent
from tests.reporting.test_figures import sheet


@pytest.mark.parametrize(
    ("density", "state"),
    [
        (1.4, "right"),
        (1.46, "above"),
        (1.34, "below"),
        (1.51, "far_above"),
        (1.29, "far_below"),
        (None, "unread"),
    ],
)
def test_shapes_say_where_a_zone_lies(density: float | None, state: str) -> None:
    """By tolerance and twice the tolerance; each state has a shape of its own."""
    assert state_of(sheet(1, density), 0) == state
    shapes = {str(mark(each, 0.0, 0.0)) for each in STATES}
    assert len(shapes) == len(STATES)


def test_hatching_grows_denser() -> None:
    """95, 80 and 50 % are where it changes; what was never read is blank and says a dash."""
    fills = [hatch(pct) for pct in (100.0, 95.0, 94.9, 80.0, 79.9, 50.0, 49.9, 0.0)]
    assert fills == ["none"] * 2 + ["url(#dots)"] * 2 + ["url(#lines)"] * 2 + ["url(#cross)"] * 2
    assert hatch(None) == "none"
    assert [percent(value) for value in (None, 100.0, 99.9, 0.2, 0.0)] == ["–", "100 %", "99 %", "1 %", "0 %"]


def test_presses_of_96_zones_fit() -> None:
    """As many zones as there can be are drawn, and numbered as far as there is room."""
    ink = Ink("u1", "spot-7", [sheet(1, *([1.4] * 96))])
    drawn = sheet_plan("many", "Many", [(ink, ink.sheets[0])])
    assert drawn.count("<circle") == 96 + 1
    assert ">93<" in drawn
    assert ">94<" not in drawn
    assert "spot-7" in drawn


def test_words_never_become_markup() -> None:
    """Texts and attributes are escaped; a table without rows is a sentence."""
    assert tag("p", "<i>&", title='"<') == '<p title="&quot;&lt;">&lt;i&gt;&amp;</p>'
    assert tag("p", Markup("<b>x</b>")) == "<p><b>x</b></p>"
    assert table("Alarms", ("when",), []) == '<p class="none"><b>Alarms</b>: none.</p>'
