"""Access rules of config/mosquitto on a real mosquitto: what each identity may publish and receive, and nothing else.

What is expected was written down from the contract's table of topics (DEVELOPERS.md, part 5), not from the rules.
"""

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from inksteward.contract.channels import CHANNELS
from tests.service.example_broker import ROOT, SERVICE, ExampleBroker, Peer

pytestmark = pytest.mark.broker

NOT_AUTHORISED = 0x87
"""MQTT 5, table 3-4 (PUBACK reason codes)."""

# Units u1 and u2 hang on the cabinet that is driven over MQTT; u3 on a serial line.
MAY_PUBLISH = {
    SERVICE: {
        *("status", "press", "reading", "proposal/u1", "proposal/u3", "outcome", "alarm", "answer"),
        *("keys/u1/command", "keys/u2/command"),
    },
    "strip-1": {"scan"},
    "cabinet-1": {"keys/u1/position", "keys/u2/position"},
    "counter-1": {"counter"},
    "job-desk": {"job"},
    "op-anna": {"decision", "request"},
    "display-1": set(),
    "stranger": set(),
}
SHOWN = {
    *("status", "press", "job", "counter", "reading", "proposal/u1", "proposal/u3", "outcome", "alarm"),
    *("keys/u1/position", "keys/u2/position", "keys/u3/position"),
}
MAY_RECEIVE = {
    SERVICE: {
        *("job", "counter", "scan", "decision", "request"),
        *("keys/u1/position", "keys/u2/position", "keys/u3/position"),
        *("status", "press", "reading", "proposal/u1", "proposal/u3", "alarm"),  # its own, as an echo
    },
    "strip-1": {"status", "job", "counter", "reading", "answer"},
    "cabinet-1": {"keys/u1/command", "keys/u2/command", "counter", "answer"},
    "counter-1": {"job", "answer"},
    "job-desk": {"press", "status", "answer"},
    "op-anna": SHOWN | {"answer"},
    "display-1": SHOWN,
    "stranger": set(),
}
IN_CONTRACT = {
    *("status", "press", "job", "counter", "scan", "reading", "proposal/u1", "proposal/u3"),
    *("decision", "request", "outcome", "alarm", "answer"),
    *(f"keys/{unit}/{what}" for unit in ("u1", "u2", "u3") for what in ("command", "position")),
}
TOPICS = [
    *sorted(ROOT + topic for topic in IN_CONTRACT),
    ROOT + "override",
    ROOT + "proposal",
    ROOT + "keys/u1",
    ROOT + "keys/u1/command/now",
    "inksteward/v1/press-other/status",
    "inksteward/v1/press-other/scan",
    "inksteward/v1/press-other/decision",
    "inksteward/v1/press-other/keys/u1/command",
    "inksteward/v1/display-1/status",
    "inksteward/v2/press-example/keys/u1/command",
    "elsewhere",
    "$SYS/broker/mine",
]
FILTERS = ("#", "$SYS/#", "$share/{name}/#", ROOT + "keys/+/command", ROOT + "decision")
NAMES = tuple(MAY_PUBLISH)


@dataclass
class Found:
    """What was seen: (who, topic) whose publish the broker took; (publisher, topic, receiver) that got through live;
    the same of what was retained, at clients that came later.
    """

    taken: set[tuple[str, str]] = field(default_factory=set)
    live: set[tuple[str, str, str]] = field(default_factory=set)
    retained: set[tuple[str, str, str]] = field(default_factory=set)


def expected() -> Found:
    """What the contract allows."""
    taken = {(who, ROOT + topic) for who in NAMES for topic in MAY_PUBLISH[who]}
    through = {(*said, to) for said in taken for to in NAMES if said[1].removeprefix(ROOT) in MAY_RECEIVE[to]}
    return Found(taken, through, through)


@contextmanager
def everybody(broker: ExampleBroker, v5: bool) -> Iterator[dict[str, Peer]]:
    """Every identity connected and subscribed to all that a client can ask for."""
    with ExitStack() as stack:
        peers = {name: stack.enter_context(Peer(broker, name, v5=v5)) for name in NAMES}
        for name, peer in peers.items():
            peer.listen(*(each.format(name=name) for each in FILTERS))
        yield peers


def heard(peers: dict[str, Peer]) -> set[tuple[str, str, str]]:
    """(publisher, topic, receiver) of all that came to these clients."""
    for peer in peers.values():
        peer.settle()
    return {(payload.decode(), topic, to) for to, peer in peers.items() for topic, payload, _ in peer.heard}


def tried(broker: ExampleBroker, v5: bool = True) -> Found:
    """Everybody publishes under every topic, retained, and everybody listens to everything."""
    found = Found()
    with everybody(broker, v5) as peers:
        for name, peer in peers.items():
            for topic in TOPICS:
                code = peer.say(topic, name.encode(), retain=True)
                assert code < 0x80 or code == NOT_AUTHORISED
                if code < 0x80:
                    found.taken.add((name, topic))
        found.live = heard(peers)
    with everybody(broker, v5) as later:
        found.retained = heard(later)
    return found


