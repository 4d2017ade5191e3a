"""Input over the wire: whatever comes, it is answered and recorded, and no key moves."""

import itertools
import json
from pathlib import Path
from typing import Any

import pytest

from inksteward.contract.base import MAX_PAYLOAD_BYTES
from inksteward.events import CommandReleased, InputDropped, Received
from tests.service.bench import decision, serving, set_up_shop, signed
from tests.service.floor import Floor
from tests.service.listener import feed, fence, probe, publish_all, standing

pytestmark = pytest.mark.broker
_numbers = itertools.count(1)

POSITION = {
    "unit": "u2",
    "seq": 1,
    "sheet": 0,
    "opening_pct": [40.0] * 32,
    "referenced": [True] * 32,
    "sweep_pct": 30.0,
    "moving": False,
    "blade_id": "slides-u2",
}
COUNTER = {"run_id": "run-1", "sheet": 10, "speed_sph": 9000.0, "printing": True}
HUGE = b'{"job_id":"' + b"x" * MAX_PAYLOAD_BYTES + b'"}'


def raw(data: Any) -> bytes:
    return json.dumps(data).encode()


BAD = {
    "not_json": ("decision", b"approve, please", "a JSON object in UTF-8"),
    "not_utf8": ("decision", b"\xff\xfe{}", "a JSON object in UTF-8"),
    "not_an_object": ("request", b"[1, 2]", "a JSON object"),
    "a_name_twice": ("job", b'{"job_id": "a", "job_id": "b"}', "a name that stands once in its object"),
    "wrong_type": ("counter", raw({**COUNTER, "sheet": "ten"}), "a whole number"),
    "not_a_number": ("counter", raw({**COUNTER, "speed_sph": float("nan")}), "a finite number"),
    "infinite": ("keys/u2/position", raw({**POSITION, "sweep_pct": float("inf")}), "a finite number"),
    "out_of_bounds": (
        "keys/u2/position",
        raw({**POSITION, "opening_pct": [140.0] * 32}),
        "percent of travel",
    ),
    "missing_members": ("scan", raw({"scan_id": "s-1"}), "a value"),
    "too_large": ("job", HUGE, "a JSON object in UTF-8"),
    "too_large_scan": ("scan", HUGE, "a JSON object in UTF-8"),
    "unknown_unit": ("keys/u9/position", raw({**POSITION, "unit": "u9"}), "one of the configured"),
    "another_unit": ("keys/u2/position", raw({**POSITION, "unit": "u1"}), "the unit named in the topic"),
    "empty": ("decision", b"", "a JSON object in UTF-8"),
}


@pytest.mark.parametrize("case", BAD)
async def test_bad_input_is_answered_and_recorded(mosquitto: str, tmp_path: Path, case: str) -> None:
    """What cannot be read or fails its schema is answered with id null, is in the record, and moves nothing."""
    topic, payload, expected = BAD[case]
    shop = set_up_shop(tmp_path, mosquitto, f"wire-{next(_numbers)}")
    async with probe(shop) as heard, serving(shop.options()):
        await heard.online()
        await heard.say(topic, payload)
        answer = await heard.next("answer")
        state = await heard.online()
    assert (answer["id"], answer["topic"], answer["accepted"]) == (None, topic, False)
    assert expected in answer["errors"][0]["expected"]
    assert state["state"] == "online"
    kept = [event.raw for event in shop.events(Received) if event.topic == topic]
    assert [len(each) for each in kept] == [
        len(payload) if len(payload) <= MAX_PAYLOAD_BYTES else len(kept[0])
    ]
    assert not shop.events(CommandReleased)


async def test_too_large_is_kept_as_size_hash_and_beginning(mosquitto: str, tmp_path: Path) -> None:
    """Of a payload over 256 KiB the record keeps size, SHA-256 and the first KiB, and the answer names the size."""
    import hashlib

    shop = set_up_shop(tmp_path, mosquitto, f"wire-{next(_numbers)}")
    async with probe(shop) as heard, serving(shop.options()):
        await heard.online()
        await heard.say("job", HUGE)
        answer = await heard.next("answer")
    assert f"{len(HUGE)} bytes" in answer["errors"][0]["value"]
    (kept,) = [event.raw for event in shop.events(Received) if event.topic == "job"]
    assert hashlib.sha256(HUGE).hexdigest().encode() in kept
    assert kept.endswith(HUGE[:1024])
    assert len(kept) < 1300


