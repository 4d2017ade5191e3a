"""Executed moves are watched: zones that do not answer, and zones that are turned round again and again."""

from __future__ import annotations

from dataclasses import replace
from math import exp
from typing import Any

import pytest

from inksteward.control.film import density, film
from inksteward.control.plant import plant
from inksteward.steward.situations import reversals
from inksteward.steward.state import Trial
from inksteward.steward.watching import add_trials, under_new_sweep, watch_answers
from tests.steward.desk import Desk
from tests.steward.samples import proposed_after, ready_desk


def note_codes(desk: Desk) -> list[str]:
    """Codes of the notes of the last reading."""
    return [note["code"] for note in desk.told("reading")[-1]["notes"]]


def black(desk: Desk) -> dict[str, Any]:
    """The last reading of u1."""
    return dict(desk.told("reading")[-1]["units"]["u1"])


def moved_once(desk: Desk) -> int:
    """A proposal approved and carried out; the sheet at which it was."""
    desk.decide(desk.propose())
    desk.carry_out()
    return desk.sheet


def test_executed_moves_are_watched() -> None:
    """From read-back on every moved zone is under observation: film before and the film it should settle at."""
    desk = ready_desk()
    moved_once(desk)
    trials = {trial.zone: trial for trial in desk.state.units["u1"].trials}
    rows = {row["zone"] - 1: row for row in desk.outcomes()[-1]["moved"]}
    assert set(trials) == set(rows)
    for zone, trial in trials.items():
        closes = rows[zone]["to_pct"] < rows[zone]["from_pct"]
        assert (trial.settled_after < trial.settled_before) is closes or abs(
            rows[zone]["to_pct"] - rows[zone]["from_pct"]
        ) < 3.0
        assert trial.sheet == desk.sheet


def test_a_moved_sweep_does_not_end_the_watch() -> None:
    """What is watched goes on being watched when the sweep moves: what is expected of it goes with the sweep, and it is
    not judged before one more lag."""
    desk = ready_desk()
    state, config = desk.state.units["u1"], desk.state.config
    assert config is not None
    estimate = state.estimate
    assert estimate is not None
    unit = config.press.units[0]
    state = replace(state, trials=(Trial(0, 100.0, 1.0, 0.8), Trial(2, 295.0, 0.9, 1.1)))
    model = plant(unit, state.coverage, 22.0)
    lag = float(model.tau_sheets[0]) * exp(estimate.ln_lag)
    first, second = under_new_sweep(unit, state, 20.0, 300.0)
    factor = (22.0 / 20.0) ** float(model.sigma[0])
    assert 1.0 < factor < 1.1
    assert (first.settled_before, first.settled_after) == pytest.approx((factor, 0.8 * factor), rel=1e-9)
    assert first.sheet == pytest.approx(300.0 - lag, rel=1e-9)
    assert second.sheet == 295.0
    assert under_new_sweep(unit, state, 22.0, 300.0)[1].settled_after == pytest.approx(1.1, rel=1e-12)


def test_moves_beside_one_of_the_sweep_are_not_watched() -> None:
    """A sweep that moves along blurs what single keys did: those are not watched."""
    desk = ready_desk()
    desk.decide(proposed_after(desk, {"K": 1.15, "C": 1.4}, lambda proposal: proposal["sweep"] is not None))
    desk.carry_out()
    assert desk.outcomes()[-1]["result"] == "moved"
    assert desk.state.units["u1"].trials == ()


def test_a_zone_moved_on_is_watched_from_its_first_move() -> None:
    """A zone that is moved again the same way goes on being watched from its first move, else a dead key that is moved
    at every scan would never be judged; one that is moved back is watched anew."""
    state = ready_desk().state.units["u1"]
    state = replace(state, trials=add_trials(state, ((0, 1.0, 0.8), (1, 1.0, 0.9), (2, 1.0, 0.9)), 100.0))
    assert add_trials(state, ((1, 0.9, 1.1), (2, 0.9, 0.8), (3, 1.0, 1.2)), 200.0) == (
        Trial(0, 100.0, 1.0, 0.8),
        Trial(1, 200.0, 0.9, 1.1),
        Trial(2, 100.0, 1.0, 0.9),
        Trial(3, 200.0, 1.0, 1.2),
    )


