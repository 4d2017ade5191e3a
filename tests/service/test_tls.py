"""TLS to the broker, with a certificate of our own."""

from dataclasses import replace
from pathlib import Path

import pytest

from inksteward.config import Broker, Config, parse
from inksteward.demo.broker import free_port
from inksteward.events import LinkChanged
from inksteward.ports import NotSent
from inksteward.service.errors import CONFIGURATION, StartError
from inksteward.service.mqtt_link import require_safe
from inksteward.service.starting import read
from tests.service.bench import Shop, scenario, serving, set_up_shop, settings_of
from tests.service.certificates import Authority
from tests.service.listener import fence, probe
from tests.service.processes import broker_process


def listener(port: int, authority: Authority) -> str:
    """A second listener of the broker: TLS, and only for clients with a certificate of this authority."""
    cert, key = authority.certificate("broker")
    return (
        f"persistence false\nlistener {port} 127.0.0.1\ncafile {authority.file}\n"
        f"certfile {cert}\nkeyfile {key}\nrequire_certificate true\n"
    )


def over_tls(folder: Path, url: str, press: str, port: int, ca: Path, authority: Authority) -> Shop:
    """A shop whose service speaks TLS on ``port``; ``url`` is where everybody else listens."""
    cert, key = authority.certificate("service")
    broker = {
        "url": f"mqtts://127.0.0.1:{port}",
        "ca_file": ca.name,
        "cert_file": cert.name,
        "key_file": key.name,
    }
    return set_up_shop(folder, url, press, tables={"broker": broker})


@pytest.mark.broker
async def test_with_tls_and_a_certificate(tmp_path: Path) -> None:
    """Over TLS with the right authority and a client certificate everything works."""
    port, authority = free_port(), Authority(tmp_path, "ca")
    with broker_process(tmp_path / "broker", listener(port, authority)) as broker:
        shop = over_tls(tmp_path, broker.url, "tls-1", port, authority.file, authority)
        async with probe(shop) as heard, serving(shop.options()):
            await heard.online()
            await fence(heard)


# paho leaves the socket of a failed handshake to the garbage collector.
@pytest.mark.filterwarnings("ignore:unclosed <ssl:ResourceWarning")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.broker
async def test_another_authority(tmp_path: Path) -> None:
    """A broker that another authority vouches for is not talked to: the link stays down with the reason."""
    port, authority = free_port(), Authority(tmp_path, "ca")
    other = Authority(tmp_path, "other")
    with broker_process(tmp_path / "broker", listener(port, authority)) as broker:
        shop = over_tls(tmp_path, broker.url, "tls-2", port, other.file, authority)
        async with serving(shop.options()) as service:
            await service.link.known.wait()
            assert not service.link.connected.is_set()
    texts = [event.text for event in shop.events(LinkChanged) if event.link == "broker"]
    assert "certificate verify failed" in texts[0]


def test_files_that_cannot_be_used(tmp_path: Path) -> None:
    """A certificate file that is missing or none at all is a mistake in the configuration."""
    authority = Authority(tmp_path, "ca")
    shop = over_tls(tmp_path, "mqtt://127.0.0.1:1883", "tls-3", 8883, authority.file, authority)
    (tmp_path / "service.crt").write_text("no certificate")
    with pytest.raises(StartError, match="ca_file, cert_file or key_file cannot be used") as raised:
        read(shop.options())
    assert raised.value.code == CONFIGURATION


SAFE = Broker("mqtts://192.0.2.1", "192.0.2.1", 8883, True, False, "me", "ca", "cert", "key")


@pytest.mark.parametrize(
    ("changes", "safe"),
    [
        ({}, True),
        ({"tls": False}, False),
        ({"cert_file": None}, False),
        ({"key_file": None}, False),
        ({"tls": False, "cert_file": None, "key_file": None, "loopback": True}, True),
    ],
)
def test_off_this_machine_only_with_tls_and_identity(changes: dict[str, object], safe: bool) -> None:
    """The service itself refuses a broker off this machine without TLS or a certificate, whatever read the file."""
    config: Config = replace(parse(settings_of(scenario()), "tls"), broker=replace(SAFE, **changes))  # type: ignore[arg-type]
    if safe:
        require_safe(config)
    else:
        with pytest.raises(NotSent, match="only with TLS"):
            require_safe(config)
