"""What keys of the configuration have to do with each other: each rule kept and broken by one unit."""

from typing import Any

import pytest

from inksteward.config import Unsigned
from inksteward.config.rules import on_loopback
from tests.config_samples import ABSENT, built, keys, mistakes

FILES = {"ca_file": "ca.pem", "cert_file": "c.pem", "key_file": "k.pem"}


@pytest.mark.parametrize(
    ("host", "here"),
    [
        ("127.0.0.1", True),
        ("127.0.0.2", True),
        ("127.255.255.254", True),
        ("::1", True),
        ("localhost", True),
        ("126.255.255.255", False),
        ("128.0.0.1", False),
        ("::2", False),
        ("::", False),
        ("0.0.0.0", False),
        ("127.1", False),  # what inet_aton(3) would take for 127.0.0.1
        ("2130706433", False),
        ("localhost.example", False),
        ("localhost.", False),
        ("localhost.localdomain", False),  # a name may lead here today and elsewhere tomorrow
        ("ip6-localhost", False),
        ("", False),
    ],
)
def test_loopback(host: str, here: bool) -> None:
    """Only localhost, 127.0.0.0/8 and ::1 are this machine; other names are not, wherever they lead."""
    assert on_loopback(host) is here


@pytest.mark.parametrize(
    ("broker", "host", "port", "tls"),
    [
        ({}, "127.0.0.1", 1883, False),
        ({"url": "mqtt://localhost:1884/"}, "localhost", 1884, False),
        ({"url": "mqtt://LOCALHOST"}, "localhost", 1883, False),
        ({"url": "mqtt://127.0.0.2"}, "127.0.0.2", 1883, False),
        ({"url": "mqtt://[::1]"}, "::1", 1883, False),
        ({"url": "mqtts://127.0.0.1", "ca_file": "ca.pem"}, "127.0.0.1", 8883, True),
        ({"url": "mqtts://broker.example:8884", **FILES}, "broker.example", 8884, True),
    ],
)
def test_good_brokers(broker: dict[str, Any], host: str, port: int, tls: bool) -> None:
    """Plain MQTT is permitted on this machine, anything else over TLS with a certificate of our own."""
    found = built(("broker", broker)).broker
    assert (found.host, found.port, found.tls, found.loopback) == (host, port, tls, on_loopback(host))


@pytest.mark.parametrize(
    ("broker", "wrong"),
    [
        ({"url": "mqtt://192.0.2.1"}, ["url"]),
        ({"url": "mqtt://0.0.0.0"}, ["url"]),
        ({"url": "mqtt://[::]"}, ["url"]),
        ({"url": "mqtt://[::2]:1883"}, ["url"]),
        ({"url": "mqtt://ip6-localhost"}, ["url"]),
        ({"url": "mqtts://0.0.0.0", "ca_file": "ca.pem"}, ["cert_file", "key_file"]),
        ({"url": "mqtt://broker.example", **FILES}, ["url", "ca_file", "cert_file", "key_file"]),
        ({"url": "mqtts://192.0.2.1"}, ["ca_file", "cert_file", "key_file"]),
        ({"url": "mqtts://192.0.2.1", "ca_file": "ca.pem"}, ["cert_file", "key_file"]),
        ({"url": "mqtts://192.0.2.1", **FILES, "ca_file": ABSENT}, ["ca_file"]),
        ({"url": "mqtts://127.0.0.1"}, ["ca_file"]),
        ({"url": "mqtts://127.0.0.1", "ca_file": "ca.pem", "cert_file": "c.pem"}, ["key_file"]),
        ({"url": "mqtts://127.0.0.1", "ca_file": "ca.pem", "key_file": "k.pem"}, ["cert_file"]),
        ({"ca_file": "ca.pem"}, ["ca_file"]),
        ({"url": "http://127.0.0.1"}, ["url"]),
        ({"url": "127.0.0.1:1883"}, ["url"]),
        ({"url": "mqtt://"}, ["url"]),
        ({"url": "mqtt://127.0.0.1:0"}, ["url"]),
        ({"url": "mqtt://127.0.0.1:65536"}, ["url"]),
        ({"url": "mqtt://127.0.0.1:port"}, ["url"]),
        ({"url": "mqtt://127.0.0.1/press"}, ["url"]),
        ({"url": "mqtt://127.0.0.1?a=b"}, ["url"]),
        ({"url": "mqtt://anna@127.0.0.1"}, ["url"]),
        ({"client_id": "two words"}, ["client_id"]),
        ({"url": "mqtts://127.0.0.1", "ca_file": 3}, ["ca_file"]),
    ],
)
def test_bad_brokers(broker: dict[str, Any], wrong: list[str]) -> None:
    """An address off this machine without TLS and identity, or one that is none, is refused with its reason."""
    given = {name: value for name, value in broker.items() if value is not ABSENT}
    assert keys(("broker", given)) == [f"broker.{name}" for name in wrong]


BENCH = ("approval.unsigned", "bench")
SERIAL = {"name": "cabinet", "driver": "serial", "units": ["u1", "u2"]}