def judged(
    share: float, *, gone_lags: float = 2.0, expected_d: float = 0.2, silent: int = 0
) -> tuple[int, int]:
    """Times in a row that zone 1 did not answer, and moves still open, once its film did so much of what it should."""
    desk = ready_desk()
    state, config = desk.state.units["u1"], desk.state.config
    assert state.estimate is not None
    assert state.ink is not None
    assert config is not None
    unit = config.press.units[0]
    assert state.position is not None
    model = plant(unit, state.coverage, state.position.sweep_pct)
    lag = float(model.tau_sheets[0])
    mean = state.estimate.mean.copy()
    mean[2 * unit.zones] = 0.0
    before, after = film(1.5, state.ink)[0], film(1.5 + expected_d, state.ink)[0]
    mean[0] = film(1.5 + share * (density(after, state.ink) - 1.5), state.ink)[0]
    state = replace(
        state,
        estimate=replace(state.estimate, mean=mean),
        trials=(Trial(0, 100.0, before, after),),
        silent=(silent, 0, 0, 0),
    )
    sheet = 100.0 + model.delay_sheets + gone_lags * lag
    found = watch_answers(unit, state, int(sheet + 0.999999))
    return found.silent[0], len(found.trials)


@pytest.mark.parametrize(
    ("share", "silent"), [(0.31, 0), (0.30001, 0), (0.29999, 1), (0.0, 1), (-0.5, 1), (1.0, 0)]
)
def test_less_than_three_tenths_of_the_change_is_no_answer(share: float, silent: int) -> None:
    """A zone that did less than 30 % of what it should have done after two lags did not answer."""
    assert judged(share) == (silent, 0)
    assert judged(share, silent=1) == (2 if silent else 0, 0)


def test_a_move_is_judged_after_two_lags() -> None:
    """Until transport and two lags have passed a move stays under observation."""
    assert judged(0.0, gone_lags=1.9) == (0, 1)
    assert judged(0.0, gone_lags=2.0) == (1, 0)


@pytest.mark.parametrize(("expected_d", "silent"), [(0.041, 1), (0.039, 0), (-0.041, 1), (-0.039, 0)])
def test_small_moves_prove_nothing(expected_d: float, silent: int) -> None:
    """A move that should have changed the density by less than 0.04 D says nothing either way."""
    assert judged(0.0, expected_d=expected_d) == (silent, 0)


def test_every_move_is_judged_by_its_own_zone() -> None:
    """Of several moves each is judged by its own zone: those that are due leave the watch, the others stay."""
    desk = ready_desk()
    state, config = desk.state.units["u1"], desk.state.config
    assert state.estimate is not None
    assert state.ink is not None
    assert config is not None
    now = [float(value) for value in state.estimate.film_um]
    state = replace(
        state,
        trials=(
            Trial(0, 100_000.0, now[0], now[0] * 2.0),
            Trial(1, 100.0, now[1], now[1] * 1.0001),
            Trial(2, 100.0, now[2], now[2] * 0.5),
            Trial(3, 100.0, now[3] * 0.5, now[3]),
        ),
        silent=(0, 1, 1, 1),
    )
    found = watch_answers(config.press.units[0], state, 90_000)
    assert [trial.zone for trial in found.trials] == [0]
    assert found.silent == (0, 1, 2, 0)


def test_nothing_is_judged_without_a_film_model() -> None:
    """Without film model or without moves there is nothing to judge."""
    desk = ready_desk()
    config = desk.state.config
    assert config is not None
    state = desk.state.units["u1"]
    assert watch_answers(config.press.units[0], state, 500) is state
    blind = replace(state, estimate=None, trials=(Trial(0, 1.0, 1.0, 2.0),))
    assert watch_answers(config.press.units[0], blind, 500) is blind


