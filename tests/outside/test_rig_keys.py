"""The rig's key side with each of its refusals, and the decisions of its operator side."""

from __future__ import annotations

from typing import Any

import pytest
from joserfc.errors import BadSignatureError
from joserfc.jwk import OKPKey

from tests.outside.rig_decide import BLUNDERS, blunder, change_one, decision_for, expected_targets, leave_one
from tests.outside.rig_json import Json, now_text
from tests.outside.rig_keys import KeyBank
from tests.outside.rig_sign import Signer, opened


def command(**change: Any) -> Json:
    targets = [{"zone": 1, "from_pct": 30.0, "to_pct": 31.0}, {"zone": 3, "from_pct": 40.0, "to_pct": 38.5}]
    plain: Json = {"command_id": "c-1", "proposal_id": "p-1", "unit": "u1", "targets": targets}
    return plain | {"from_tol_pct": 0.5, "sweep_pct": None, "issued_at": now_text(), "valid_s": 10} | change


def bank() -> KeyBank:
    return KeyBank("u1", [30.0, 35.0, 40.0], sweep=20.0, speed_pct_s=10.0)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"unit": "u2"}, "malformed: command_id or unit"),
        ({"command_id": None}, "malformed: command_id or unit"),
        ({"valid_s": 0}, "malformed: from_tol_pct or valid_s"),
        ({"from_tol_pct": None}, "malformed: from_tol_pct or valid_s"),
        ({"targets": None}, "malformed: targets"),
        ({"sweep_pct": 101}, "malformed: sweep_pct"),
        ({"targets": [{"zone": 4, "from_pct": 30.0, "to_pct": 31.0}]}, "malformed: zone 4"),
        ({"targets": [{"zone": 0, "from_pct": 30.0, "to_pct": 31.0}]}, "malformed: zone 0"),
        ({"targets": [{"zone": 1, "from_pct": 30.0, "to_pct": 31.0}] * 2}, "malformed: zone 1"),
        ({"targets": [{"zone": 1, "from_pct": 30.0, "to_pct": 100.1}]}, "malformed: opening of zone 1"),
    ],
)
def test_the_key_side_refuses_what_it_cannot_carry_out(change: Json, reason: str) -> None:
    """A command that does not fit this bank is refused as a whole, and no key moves."""
    keys = bank()
    assert keys.take(command(**change), retained=False) == reason
    assert not keys.advance(10.0)
    assert keys.opening == [30.0, 35.0, 40.0]
    assert keys.position(7)["refused"] == reason


def test_the_key_side_refuses_a_retained_command() -> None:
    """A command that arrived retained moves nothing, however right it is otherwise."""
    keys = bank()
    assert keys.take(command(), retained=True) == "retained"
    assert not keys.moving
    assert keys.position(1)["command_id"] == "c-1"


@pytest.mark.parametrize(
    ("offset", "taken"), [(0.4, True), (0.5, True), (0.6, False), (-0.5, True), (-0.6, False)]
)
def test_one_opening_off_by_more_than_the_tolerance_refuses_the_whole(offset: float, taken: bool) -> None:
    """At the tolerance a command is taken, one step of the read-back beyond it nothing of it moves."""
    keys = bank()
    keys.opening[2] = 40.0 + offset
    reason = keys.take(command(), retained=False)
    assert (reason is None) is taken
    keys.advance(10.0)
    assert keys.opening[0] == (31.0 if taken else 30.0)


@pytest.mark.parametrize(("age_s", "reason"), [(9.999, None), (10.0, None), (10.001, "too_old")])
def test_a_command_is_taken_within_its_validity_only(age_s: float, reason: str | None) -> None:
    """Age since arrival up to valid_s is taken, beyond it refused."""
    assert bank().take(command(), retained=False, age_s=age_s) == reason


