"""Where the patches of the simulated strip lie."""

import json
from itertools import pairwise
from pathlib import Path

import pytest

from inksteward_simulators.link_messages import State, UnitState
from inksteward_simulators.scenario import load_scenario
from inksteward_simulators.strip_layout import CYCLE_PER_PITCH, cycle_layout, layout_of


def _unit(
    name: str, ink: str, zones: int = 32, pitch_mm: float = 32.5, first_edge_mm: float = 0.0
) -> UnitState:
    return UnitState(
        unit=name,
        ink=ink,
        side="front",
        zones=zones,
        pitch_mm=pitch_mm,
        first_edge_mm=first_edge_mm,
        blade="segmented",
        blade_id="b",
        travel_um=300.0,
        counts_per_travel=1000,
        sweep_pct=30.0,
        moving=False,
    )


FOUR = [_unit("u1", "K"), _unit("u2", "C"), _unit("u3", "M"), _unit("u4", "Y")]


def test_four_inks_on_a_one_metre_press() -> None:
    """Four inks on keys of 32.5 mm: patches of 4.8 mm, every ink's solid each 24.05 mm, none outside the keys."""
    patches = cycle_layout(FOUR)
    assert patches[0].width_mm == pytest.approx(4.81)
    for ink in "KCMY":
        solids = [patch.x_mm for patch in patches if patch.kind == "solid" and patch.inks == (ink,)]
        assert all(later - earlier == pytest.approx(24.05, abs=0.02) for earlier, later in pairwise(solids))
        zones = {int(x_mm / 32.5) for x_mm in solids}
        assert zones == set(range(32)), "every key has a solid of every ink"
    assert patches[0].x_mm - patches[0].width_mm / 2 >= 0.0
    assert patches[-1].x_mm + patches[-1].width_mm / 2 <= 32 * 32.5
    kinds = {patch.kind for patch in patches}
    assert kinds == {"solid", "paper", "tint", "overprint", "grey"}


def test_pitch_of_strip_and_keys_differ() -> None:
    """The strip's period is not the keys', so patches drift across the zones, as on a real colour bar."""
    assert CYCLE_PER_PITCH < 1.0
    places = {round(patch.x_mm % 32.5, 1) for patch in cycle_layout(FOUR) if patch.inks == ("C",)}
    assert len(places) > 5


@pytest.mark.parametrize("inks", ["K", "KC", "KCMYO"])
def test_other_numbers_of_inks(inks: str) -> None:
    """However many inks there are, patches stay as narrow as a strip's and every ink comes once a period."""
    units = [_unit(f"u{number}", ink, zones=10) for number, ink in enumerate(inks)]
    patches = cycle_layout(units)
    assert 3.0 <= patches[0].width_mm <= 5.5
    first = [patch.inks for patch in patches[: len(inks)]]
    assert first == [(ink,) for ink in inks]


def test_strip_starts_where_the_keys_do() -> None:
    """The strip begins at the edge of zone 1, wherever that lies."""
    patches = cycle_layout([_unit("u1", "K", first_edge_mm=-12.0)])
    assert patches[0].x_mm == pytest.approx(-12.0 + patches[0].width_mm / 2)


def _state(*units: UnitState) -> State:
    return State(
        press="p",
        run_id="r",
        sheet=0,
        printing=True,
        speed_sph=9000.0,
        time_factor=1.0,
        time_s=0.0,
        fountain_turning=True,
        good=None,
        contacts=0,
        units=units,
    )


def test_layout_by_name(tmp_path: Path) -> None:
    """A layout is the cycle, the scenario's strip, or what a file says."""
    assert layout_of("cycle", _state(*FOUR), "front", None) == cycle_layout(FOUR)
    assert layout_of("scenario", _state(), "front", "makeready") == load_scenario("makeready").strip("front")
    file = tmp_path / "strip.json"
    file.write_text(json.dumps([{"x_mm": 3.0, "kind": "paper", "tone_pct": 0.0}]))
    [patch] = layout_of(str(file), _state(), "front", None)
    assert (patch.x_mm, patch.kind, patch.inks) == (3.0, "paper", ())


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (None, "expected cycle, scenario or a readable JSON file"),
        ("[]", "at least 1 item"),
        ('[{"x_mm": 1, "kind": "stripe"}]', "0.kind = 'stripe'"),
        ("nonsense", "Invalid JSON"),
    ],
)
def test_layout_that_is_none(tmp_path: Path, text: str | None, words: str) -> None:
    """A layout that cannot be used is refused with what was expected."""
    file = tmp_path / "strip.json"
    if text is not None:
        file.write_text(text)
    with pytest.raises(ValueError) as caught:
        layout_of(str(file), _state(*FOUR), "front", None)
    assert words in str(caught.value)


@pytest.mark.parametrize(("name", "cycle_mm"), [("strip-wider", 36.0), ("strip-narrower", 14.0)])
def test_a_strip_of_its_own_pitch(name: str, cycle_mm: float) -> None:
    """Where the job says how long the strip's cycle is, each ink's solids come so far apart, patches touch and are at
    most 5.5 mm wide, and all of them lie on the sheet; the strip reader lays the same."""
    scenario = load_scenario(name)
    patches = layout_of("cycle", _state(*FOUR), "front", name)
    assert patches == cycle_layout(FOUR, scenario.job)
    places = [patch.x_mm for patch in patches if patch.inks == ("M",) and patch.kind == "solid"]
    assert {round(b - a, 1) for a, b in pairwise(places)} == {cycle_mm}
    width_mm = patches[0].width_mm
    assert width_mm <= 5.5
    assert all(b.x_mm - a.x_mm == pytest.approx(width_mm, abs=0.011) for a, b in pairwise(patches))
    left, right = scenario.job.left_edge_mm, scenario.job.left_edge_mm + scenario.job.sheet_width_mm
    assert patches[0].x_mm - width_mm / 2.0 >= left - 0.006
    assert patches[-1].x_mm + width_mm / 2.0 <= right + 0.006
    assert {patch.kind for patch in patches} == {"solid", "paper", "tint", "overprint", "grey"}


def test_side_that_is_not_printed() -> None:
    """A strip on a side without units is refused, and so is the scenario's strip without a scenario."""
    with pytest.raises(ValueError, match="expected at least one unit"):
        layout_of("cycle", _state(*FOUR), "back", None)
    with pytest.raises(ValueError, match="expected its name"):
        layout_of("scenario", _state(*FOUR), "front", None)
