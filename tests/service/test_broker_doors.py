"""The broker of config/mosquitto at its doors: who does not come in, what is too large, what survives its death."""

import socket
import ssl
from collections.abc import Callable
from pathlib import Path

import pytest
from cryptography.x509.oid import NameOID

from inksteward.demo.broker import free_port
from tests.service.bench import PATIENCE_S
from tests.service.certificates import HOUR, Authority
from tests.service.example_broker import ROOT, SERVICE, ExampleBroker, Peer

pytestmark = pytest.mark.broker

CONNECT_311 = b"\x10\x11\x00\x04MQTT\x04\x02\x00\x3c\x00\x05plain"
"""A CONNECT packet of MQTT 3.1.1 (section 3.1): clean session, keep-alive 60 s, client id "plain"."""
CONNACK = b"\x20"
REQUESTS = 200
LARGEST = 1024 * 1024
HUNDRED_MB = 100 * 1024 * 1024
NOT_AUTHORISED = 0x87
"""MQTT 5, table 3-4 (PUBACK reason codes)."""


def alert(broker: ExampleBroker, context: ssl.SSLContext) -> str:
    """The TLS alert by which the broker ends a handshake; fails when it does not."""
    with socket.create_connection(("127.0.0.1", broker.port), PATIENCE_S) as plain:
        try:
            with context.wrap_socket(plain, server_hostname="127.0.0.1") as secure:
                secure.recv(1)  # with TLS 1.3 the handshake is over before the broker has judged the client
        except ssl.SSLError as error:
            return str(error.reason)
    raise AssertionError("the broker let it in")


def another_authority(broker: ExampleBroker) -> ssl.SSLContext:
    return broker.tls(SERVICE, Authority(broker.folder, "another"))


def tls_1_1(broker: ExampleBroker) -> ssl.SSLContext:
    context = broker.tls(SERVICE)
    context.set_ciphers("DEFAULT@SECLEVEL=0")  # else the library itself would not go so low
    context.minimum_version = ssl.TLSVersion.TLSv1_1
    context.maximum_version = ssl.TLSVersion.TLSv1_1
    return context


# The alerts are those of RFC 8446, section 6.2, under OpenSSL's names.
REFUSED: dict[str, tuple[Callable[[ExampleBroker], ssl.SSLContext], str]] = {
    "no certificate": (lambda broker: broker.tls(None), "CERTIFICATE_REQUIRED"),
    "another authority": (another_authority, "UNKNOWN_CA"),
    "expired": (lambda broker: broker.tls(SERVICE, since=2 * HOUR, until=-HOUR), "CERTIFICATE_EXPIRED"),
    "not yet valid": (lambda broker: broker.tls(SERVICE, since=-HOUR), "BAD_CERTIFICATE"),
    "TLS 1.1": (tls_1_1, "PROTOCOL_VERSION"),
}


@pytest.mark.filterwarnings("ignore:ssl.TLSVersion.TLSv1_1 is deprecated:DeprecationWarning")
@pytest.mark.parametrize("case", REFUSED)
def test_without_a_good_certificate_nobody_comes_in(tmp_path: Path, case: str) -> None:
    """No certificate, one of another authority, one out of its time, or an older TLS: the handshake ends with the
    alert for it, and whoever has a good one goes on.
    """
    make, reason = REFUSED[case]
    with ExampleBroker(tmp_path) as broker:
        assert alert(broker, make(broker)).endswith(reason)
        with Peer(broker, "display-1"):
            assert broker.pid


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
def test_both_versions_of_tls_work(tmp_path: Path, version: ssl.TLSVersion) -> None:
    """TLS 1.2 and TLS 1.3 are spoken."""
    with ExampleBroker(tmp_path) as broker:
        context = broker.tls("display-1")
        context.minimum_version = context.maximum_version = version
        with Peer(broker, "display-1", tls=context):
            pass


