"""The broker of config/mosquitto as on a Debian machine, and clients of it with certificates of their own.

The two files are taken as they are, but for three things: paths under /etc/mosquitto lead into the test's folder, the
port is a free one of 127.0.0.1, and mosquitto stays the user that runs the tests.
"""

import getpass
import ssl
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, Self

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from inksteward.demo.broker import free_port
from tests.service.bench import PATIENCE_S
from tests.service.certificates import Authority
from tests.service.processes import BrokerProcess

EXAMPLE = Path(__file__).resolve().parents[2] / "config/mosquitto"
PRESS = "press-example"
ROOT = f"inksteward/v1/{PRESS}/"
SERVICE = f"inksteward-{PRESS}"
SESSION_S = 600

# /etc/mosquitto/mosquitto.conf of Debian's package mosquitto 2.0.11-1.2, without its comments.
DEBIAN = """pid_file /run/mosquitto/mosquitto.pid

persistence true
persistence_location /var/lib/mosquitto/

log_dest file /var/log/mosquitto/mosquitto.log

include_dir /etc/mosquitto/conf.d
"""


class ExampleBroker(BrokerProcess):
    """mosquitto with the example's files. ``change`` edits the text of a file before the start, to plant a fault.
    Use as ``with ExampleBroker(folder) as broker``.
    """

    def __init__(self, folder: Path, change: Callable[[str, str], str] = lambda name, text: text) -> None:
        self.port = free_port()
        self.url = f"mqtts://127.0.0.1:{self.port}"
        self._folder = self.folder = folder
        self._process = None
        self.etc = folder / "etc/mosquitto"
        for name in (
            "etc/mosquitto/conf.d",
            "run/mosquitto",
            "var/lib/mosquitto",
            "var/log/mosquitto",
            "people",
        ):
            (folder / name).mkdir(parents=True, exist_ok=True)
        self.authority = Authority(folder / "people", "authority")
        certificate, key = self.authority.certificate("broker")
        for source, place in (
            (self.authority.file, "ca_certificates/inksteward-ca.pem"),
            (certificate, "certs/inksteward-broker.pem"),
            (key, "certs/inksteward-broker.key"),
        ):
            (self.etc / place).parent.mkdir(exist_ok=True)
            (self.etc / place).write_bytes(source.read_bytes())
        for name, place in (
            ("inksteward.conf", "conf.d/inksteward.conf"),
            ("inksteward.acl", "inksteward.acl"),
        ):
            text = change(name, (EXAMPLE / name).read_text("utf-8"))
            (self.etc / place).write_text(self._placed(text), "utf-8")
        self._config = self.etc / "mosquitto.conf"
        self._config.write_text(f"user {getpass.getuser()}\n{self._placed(DEBIAN)}")

    def _placed(self, text: str) -> str:
        for path in ("/etc/mosquitto", "/run/mosquitto", "/var/lib/mosquitto", "/var/log/mosquitto"):
            text = text.replace(path, f"{self.folder}{path}")
        return text.replace("\nlistener 8883\n", f"\nlistener {self.port} 127.0.0.1\n")

    def __enter__(self) -> Self:
        try:
            self.start()
        except AssertionError as error:
            raise AssertionError(f"{error}: {self.log()}") from error
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    @property
    def pid(self) -> int:
        """Number of the broker's process; fails when it has ended."""
        assert self._process is not None
        assert self._process.poll() is None, self.log()
        return self._process.pid

    def log(self) -> str:
        """What the broker wrote of itself."""
        files = (self.folder / "mosquitto.log", self.folder / "var/log/mosquitto/mosquitto.log")
        return "".join(file.read_text() for file in files if file.exists())

    def tls(self, name: str | None, authority: Authority | None = None, **made: Any) -> ssl.SSLContext:
        """TLS towards this broker under a name, None for no certificate; ``made`` is for Authority.certificate."""
        context = ssl.create_default_context(cafile=str(self.authority.file))
        if name is not None:
            context.load_cert_chain(*(authority or self.authority).certificate(name, **made))
        return context


