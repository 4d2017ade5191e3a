"""No way leads to a key bank's write but the guard's: real banks over whole stories, and the source read for calls."""

import ast
import itertools
import json
import os
from pathlib import Path
from typing import Any

import pytest

from inksteward.events import CommandReleased
from inksteward.ports import Released, Target
from inksteward.service.app import Service
from inksteward_drivers import reconnect
from inksteward_simulators import line_peer, strip_wires
from tests.service.bench import Shop, decision, serving, set_up_shop
from tests.service.callers import Callers, watched
from tests.service.floor import Floor
from tests.service.listener import Probe, feed, fence, probe, standing
from tests.service.serial_press import SerialPress, serial_press

ROOT = Path(__file__).resolve().parents[2]
UNIT = "u2"
_numbers = itertools.count(1)


def name() -> str:
    return f"callers-{os.getpid()}-{next(_numbers)}"


@pytest.fixture
def callers(monkeypatch: pytest.MonkeyPatch) -> Callers:
    """What leaves for a key bank in this test."""
    monkeypatch.setattr(line_peer, "ANSWER_S", 0.3)
    monkeypatch.setattr(strip_wires, "TRY_AGAIN_S", 0.3)
    monkeypatch.setattr(reconnect, "LONGEST_WAIT_S", 1.0)
    return watched(monkeypatch)


def released_by_nobody() -> Released:
    """What only the guard may make."""
    plain: dict[str, Any] = {
        "command_id": "c-planted",
        "proposal_id": "p-planted",
        "unit": UNIT,
        "from_tol_pct": 0.5,
    }
    rest: dict[str, Any] = {"sweep_pct": None, "issued_at": "2026-03-02T08:15:30.000Z", "valid_s": 5}
    payload = json.dumps({**plain, **rest, "targets": [{"zone": 1, "from_pct": 30.0, "to_pct": 31.0}]})
    return Released(**plain, **rest, targets=(Target(1, 30.0, 31.0),), payload=payload.encode())


async def planted(callers: Callers, service: Service) -> None:
    """Somebody hands a command to the bank past the guard: it is found. Without it everything was right."""
    callers.check()
    await service.drivers.banks[UNIT].move(released_by_nobody())
    with pytest.raises(AssertionError, match="c-planted left without the guard"):
        callers.check()


def released(shop: Shop) -> list[str]:
    return [event.command_id for event in shop.events(CommandReleased)]


async def line_story(press: SerialPress) -> dict[str, Any]:
    """A proposal, a forged approval, a right one, keys that move; then hands, and the approval once more."""
    proposal = await press.proposal()
    await press.print_on(1)
    forged = {**decision(proposal, "d-forged"), "reason": "added later"}
    for number, payload in (("d-forged", forged), ("d-1", decision(proposal))):
        await press.heard.say("decision", payload)
        await press.heard.answer(number)
    while not press.heard.all("outcome"):
        await press.print_on(30)
    assert (await press.outcome(proposal))["result"] == "moved"
    at_pct = float(press.floor.press.unit(UNIT).keys.opening_pct()[0])
    press.floor.press.drive(UNIT, {1: round(at_pct + 3.0, 3)}, None)
    await press.print_on(60)
    await press.scan()
    await press.heard.say("decision", decision(proposal, "d-again"))
    await press.heard.answer("d-again")
    return proposal


@pytest.mark.broker
async def test_every_move_frame_is_the_guards(mosquitto: str, tmp_path: Path, callers: Callers) -> None:
    """Over a serial line, through scans, forged and right decisions, a move, hands on the keys and a restart, every
    move frame is written from within the guard's release and every other frame asks where the keys are; what is
    handed to the bank by anybody else is found.
    """
    press_id = name()
    async with serial_press(tmp_path, mosquitto, press_id) as first:
        proposal = await line_story(first)
    async with serial_press(tmp_path, mosquitto, press_id) as second:
        await second.print_on(60)
        for number in ("d-1", "d-restarted"):
            await second.heard.say("decision", decision(proposal, number))
            await second.heard.answer(number)
        commands = callers.commands()
        await planted(callers, second.service)
    assert commands == released(second.shop)
    assert len(commands) == 1
    assert {one.what for one in callers.sent if one.place == "line"} == {"read", "move"}


async def another(heard: Probe, floor: Floor) -> dict[str, Any]:
    """A proposal in a run that goes on, after the ink has run thicker."""
    floor.press.unit(UNIT).disturbance.feed(0.3)
    for number in range(20, 26):
        await feed(heard, floor)
        await heard.say("scan", floor.scanned(f"s-{number}"))
        await heard.answer(f"s-{number}")
        await fence(heard)
        shown = [raw for topic, raw, retained in heard.heard if topic == f"proposal/{UNIT}" and not retained]
        if shown[-1]:
            return dict(json.loads(shown[-1]))
    raise AssertionError("no proposal after six scans")