def test_the_table_is_the_contract() -> None:
    """The expectation names every topic of the contract, each with one publisher: the service for what it sends and
    somebody else for what it takes, and with somebody to receive it.
    """
    for channel in CHANNELS:
        topic = channel.topic.format(unit="u1")
        assert topic in IN_CONTRACT
        (publisher,) = [who for who in NAMES if topic in MAY_PUBLISH[who]]
        assert (publisher == SERVICE) == channel.sent
        assert any(topic in MAY_RECEIVE[who] for who in NAMES)
    assert len({topic.replace("u2", "u1").replace("u3", "u1") for topic in IN_CONTRACT}) == len(CHANNELS)


def test_everybody_may_do_what_the_contract_says_and_nothing_else(tmp_path: Path) -> None:
    """Of every identity and every topic, inside the contract and outside: the broker takes what the identity publishes
    by the contract and refuses the rest as not authorised; live and retained it delivers to entitled readers alone.
    """
    with ExampleBroker(tmp_path) as broker:
        found, wanted = tried(broker), expected()
    assert found.taken == wanted.taken
    assert found.live == wanted.live
    assert found.retained == wanted.retained


def test_older_clients_have_the_same_rights(tmp_path: Path) -> None:
    """With MQTT 3.1.1, where a refusal cannot be told, everything is acknowledged and exactly the same gets through."""
    with ExampleBroker(tmp_path) as broker:
        found, wanted = tried(broker, v5=False), expected()
    assert len(found.taken) == len(NAMES) * len(TOPICS)
    assert found.live == wanted.live
    assert found.retained == wanted.retained


def rule(after: str, line: str) -> Callable[[str, str], str]:
    """Add a line to the rules behind another one."""

    def change(name: str, text: str) -> str:
        if name.endswith(".conf"):
            return text
        assert text.count(f"{after}\n") == 1
        return text.replace(f"{after}\n", f"{after}\n{line}\n")

    return change


def without(line: str) -> Callable[[str, str], str]:
    """Take the first such line out of the rules."""

    def change(name: str, text: str) -> str:
        assert name.endswith(".conf") or line in text
        return text if name.endswith(".conf") else text.replace(f"{line}\n", "", 1)

    return change


COMMAND = ROOT + "keys/u1/command"
FAULTS = {
    "the operator may command": (
        rule("user op-anna", f"topic write {COMMAND}"),
        lambda found, wanted: found.taken - wanted.taken == {("op-anna", COMMAND)},
    ),
    "the display may hear decisions": (
        rule("user display-1", f"topic read {ROOT}decision"),
        lambda found, wanted: (
            found.live - wanted.live == found.retained - wanted.retained
            and found.live - wanted.live == {("op-anna", ROOT + "decision", "display-1")}
        ),
    ),
    "a pattern for the service": (
        rule("user display-1", "pattern write inksteward/v1/%u/status"),
        lambda found, wanted: found.taken - wanted.taken == {("display-1", "inksteward/v1/display-1/status")},
    ),
    "the service is deaf": (
        without(f"topic read {ROOT}decision"),
        lambda found, wanted: wanted.live - found.live == {("op-anna", ROOT + "decision", SERVICE)},
    ),
    "the reader is dumb": (
        without(f"topic write {ROOT}scan"),
        lambda found, wanted: wanted.taken - found.taken == {("strip-1", ROOT + "scan")},
    ),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_in_the_rules_shows(tmp_path: Path, fault: str) -> None:
    """A right too many or too few shows as just that difference."""
    change, shows = FAULTS[fault]
    with ExampleBroker(tmp_path, change) as broker:
        assert shows(tried(broker), expected())


@pytest.mark.parametrize("name", ["+", "#", f"{SERVICE}/", "op-+"])
def test_a_name_is_no_pattern(tmp_path: Path, name: str) -> None:
    """A certificate whose name looks like a wildcard, or nearly like another, gives no right."""
    with ExampleBroker(tmp_path) as broker:
        tls = broker.tls("odd", subject=name)
        with Peer(broker, "odd", tls=tls) as odd, Peer(broker, SERVICE) as service:
            odd.listen("#")
            assert {odd.say(topic, b"odd") for topic in TOPICS} == {NOT_AUTHORISED}
            assert service.say(COMMAND, b"service") != NOT_AUTHORISED
            odd.settle()
        assert odd.heard == []


def test_a_last_will_needs_the_same_right(tmp_path: Path) -> None:
    """A last will is passed on only where its client may publish: the service's on status, nobody's on a command."""
    with ExampleBroker(tmp_path) as broker, ExitStack() as stack:
        cabinet, display = (stack.enter_context(Peer(broker, name)) for name in ("cabinet-1", "display-1"))
        for peer in (cabinet, display):
            peer.listen("#")
        for name, topic in (("op-anna", COMMAND), ("display-1", COMMAND), (SERVICE, ROOT + "status")):
            dying = Peer(broker, name)
            dying.client.will_set(topic, name.encode(), qos=1)
            with dying:
                dying.client.disconnect(ReasonCode(PacketTypes.DISCONNECT, "Disconnect with will message"))
                dying.ended()
        for peer in (cabinet, display):
            peer.settle()
        assert display.heard == [(ROOT + "status", SERVICE.encode(), False)]
        assert cabinet.heard == []
