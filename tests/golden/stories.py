"""The stories that the golden journals tell: one for everything that can come to the core, and drawn lives."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from typing import Any

from inksteward.bench.configuration import job
from inksteward.events import CommandEnded, CommandRefused, CommandReleased, Ended, InputDropped, LinkChanged
from inksteward.steward.codec import encode
from tests.golden.recording import Recorder
from tests.steward.desk import OPERATOR, TOO_DARK, two_units
from tests.steward.samples import position_of, valid_messages
from tests.steward.shop import BLACK, Shop
from tests.steward.test_input import NOT_JSON
from tests.steward.troubles import KINDS

Story = Callable[[Recorder], None]
Densities = dict[str, float | list[float]]
RIGHT: Densities = {"K": 1.6, "C": 1.4}
OTHER_BASIS = {"id": "strip-1", "kind": "strip", "status": "T", "polarised": True, "paper_relative": True}
LIVES = 48
ACTS = 24


def standing(desk: Recorder) -> dict[str, Any]:
    """Ready, with a proposal of unit u1."""
    desk.ready()
    return desk.propose()


def decided(**changes: Any) -> Story:
    """A decision on the standing proposal, and what the keys make of it."""

    def tell(desk: Recorder) -> None:
        proposal = standing(desk)
        if changes.get("leave") == "first":
            changes["leave"] = [proposal["moves"][0]["zone"]]
        if "to_pct" in changes:
            row = proposal["moves"][0]
            edit = [{"zone": row["zone"], "to_pct": changes["to_pct"]}]
            desk.decide(proposal, change=edit)
        else:
            desk.decide(proposal, **changes)
        if desk.moves:
            desk.carry_out()
        desk.run_to(desk.sheet + 60)
        desk.scan(RIGHT)

    return tell


def ended(how: str) -> Story:
    """An approved command that ends in some way."""

    def tell(desk: Recorder) -> None:
        desk.decide(standing(desk))
        number, unit = desk.moves[-1]["command_id"], desk.moves[-1]["unit"]
        refusal = {"rule": "min_gap", "zone": 1, "limit": 10.0, "value": 9.0, "text": "too near"}
        if how == "refused":
            desk.send(CommandRefused(number, unit, (refusal,)))
        elif how == "silence":
            desk.wait(60, alive=True)
        else:
            desk.send(CommandReleased(number, unit))
            desk.send(CommandEnded(number, unit, Ended(how), "cable"))
            desk.wait(60, tick_s=2.0, alive=True)
            desk.request("acknowledge", code="fate_unknown" if how != "not_sent" else "move_failed")

    return tell


def came(topic: str, raw: bytes) -> Story:
    """Something that cannot be read."""

    def tell(desk: Recorder) -> None:
        standing(desk)
        desk.receive(topic, raw)

    return tell


def without(topic: str, member: str) -> Story:
    """A message that lacks one member, then the same with another type."""

    def tell(desk: Recorder) -> None:
        standing(desk)
        data = valid_messages(desk)[topic]
        desk.receive(topic, {name: value for name, value in data.items() if name != member})
        desk.receive(topic, {**data, member: {"a": [1]}})

    return tell


def asked(kind: str, **members: Any) -> Story:
    """A request while a proposal stands, and a scan after it."""

    def tell(desk: Recorder) -> None:
        standing(desk)
        if kind == "ok_sheet":
            desk.run_to(desk.sheet + 60)
            members["scan_id"] = desk.scan(RIGHT)
        desk.request(kind, **members)
        desk.run_to(desk.sheet + 60)
        desk.scan(TOO_DARK)

    return tell


def scanned(density: Densities, **changes: Any) -> Story:
    """Three scans of the same densities."""

    def tell(desk: Recorder) -> None:
        desk.ready()
        for _ in range(3):
            desk.scan(density, **changes)
            desk.run_to(desk.sheet + 60)

    return tell


def reversed_strip(desk: Recorder) -> None:
    """Labels in their places, what was read the other way round."""
    desk.ready()
    data = desk.scan_data(TOO_DARK, "s-reversed")
    seen = [patch["density"] for patch in data["patches"]][::-1]
    data["patches"] = [{**row, "density": each} for row, each in zip(data["patches"], seen, strict=True)]
    desk.receive("scan", data)


def restarted(desk: Recorder) -> None:
    """The service ends while a proposal stands, and begins again."""
    proposal = standing(desk)
    desk.start(instance="two", snapshot=encode(desk.state), operators=(OPERATOR,))
    desk.positions()
    desk.decide(proposal)
    desk.run_to(desk.sheet + 60)
    desk.scan(TOO_DARK)


def stopped(desk: Recorder) -> None:
    """The press stands for two minutes and starts again."""
    standing(desk)
    desk.count(desk.sheet, printing=False, fountain_turning=False)
    desk.wait(120, tick_s=4.0)
    desk.run_to(desk.sheet + 120)
    desk.scan(TOO_DARK)


def second_run(desk: Recorder) -> None:
    """Another run of the same job while a proposal stands."""
    proposal = standing(desk)
    desk.receive("job", job(desk.scenario, "run-2"))
    desk.decide(proposal)


def lost_links(desk: Recorder) -> None:
    """Broker, keys and strip go and come."""
    standing(desk)
    for link in ("strip", "keys", "broker"):
        desk.send(LinkChanged(link, False, "cable"))
        desk.send(LinkChanged(link, True))
    desk.send(InputDropped("scan", 3, ("a" * 64,)))


def spring(desk: Recorder) -> None:
    """A unit with a spring blade."""
    desk.scenario = two_units(zones=8, blade="spring")
    desk.__post_init__()
    for unit in desk.scenario.units:
        desk.opening[unit.unit] = [30.0] * unit.zones
    desk.ready()
    black: list[float] = [1.85, 1.85, 1.6, 1.6, 1.6, 1.3, 1.3, 1.6]
    for _ in range(3):
        desk.scan({"K": black, "C": 1.4})
        standing_now = desk.state.units["u1"].standing
        if standing_now is not None:
            desk.decide(standing_now.payload)
            desk.carry_out()
        desk.run_to(desk.sheet + 60)


def late_position(desk: Recorder) -> None:
    """A copy of a position that comes late, then the next one."""
    proposal = standing(desk)
    desk.receive("keys/u1/position", position_of(desk, seq=1))
    desk.decide(proposal)
    desk.positions()
    desk.decide(proposal)


class Life(Shop):
    """A drawn life of the shop, with a desk that records."""

    def act(self, dice: random.Random) -> None:
        """One thing that happens."""
        pick = dice.randrange(10**6)
        acts: list[Callable[[], None]] = [
            lambda: self.prints(tens=1 + pick % 8),
            lambda: self.scans(
                black=BLACK[pick % 4], cyan=(1.1, 1.4, 1.55)[pick % 3], without=((), (2,))[pick % 2]
            ),
            lambda: self.decides(which=pick, edit=pick // 7),
            lambda: self.asks(pick=pick, aim=(1.3, 1.5, 1.6)[pick % 3]),
            lambda: dice.choice(KINDS)(self, pick),
            self.all_is_well_again,
        ]
        if self.stand():
            acts += [lambda: self.approves(pick=pick)] * 2
        if self.desk.moves:
            acts += [
                lambda: self.carries_out(off_pct=(0.0, 0.0, 2.0)[pick % 3], refused=None),
                lambda: self.news_of_a_command(which=pick % 3, what=pick % 5),
            ]
        dice.choice(acts)()


def life(seed: int) -> Story:
    """A life drawn from a seed."""

    def tell(desk: Recorder) -> None:
        standing(desk)
        shop, dice = Life(desk), random.Random(seed)
        for _ in range(ACTS):
            shop.act(dice)

    return tell


MEMBERS = {
    "job": ("job_id", "basis", "units"),
    "counter": ("run_id", "sheet", "printing"),
    "scan": ("scan_id", "sheet", "patches", "instrument"),
    "decision": ("proposal_id", "digest", "verdict", "operator"),
    "request": ("request_id", "kind"),
    "keys/u1/position": ("seq", "opening_pct", "moving"),
}
STORIES: dict[str, Story] = {
    "approved": decided(),
    "approved-in-part": decided(leave="first"),
    "approved-without-sweep": decided(leave_sweep=True),
    "rejected": decided(verdict="reject", reason="too early"),
    "edited": decided(to_pct=28.0),
    "edited-too-far": decided(to_pct=0.5),
    "wrong-digest": decided(digest="sha256:" + "0" * 64),
    "stranger": decided(operator="op-nobody"),
    **{f"command-{how}": ended(how) for how in ("refused", "silence", "done", "not_sent", "fate_unknown")},
    **{f"no-json-{name.replace(' ', '-')}": came("scan", raw) for name, raw in NOT_JSON.items()},
    **{
        f"{topic.replace('/', '-')}-without-{member}": without(topic, member)
        for topic, members in MEMBERS.items()
        for member in members
    },
    "unknown-topic": came("nonsense", json.dumps({"a": 1}).encode()),
    **{f"asked-{kind}": asked(kind) for kind in ("hold", "release", "opening", "ok_sheet")},
    **{
        f"event-{what}": asked("event", what=what)
        for what in ("wash", "ink", "paper", "water", "plate", "blade")
    },
    "asked-aims": asked("aims", unit="u1", aim=1.7),
    "asked-reading": asked("reading", unit="u1", zone=2, density=1.7),
    "asked-recall": asked("recall", job_id="harbour-calendar"),
    "scans-right": scanned(RIGHT),
    "scans-dark": scanned({"K": 1.9, "C": 1.7}),
    "scans-pale": scanned({"K": 1.1, "C": 0.9}),
    "scans-bare": scanned({"K": 0.03, "C": 0.03}),
    "scans-one-odd": scanned({"K": [1.6, 0.4, 1.6, 1.6], "C": 1.4}),
    "scans-no-sheet": scanned(RIGHT, sheet=None, pulled_at="2026-03-02T08:15:00.000Z"),
    "scans-other-basis": scanned(RIGHT, instrument=OTHER_BASIS),
    "strip-reversed": reversed_strip,
    "restarted": restarted,
    "stopped": stopped,
    "second-run": second_run,
    "lost-links": lost_links,
    "spring-blade": spring,
    "late-position": late_position,
    **{f"life-{seed:02d}": life(seed) for seed in range(1, LIVES + 1)},
}


def told_of(name: str) -> Recorder:
    """Tell a story; the desk with its record."""
    desk = Recorder()
    STORIES[name](desk)
    return desk