@pytest.mark.parametrize(
    "bank",
    [
        SERIAL | {"driver": "mqtt"},
        SERIAL | {"settings": {"url": "/dev/pts/0"}},
        SERIAL | {"settings": {"url": "/dev/pts/17", "baud": 9600}},
    ],
)
def test_bench(bank: dict[str, Any]) -> None:
    """Unsigned decisions are permitted on a simulated press behind a loopback broker or a pseudo-terminal."""
    assert built(BENCH, ("key_bank.0", bank)).approval.unsigned is Unsigned.BENCH


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ([("press.simulated", False)], "press.simulated is not true"),
        ([("press.simulated", ABSENT)], "press.simulated is not true"),
        ([("broker", {"url": "mqtts://192.0.2.1", **FILES})], "is not on this machine"),
        ([("key_bank.0", SERIAL)], "key bank cabinet is neither"),
        *(
            ([("key_bank.0", SERIAL | {"settings": {"url": url}})], "key bank cabinet is neither")
            for url in ("/dev/ttyUSB0", "/dev/pts/", "/dev/pts/../ttyS0", "/dev/pts/1/", "/dev/pts/1\n", 3)
        ),
    ],
)
def test_no_bench_with_a_real_press(changes: list[tuple[str, Any]], reason: str) -> None:
    """Unsigned decisions are refused as soon as one condition fails, and the reason is named."""
    (found,) = mistakes(BENCH, *changes)
    assert found[:2] == ("approval.unsigned", '"bench"')
    assert found[2].startswith('"never", because ')
    assert reason in found[2]


def test_every_reason_against_a_bench_is_named() -> None:
    """When all conditions fail, all are named; without bench none of them matters."""
    changes = (
        ("press.simulated", False),
        ("broker", {"url": "mqtts://192.0.2.1", **FILES}),
        ("key_bank.0", SERIAL),
    )
    assert keys(BENCH, *changes) == ["approval.unsigned"] * 3
    built(*changes)


@pytest.mark.parametrize("name", ["min_standing_s", "expected_s"])
def test_a_proposal_stands_longer_than_it_must(name: str) -> None:
    """A proposal expires after the time that it must stand and that a decision is expected to take."""
    built(("approval", {"expires_s": 60.0, name: 59.0}))
    assert keys(("approval", {"expires_s": 60.0, name: 60.0})) == [f"approval.{name}"]


def test_expiry_bounds() -> None:
    """A proposal lapses after 10 s at the soonest and 3600 s at the latest."""
    short = {"min_standing_s": 1.0, "expected_s": 1.0}
    for value in (10.0, 3600.0):
        built(("approval", {**short, "expires_s": value}))
    for value in (9.999, 3600.001):
        assert keys(("approval", {**short, "expires_s": value})) == ["approval.expires_s"]


def test_patch_not_wider_than_a_zone() -> None:
    """A patch that is wider than the zones of a unit is refused, with the unit's name."""
    built(("measuring.patch_width_mm", 20.0), ("unit.1.pitch_mm", 20.0))
    (found,) = mistakes(("measuring.patch_width_mm", 20.001), ("unit.1.pitch_mm", 20.0))
    assert found == ("measuring.patch_width_mm", "20.001", "at most the pitch of unit u2 (20 mm)")


def test_names_are_their_own() -> None:
    """Two units, two inks or two drivers of one name are refused at the later one."""
    ink = {"ink": "X", "d_inf": 1.0, "m": 1.0}
    assert keys(("unit.1.unit", "u1"), ("key_bank.0.units", ["u1"])) == ["unit[#2].unit"]
    assert keys(("ink", [ink, ink])) == ["ink[#2].ink"]
    assert keys(("strip_reader", [{"name": "cabinet", "driver": "mqtt"}])) == ["key_bank[cabinet].name"]
    assert keys(("strip_reader", [{"name": "broker", "driver": "mqtt"}])) == ["strip_reader[broker].name"]
    built(("strip_reader", [{"name": "s1", "driver": "mqtt"}, {"name": "s2", "driver": "mqtt"}]))


def test_each_unit_has_one_key_bank() -> None:
    """Every unit is served by exactly one key bank: none, two, twice the same and an unknown one are refused."""
    second = {"name": "other", "driver": "mqtt", "units": ["u2"]}
    built(("key_bank.0.units", ["u1"]), ("key_bank.1", second))
    assert keys(("key_bank.0.units", ["u1"])) == ["unit[u2].unit"]
    assert mistakes(("key_bank.1", second))[0][:2] == ("key_bank[other].units[1]", '"u2"')
    assert keys(("key_bank.0.units", ["u1", "u2", "u1"])) == ["key_bank[cabinet].units[3]"]
    (found,) = mistakes(("key_bank.0.units", ["u1", "u2", "u-1"]))
    assert found == ("key_bank[cabinet].units[3]", '"u-1"', "a known name, perhaps u1")


@pytest.mark.parametrize(
    ("name", "ok"),
    [
        ("password", False),
        ("Broker_Password", False),
        ("token", False),
        ("pin", False),
        ("api_secret", False),
        ("password_file", True),
        ("pinion", True),
        ("spin", True),
    ],
)
def test_no_secrets(name: str, ok: bool) -> None:
    """A setting that would hold a secret is refused without showing it, at any depth; a file of secrets may be."""
    place = ("key_bank.0.settings", {"line": [{name: "hunter2"}]})
    if ok:
        built(place)
    else:
        (found,) = mistakes(place)
        assert found[:2] == (f"key_bank[cabinet].settings.line[1].{name}", "(not shown)")