def test_a_command_id_is_executed_once() -> None:
    """A copy of a command is refused while it runs and after it, and the keys end where it sent them."""
    keys = bank()
    assert keys.take(command(), retained=False) is None
    assert keys.take(command(), retained=False) == "already_executed"
    assert keys.position(1)["refused"] is None
    assert keys.take(command(command_id="c-2"), retained=False) == "moving"
    while not keys.advance(0.05):
        assert keys.position(1)["moving"] is True
    assert keys.openings() == [31.0, 35.0, 38.5]
    assert keys.position(1)["command_id"] == "c-1"
    back = [{"zone": 1, "from_pct": 31.0, "to_pct": 30.0}]
    assert keys.take(command(targets=back), retained=False) == "already_executed"


def test_keys_and_sweep_move_at_a_finite_speed() -> None:
    """A move takes distance over speed, and the read-back shows steps of 0.1 % on the way."""
    keys = bank()
    keys.take(command(sweep_pct=22.0), retained=False)
    assert not keys.advance(0.123)
    assert keys.openings() == [31.0, 35.0, 38.8]
    assert keys.opening[2] == pytest.approx(38.77)
    assert not keys.advance(0.05)
    assert keys.advance(0.03)
    assert keys.sweep == 22.0


def proposal(**change: Any) -> Json:
    moves = [
        {"zone": 2, "from_pct": 40.0, "to_pct": 42.0, "to_pct_if_sweep_left": 43.5},
        {"zone": 5, "from_pct": 30.0, "to_pct": 29.0, "to_pct_if_sweep_left": None},
    ]
    sweep = {"from_pct": 30.0, "to_pct": 31.0, "why": "all low"}
    return {"proposal_id": "p-1", "digest": "sha256:" + "a" * 64, "moves": moves, "sweep": sweep} | change


@pytest.mark.parametrize(
    ("edits", "targets", "sweep"),
    [
        ({}, {2: 42.0, 5: 29.0}, 31.0),
        ({"leave": [5]}, {2: 42.0}, 31.0),
        ({"change": [{"zone": 2, "to_pct": 41.4}]}, {2: 41.4, 5: 29.0}, 31.0),
        ({"leave_sweep": True}, {2: 43.5}, None),
    ],
)
def test_edits_lead_to_the_targets_the_contract_says(
    edits: Json, targets: dict[int, float], sweep: float | None
) -> None:
    """leave drops a move, change alters it, leave_sweep takes the other target and drops rows without one."""
    assert expected_targets(proposal(), decision_for(proposal(), "op-anna", **edits)) == (targets, sweep)
    assert expected_targets(proposal(), decision_for(proposal(), "op-anna", "reject")) == ({}, None)


def test_every_blunder_differs_from_a_sound_decision_in_what_it_is_named_for() -> None:
    """Each spoiled decision fails verification by exactly its own fault."""
    signer = Signer(OKPKey.generate_key("Ed25519"), "anna-1")
    made = {kind: blunder(kind, proposal(), "op-anna", signer) or {} for kind in BLUNDERS}
    with pytest.raises(BadSignatureError):
        opened(made["forged_signature"]["signature"], signer.key)
    assert made["altered_digest"]["digest"] != proposal()["digest"]
    assert made["unknown_operator"]["operator"] != "op-anna"
    assert opened(made["outer_fields_differ"]["signature"], signer.key)[1]["verdict"] == "reject"
    assert set(opened(made["more_in_header"]["signature"], signer.key)[0]) == {"alg", "kid", "typ"}
    assert "signature" not in made["no_signature"]
    assert blunder("no_signature", proposal(), "op-anna", None) is None


def test_edits_are_offered_only_where_a_proposal_has_room_for_them() -> None:
    """One move alone is not left out, and a move too small is not changed."""
    small = proposal(moves=[{"zone": 2, "from_pct": 40.0, "to_pct": 40.2}])
    assert leave_one(small) is None
    assert change_one(small) is None
    assert leave_one(proposal()) == {"leave": [5]}
    assert change_one(proposal()) == {"change": [{"zone": 2, "to_pct": 41.4}]}