def test_a_certificate_without_a_name_does_not_come_in(tmp_path: Path) -> None:
    """A certificate of the right authority that has no common name is refused, whatever user name the client says."""
    with ExampleBroker(tmp_path) as broker:
        peer = Peer(broker, SERVICE, tls=broker.tls(SERVICE, kind=NameOID.ORGANIZATION_NAME))
        peer.client.username_pw_set(SERVICE, "secret")
        try:
            assert peer.connect().is_failure
        finally:
            peer.__exit__()


def test_a_user_name_that_is_said_counts_for_nothing(tmp_path: Path) -> None:
    """The rights are those of the certificate's name: to say the service's name with another certificate gives none."""
    with ExampleBroker(tmp_path) as broker:
        display = Peer(broker, "display-1")
        display.client.username_pw_set(SERVICE, "secret")
        with display, Peer(broker, SERVICE) as service:
            assert display.say(ROOT + "keys/u1/command", b"{}") == NOT_AUTHORISED
            assert service.say(ROOT + "keys/u1/command", b"{}") < 0x80


def plain(port: int, first: bytes) -> bytes:
    """What the broker answers to these bytes without TLS, until it hangs up."""
    answer = b""
    with socket.create_connection(("127.0.0.1", port), PATIENCE_S) as link:
        link.sendall(first)
        try:
            while more := link.recv(100):
                answer += more
        except ConnectionResetError:
            return answer
    return answer


def test_plain_tcp_is_hung_up_on(tmp_path: Path) -> None:
    """MQTT without TLS is answered with no word of MQTT."""
    with ExampleBroker(tmp_path) as broker:
        assert plain(broker.port, CONNECT_311)[:1] != CONNACK
        assert broker.pid


def test_another_listener_lets_nobody_in(tmp_path: Path) -> None:
    """Where another file opens a listener without TLS, a client is refused with and without a user name."""
    port, name = free_port(), SERVICE.encode()
    rest = (
        CONNECT_311[2:].replace(b"MQTT\x04\x02", b"MQTT\x04\xc2")
        + bytes([0, len(name)])
        + name
        + b"\x00\x02pw"
    )
    broker = ExampleBroker(tmp_path)
    # A name before the other one, so that it listens by the time that the other one does.
    (broker.etc / "conf.d/a.conf").write_text(f"listener {port} 127.0.0.1\n")
    with broker:
        for first in (CONNECT_311, b"\x10" + bytes([len(rest)]) + rest):
            # CONNACK of MQTT 3.1.1 (table 3.1): 5 is "not authorized"
            assert plain(port, first) == b"\x20\x02\x00\x05"


def test_a_certificate_is_taken_back(tmp_path: Path) -> None:
    """With the line for it in use, a certificate on the list of revoked ones is refused and the others are not."""

    def change(name: str, text: str) -> str:
        assert name.endswith(".acl") or text.count("\n#crlfile ") == 1
        return text.replace("\n#crlfile ", "\ncrlfile ")

    broker = ExampleBroker(tmp_path, change)
    stolen = broker.tls("op-anna")
    listed = broker.etc / "ca_certificates/inksteward-ca.crl"
    broker.authority.revoke(broker.authority.folder / "op-anna.crt", listed)
    with broker:
        assert alert(broker, stolen).endswith("CERTIFICATE_REVOKED")
        with Peer(broker, "op-anna"):
            pass


def highest_memory(pid: int) -> int:
    """Most bytes of memory that a process has had (proc(5), VmHWM)."""
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) * 1024


def test_a_hundred_megabytes_are_cut_off(tmp_path: Path) -> None:
    """A message of 100 MB ends its client's connection as too large and reaches nobody; the broker has not taken it
    in, and goes on for everybody else.
    """
    with ExampleBroker(tmp_path) as broker:
        with Peer(broker, SERVICE) as service, Peer(broker, "strip-1") as second:
            service.listen(ROOT + "scan")
            before = broker.pid
            with Peer(broker, "strip-1") as reader:
                reader.client.publish(ROOT + "scan", bytes(HUNDRED_MB), qos=1)
                reader.ended()
            assert second.say(ROOT + "scan", b"{}") == 0
            service.settle()
            assert service.heard == [(ROOT + "scan", b"{}", False)]
        assert broker.pid == before
        assert highest_memory(before) < HUNDRED_MB / 2