def with_silent(desk: Desk, *counts: int) -> Desk:
    """A desk on which zones of u1 did not answer so many times in a row."""
    state = replace(desk.state.units["u1"], silent=counts)
    desk.state = replace(desk.state, units={**desk.state.units, "u1": state})
    return desk


def test_a_zone_that_does_not_answer_twice_is_flagged_and_left_alone() -> None:
    """After two moves without an answer a key is not moved any more and a note says so; one without is tried on."""
    for counts, left in (((1, 0, 0, 0), False), ((2, 0, 0, 0), True)):
        desk = ready_desk()
        proposal = with_silent(desk, *counts).propose()
        assert (1 in {row["zone"] for row in proposal["moves"]}) is not left
        assert ("not_a_key_fault" in {row["code"] for row in proposal["left"] if row["zone"] == 1}) is left
        notes = {note["code"]: note["zones"] for note in proposal["notes"]}
        assert notes.get("zone_does_not_answer") == ([1] if left else None)


def test_when_only_a_silent_zone_is_out_that_is_the_reason() -> None:
    """Where the only zone out of tolerance does not answer its key, nothing is proposed and the reading says why."""
    desk = with_silent(ready_desk(), 2, 0, 0, 0)
    for _ in range(5):
        desk.scan({"K": [1.85, 1.6, 1.6, 1.6], "C": 1.4})
        desk.run_to(desk.sheet + 60)
    assert (black(desk)["proposal_id"], black(desk)["no_proposal"]) == (None, "not_a_key_fault")
    assert "zone_does_not_answer" in note_codes(desk)


def test_an_event_lets_a_silent_zone_be_tried_again() -> None:
    """After somebody has seen to the key and said so, the zone is no longer left alone."""
    desk = with_silent(ready_desk(), 2, 0, 0, 0)
    assert desk.request("event", what="blade", unit="u1")["accepted"]
    assert desk.state.units["u1"].silent == (0, 0, 0, 0)
    assert 1 in {row["zone"] for row in desk.propose()["moves"]}


@pytest.mark.parametrize(("turns", "count"), [
    ((), 0), ((1,), 0), ((1, -1), 1), ((1, -1, 1), 2), ((1, -1, 1, -1), 3), ((1, -1, -1, 1), 2),
    ((1, -1, 1, 1, 1, 1), 0), ((-1, 1, 1, 1, -1), 1),
])  # fmt: skip
def test_how_often_a_zone_turned_round(turns: tuple[int, ...], count: int) -> None:
    """Reversals are counted over the last four executed moves."""
    assert reversals(turns) == count


def test_two_reversals_in_four_moves_halve_the_correction() -> None:
    """A zone that was turned round twice in four moves gets half the correction, with a note."""
    corrections = []
    for turns in (((1, -1),), ((1, -1, 1),)):
        desk = ready_desk()
        state = replace(desk.state.units["u1"], turns=turns + ((),) * 3)
        desk.state = replace(desk.state, units={**desk.state.units, "u1": state})
        dark: dict[str, float | list[float]] = {"K": [1.75, 1.6, 1.6, 1.6], "C": 1.4}
        proposal = proposed_after(desk, dark, lambda made: 1 in {row["zone"] for row in made["moves"]})
        row = next(row for row in proposal["moves"] if row["zone"] == 1)
        corrections.append(row["from_pct"] - row["to_pct"])
        halved = {note["code"]: note["zones"] for note in proposal["notes"]}.get("gain_halved")
        assert halved == (None if len(corrections) == 1 else [1])
    assert corrections[1] == pytest.approx(corrections[0] / 2, abs=0.6)


def test_turns_are_those_of_executed_moves() -> None:
    """Every executed move adds its direction to its zone, the last six are kept."""
    desk = ready_desk()
    moved_once(desk)
    turns = desk.state.units["u1"].turns
    for row in desk.outcomes()[-1]["moved"]:
        assert turns[row["zone"] - 1] == ((1,) if row["to_pct"] > row["from_pct"] else (-1,))