async def test_topics_outside_the_contract_are_not_read(mosquitto: str, tmp_path: Path) -> None:
    """A message under a topic that the contract does not give to the service is neither read nor recorded."""
    shop = set_up_shop(tmp_path, mosquitto, f"wire-{next(_numbers)}")
    async with probe(shop) as heard, serving(shop.options()):
        await heard.online()
        await heard.say("override", b'{"min_gap_um": 0}')
        await heard.say("keys/u2/command", b'{"command_id": "c-1"}')
        await fence(heard)
    topics = {event.topic for event in shop.events(Received)}
    assert topics.isdisjoint({"override", "keys/u2/command"})


WRONG: dict[str, tuple[dict[str, Any], bool]] = {
    "digest": ({"digest": "sha256:" + "0" * 64}, True),
    "operator": ({"operator": "op-nobody"}, True),
    "proposal": ({"proposal_id": "p-unknown"}, False),
    "target": ({"change": [{"zone": 1, "to_pct": 100.0}]}, True),
}


async def test_wrong_decisions_leave_the_proposal_standing(mosquitto: str, tmp_path: Path) -> None:
    """A decision with a wrong digest, operator, edit or signature moves nothing; the right one is accepted then."""
    shop = set_up_shop(tmp_path, mosquitto, f"wire-{next(_numbers)}")
    floor = Floor(shop.scenario)
    async with probe(shop) as heard, serving(shop.options()):
        await heard.online()
        proposal = await standing(heard, floor)
        wrong = {
            name: (decision(proposal, f"d-{name}", **changes), stands)
            for name, (changes, stands) in WRONG.items()
        }
        unsigned = {**decision(proposal, "d-unsigned"), "signature": None}
        forged = {**decision(proposal, "d-forged"), "reason": "added later"}
        wrong |= {"unsigned": (unsigned, True), "forged": (forged, True)}
        for name, (payload, stands) in wrong.items():
            await heard.say("decision", payload)
            answer = await heard.answer(f"d-{name}")
            assert (name, answer["accepted"], answer["stands"]) == (name, False, stands)
        assert not shop.events(CommandReleased)
        await feed(heard, floor, 1)
        await heard.say("decision", decision(proposal, "d-right"))
        await heard.next(f"keys/{proposal['unit']}/command")
    assert len(shop.events(CommandReleased)) == 1


async def test_the_same_decision_twice_moves_once(mosquitto: str, tmp_path: Path) -> None:
    """A decision that arrives twice is answered twice and moves keys once."""
    shop = set_up_shop(tmp_path, mosquitto, f"wire-{next(_numbers)}")
    floor = Floor(shop.scenario)
    async with probe(shop) as heard, serving(shop.options()):
        await heard.online()
        proposal = await standing(heard, floor)
        for _ in range(2):
            await heard.say("decision", decision(proposal))
        answers = await heard.until(
            lambda: len(found := [a for a in heard.all("answer") if a["id"] == "d-1"]) == 2 and found
        )
        await heard.next(f"keys/{proposal['unit']}/command")
    assert [answer["accepted"] for answer in answers] == [True, True]
    assert len(heard.all(f"keys/{proposal['unit']}/command")) == len(shop.events(CommandReleased)) == 1


async def test_a_hold_by_request_is_answered_and_shown(mosquitto: str, tmp_path: Path) -> None:
    """A signed request for a hold, which comes over the persistent session, is accepted and shows in the status."""
    shop = set_up_shop(tmp_path, mosquitto, f"wire-{next(_numbers)}")
    async with probe(shop) as heard, serving(shop.options()):
        await heard.online()
        await heard.say("request", signed({"request_id": "r-1", "kind": "hold", "operator": "op-anna"}))
        await heard.until(lambda: any(s["state"] == "holding" for s in heard.all("status")))
        answer = await heard.answer("r-1")
    assert answer["accepted"]


async def test_a_flood_is_cut_off_and_told(mosquitto: str, tmp_path: Path) -> None:
    """Of a flood under one topic only a bounded number reaches the core; the rest is counted in the record with an
    alarm, and other input is still dealt with.
    """
    shop = set_up_shop(tmp_path, mosquitto, f"wire-{next(_numbers)}")
    floor = Floor(shop.scenario)
    async with probe(shop) as heard, serving(shop.options()):
        await heard.online()
        await publish_all(heard, floor)
        for number in range(600):
            await heard.say("counter", raw({**COUNTER, "sheet": number}), qos=0)
        await fence(heard, beside="job")
        alarms = await heard.until(
            lambda: any(
                alarm["code"] == "input_dropped" for each in heard.all("alarm") for alarm in each["alarms"]
            )
        )
    assert alarms
    taken = sum(1 for event in shop.events(Received) if event.topic == "counter")
    dropped = sum(event.count for event in shop.events(InputDropped))
    assert taken + dropped == 600 + 2  # the floor's own one, and the word that the first fence waited for
    assert taken < 300