class Peer:
    """A client at the broker under the name of its certificate. Use as ``with Peer(broker, name) as peer``.

    ``heard`` has (topic, payload, retained) of every message. ``kept`` asks for a session that outlives the connection.
    """

    def __init__(
        self,
        broker: ExampleBroker,
        name: str,
        *,
        v5: bool = True,
        client_id: str | None = None,
        kept: bool = False,
        tls: ssl.SSLContext | None = None,
    ) -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        self.gone: ReasonCode | None = None
        self._news = threading.Condition()
        self._said: dict[Any, Any] = {}
        self._port, self._v5, self._kept = broker.port, v5, kept
        self.client = Client(
            CallbackAPIVersion.VERSION2,
            client_id or f"{name}-{id(self)}",
            clean_session=None if v5 else not kept,
            protocol=MQTTProtocolVersion.MQTTv5 if v5 else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        self.client.tls_set_context(tls or broker.tls(name))
        self.client.on_connect = lambda c, u, flags, code, p: self._note("connected", code)
        self.client.on_disconnect = lambda c, u, flags, code, p: self._note("gone", code)
        self.client.on_publish = lambda c, u, mid, code, p: self._note(("sent", mid), code)
        self.client.on_subscribe = lambda c, u, mid, codes, p: self._note(("listening", mid), codes[0])
        self.client.on_message = lambda c, u, message: self._hear(message)

    def connect(self) -> ReasonCode:
        """Connect; the broker's word on it."""
        properties: Any = Properties(PacketTypes.CONNECT) if self._v5 else None
        if self._v5 and self._kept:
            properties.SessionExpiryInterval = SESSION_S
        versioned = {"clean_start": not self._kept, "properties": properties} if self._v5 else {}
        self.client.connect("127.0.0.1", self._port, keepalive=60, **versioned)
        self.client.loop_start()
        return self._wait("connected")

    def __enter__(self) -> Self:
        code = self.connect()
        assert not code.is_failure, code
        return self

    def __exit__(self, *_: object) -> None:
        self.client.disconnect()
        self.client.loop_stop()
        self.client._reset_sockets()  # paho leaves the sockets that wake its thread to the garbage collector

    def say(self, topic: str, payload: bytes, *, retain: bool = False) -> int:
        """Publish with QoS 1; the reason code of the acknowledgement (on MQTT 3.1.1 always 0)."""
        info = self.client.publish(topic, payload, qos=1, retain=retain)
        assert info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS, info.rc
        return int(self._wait(("sent", info.mid)).value)

    def listen(self, *filters: str) -> None:
        """Subscribe with QoS 1; that it is granted proves nothing."""
        for each in filters:
            _, mid = self.client.subscribe(each, qos=1)
            assert mid is not None
            assert self._wait(("listening", mid)).value == 1

    def settle(self) -> None:
        """Returns when everything that the broker has for this client has come: it answers in order, and lets more than
        one message be under way, so nothing waits there once an answer came without a message before it.
        """
        before = -1
        while before != len(self.heard):
            before = len(self.heard)
            self.listen("nobody/says/this")

    def _note(self, what: Any, code: Any) -> None:
        with self._news:
            self._said[what] = code
            if what == "gone":
                self.gone = code
            self._news.notify_all()

    def _hear(self, message: MQTTMessage) -> None:
        with self._news:
            self.heard.append((message.topic, bytes(message.payload), message.retain))
            self._news.notify_all()

    def _wait(self, what: Any) -> Any:
        with self._news:
            come = self._news.wait_for(lambda: what in self._said or self.gone is not None, PATIENCE_S)
        assert come and what in self._said, f"{what}: not heard of; gone: {self.gone}"  # noqa: PT018
        return self._said[what]

    def ended(self) -> ReasonCode:
        """Wait until the connection is gone; the reason."""
        with self._news:
            assert self._news.wait_for(lambda: self.gone is not None, PATIENCE_S)
        assert self.gone is not None
        return self.gone