@pytest.mark.parametrize(("rest", "cut"), [(LARGEST - 1, False), (LARGEST, True), (HUNDRED_MB, True)])
def test_the_broker_says_why(tmp_path: Path, rest: int, cut: bool) -> None:
    """The head of too large a packet is enough for the broker to answer it by the reason of MQTT 5, packet too large;
    one of the largest size that is permitted it goes on reading. (mosquitto counts the length field as one byte.)
    """
    # PUBLISH with QoS 1, the remaining length as a variable byte integer (MQTT 5, section 1.5.5), nothing behind it yet
    head = b"\x32" + bytes([*((rest >> shift) & 127 | 128 for shift in (0, 7, 14)), rest >> 21])
    with ExampleBroker(tmp_path) as broker, Peer(broker, "strip-1") as reader:
        link = reader.client.socket()
        assert isinstance(link, ssl.SSLSocket)
        link.sendall(head)
        if cut:
            assert str(reader.ended()) == "Packet too large"
        else:
            assert broker.pid
            with Peer(broker, "op-anna") as anna:
                assert anna.say(ROOT + "request", b"{}") < NOT_AUTHORISED
            assert reader.gone is None


def left(folder: Path, change: Callable[[str, str], str] = lambda name, text: text) -> tuple[list[int], int]:
    """Requests that came to the service after the broker was killed, of those acknowledged while the service was away,
    and how many retained messages there were.
    """
    with ExampleBroker(folder, change) as broker:
        with Peer(broker, SERVICE, client_id="inbox", kept=True) as service:
            service.listen(ROOT + "request")
            service.say(ROOT + "status", b"online", retain=True)
        with Peer(broker, "op-anna") as anna:
            assert {anna.say(ROOT + "request", b"%d" % number) for number in range(REQUESTS)} == {0}
            anna.settle()  # the broker writes after it has acknowledged, but before it deals with what comes next
            broker.kill()
        broker.start()
        with (
            Peer(broker, SERVICE, client_id="inbox", kept=True) as service,
            Peer(broker, "display-1") as display,
        ):
            display.listen(ROOT + "status")
            for peer in (service, display):
                peer.settle()
    return [int(payload) for _, payload, _ in service.heard], len(display.heard)


def test_what_was_acknowledged_survives_a_killed_broker(tmp_path: Path) -> None:
    """What the broker acknowledged while the service was away, and what was retained, is there after kill -9."""
    assert left(tmp_path) == (list(range(REQUESTS)), 1)


def test_without_the_lines_for_it_nothing_survives(tmp_path: Path) -> None:
    """With the lines that make the broker write at once taken out, all of it is lost."""

    def change(name: str, text: str) -> str:
        return text.replace("\nautosave_on_changes true\nautosave_interval 1\n", "\n")

    assert left(tmp_path, change) == ([], 0)


def test_another_s_client_id_gives_no_right(tmp_path: Path) -> None:
    """Who connects with the client id of the service pushes it off, but neither receives what waited for it, nor
    receives or publishes anything else that its own certificate does not allow.
    """
    with ExampleBroker(tmp_path) as broker, Peer(broker, "op-anna") as anna:
        with Peer(broker, SERVICE, client_id="inbox", kept=True) as service:
            service.listen(ROOT + "request", ROOT + "counter")
        anna.say(ROOT + "request", b"before")
        with (
            Peer(broker, "display-1", client_id="inbox", kept=True) as thief,
            Peer(broker, "counter-1") as counter,
        ):
            anna.say(ROOT + "request", b"after")
            counter.say(ROOT + "counter", b"1")
            assert thief.say(ROOT + "keys/u1/command", b"{}") == NOT_AUTHORISED
            thief.settle()
            assert thief.heard == [(ROOT + "counter", b"1", False)]
            with Peer(broker, SERVICE, client_id="inbox"):
                thief.ended()