async def broker_story(heard: Probe, floor: Floor, proposal: dict[str, Any], life: int) -> None:
    """As over a line; the cabinet listens at the broker."""
    await feed(heard, floor, 1)
    await heard.say("decision", {**decision(proposal, f"d-forged-{life}"), "reason": "added later"})
    await heard.say("decision", decision(proposal, f"d-{life}"))
    command = await heard.next(f"keys/{UNIT}/command", life)
    targets = {row["zone"]: row["to_pct"] for row in command["targets"]}
    floor.press.drive(UNIT, targets, command["sweep_pct"])
    floor.press.step(100)
    floor.position(UNIT)
    position = {**json.loads(floor.said.pop()[1]), "command_id": command["command_id"]}
    await heard.say(f"keys/{UNIT}/position", position, retain=True)
    outcome = await heard.next("outcome", life)
    assert outcome["result"] == "moved"
    floor.press.drive(UNIT, {1: round(position["opening_pct"][0] + 3.0, 3)}, None)
    await feed(heard, floor)
    await heard.say("decision", decision(proposal, f"d-again-{life}"))
    await fence(heard)


@pytest.mark.broker
async def test_every_key_command_is_the_guards(mosquitto: str, tmp_path: Path, callers: Callers) -> None:
    """The same at the broker, with a move before the restart and one after it: every key command is published from
    within the guard's release, and nothing else but what the contract has the service say.
    """
    shop = set_up_shop(tmp_path, mosquitto, name())
    floor = Floor(shop.scenario)
    async with probe(shop) as heard:
        async with serving(shop.options()):
            await heard.online()
            await broker_story(heard, floor, await standing(heard, floor), 1)
        async with serving(shop.options()) as service:
            await heard.online(2)
            await broker_story(heard, floor, await another(heard, floor), 2)
            commands = callers.commands()
            await planted(callers, service)
    assert commands == released(shop)
    assert len(commands) == 2


def trees(root: Path) -> dict[str, ast.Module]:
    """Every source file of the service and the drivers."""
    paths = [path for room in ("daemon", "drivers") for path in (root / room).rglob("*.py")]
    return {path.relative_to(root).as_posix(): ast.parse(path.read_text("utf-8")) for path in paths}


def awaited_moves(root: Path) -> set[str]:
    """Files in which something's ``move`` is awaited, which is how a key bank is told to move."""
    return {
        name
        for name, tree in trees(root).items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Await)
        and isinstance(node.value, ast.Call)
        and getattr(node.value.func, "attr", None) == "move"
    }


def used_released(root: Path) -> set[str]:
    """Files that do more with the class Released than say that something is one: call it, rename it, pass it on."""
    found = set()
    for name, tree in trees(root).items():
        forms = [getattr(node, form, None) for node in ast.walk(tree) for form in ("annotation", "returns")]
        said = {id(part) for form in forms if form is not None for part in ast.walk(form)}
        for node in ast.walk(tree):
            named = isinstance(node, ast.Name) and node.id == "Released" and id(node) not in said
            reached = isinstance(node, ast.Attribute) and node.attr == "Released"
            renamed = isinstance(node, ast.alias) and node.name == "Released" and node.asname is not None
            if named or reached or renamed:
                found.add(name)
    return found


def test_only_the_guard_tells_a_bank_to_move() -> None:
    """A bank's move is awaited in the guard, and in the mover's wrapper that the guard is given for a bank; and the
    class of what a bank moves for is used by the guard alone, under no other name by anybody.
    """
    assert awaited_moves(ROOT) == {"daemon/inksteward/guard.py", "daemon/inksteward/service/mover.py"}
    assert used_released(ROOT) == {"daemon/inksteward/guard.py"}


@pytest.mark.parametrize(
    ("text", "moves", "uses"),
    [
        ("async def f(bank, released):\n    await bank.move(released)\n", True, False),
        ("from inksteward.ports import Released as R\n", False, True),
        ("from inksteward import ports\nx = ports.Released()\n", False, True),
        ("from inksteward.ports import Released\nmake = Released\n", False, True),
        ("from inksteward.ports import Released\ndef f(x: Released) -> Released | None: ...\n", False, False),
    ],
)
def test_a_planted_short_cut_is_found(tmp_path: Path, text: str, moves: bool, uses: bool) -> None:
    """One more place that tells a bank to move, or that could make what a bank moves for, is found."""
    path = tmp_path / "daemon/inksteward/service/short_cut.py"
    path.parent.mkdir(parents=True)
    path.write_text(text)
    found = {"daemon/inksteward/service/short_cut.py"}
    assert awaited_moves(tmp_path) == (found if moves else set())
    assert used_released(tmp_path) == (found if uses else set())
