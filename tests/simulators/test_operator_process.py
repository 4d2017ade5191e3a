"""The operator as a process on a real broker: signatures that others verify, and the terminal."""

import asyncio
import itertools
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from cryptography.hazmat.primitives.asymmetric import ec, ed25519
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

from inksteward.canonical import canonical
from inksteward.jws import holds, take_apart
from inksteward_simulators.broker import client_of
from inksteward_simulators.operator import main
from inksteward_simulators.operator_sign import Signer
from tests.simulators.operator_room import sealed
from tests.simulators.processes import SCHEMAS, simulator

_numbers = itertools.count(1)


def _written(path: Path, key: Any) -> Path:
    path.write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    return path


class Service:
    """The service's end."""

    def __init__(self, client: aiomqtt.Client, press: str) -> None:
        self.client = client
        self.press = press
        self.root = f"inksteward/v1/{press}/"

    async def publish(self, topic: str, data: dict[str, Any], retain: bool = False) -> None:
        await self.client.publish(self.root + topic, json.dumps(data), qos=1, retain=retain)

    async def next(self) -> tuple[str, dict[str, Any]]:
        """The next decision or request."""
        async with asyncio.timeout(10):
            message = await anext(aiter(self.client.messages))
        return message.topic.value.removeprefix(self.root), json.loads(message.payload)


@asynccontextmanager
async def service(url: str) -> AsyncIterator[Service]:
    press = f"operator-{next(_numbers)}"
    async with client_of(url, press) as client:
        made = Service(client, press)
        for topic in ("decision", "request"):
            await client.subscribe(made.root + topic, qos=1)
        yield made


def _verified(body: dict[str, Any], public: bytes, kid: str) -> None:
    """As the contract wants it: verify, decode, and the outer members must be the signed ones."""
    outer = {name: value for name, value in body.items() if name != "signature"}
    token = take_apart(body["signature"])
    assert token.kid == kid
    assert holds(token, public)
    assert token.payload == canonical(outer)


@pytest.mark.broker
async def test_signed_decisions_and_requests(mosquitto: str, tmp_path: Path) -> None:
    """Decisions and requests carry a signature that the service's own check accepts, over exactly what is sent."""
    key = ed25519.Ed25519PrivateKey.generate()
    pem = _written(tmp_path / "anna.pem", key)
    public = key.public_key().public_bytes_raw()
    async with service(mosquitto) as there:
        words = (
            "--broker",
            mosquitto,
            "--press",
            there.press,
            "--operator",
            "op-anna",
            "--key",
            pem,
            "--kid",
            "k-1",
        )
        async with simulator("operator", *words, "--think-s", 0, 0, "--schemas", SCHEMAS) as process:
            ready = await process.ready()
            assert (ready["what"], ready["signed"]) == ("operator", True)
            await there.publish("proposal/u2", sealed(), retain=True)
            topic, decision = await there.next()
            assert (topic, decision["verdict"], decision["operator"]) == ("decision", "approve", "op-anna")
            _verified(decision, public, "k-1")
            await there.publish("answer", {"id": decision["decision_id"], "accepted": True, "errors": []})
            assert (await process.next("answer"))["accepted"] is True
            for scan_id in ("s-1", "s-2"):
                unit = {"in_tolerance": [True], "aim": [1.4]}
                await there.publish("reading", {"scan_id": scan_id, "sheet": 5, "units": {"u1": unit}})
            topic, request = await there.next()
            assert (topic, request["kind"], request["scan_id"]) == ("request", "ok_sheet", "s-2")
            _verified(request, public, "k-1")
        assert process.process.returncode == 0
        await there.client.publish(there.root + "proposal/u2", b"", qos=1, retain=True)


@pytest.mark.broker
async def test_person_at_the_terminal(mosquitto: str, tmp_path: Path) -> None:
    """Interactive, the proposal is shown as a table and the typed edit is what is sent; JSON lines go to the log."""
    async with service(mosquitto) as there:
        words = ("--broker", mosquitto, "--press", there.press, "--operator", "op-anna", "--interactive")
        async with simulator("operator", *words, "--log", tmp_path / "log") as process:
            assert "waiting for proposals" in await process.line()
            await there.publish("proposal/u2", sealed())
            assert await process.line() == "[1] unit u2, ink C: scan at sheet 1210, good for 120 s"
            await process.type("e 1 7=44.0 sweep=out")
            _, decision = await there.next()
            assert decision["change"] == [{"zone": 7, "to_pct": 44.0}]
            assert decision["leave_sweep"] is True
            assert "signature" not in decision
            await there.publish("answer", {"id": decision["decision_id"], "accepted": True, "errors": []})
            await there.publish(
                "outcome", {"proposal_id": "p-1", "unit": "u2", "result": "moved", "code": None}
            )
            while (line := await process.line()) != "unit u2: moved":
                assert line.startswith("    ")
    log = [json.loads(line)["did"] for line in (tmp_path / "log").read_text().splitlines()]
    assert log == ["seen", "decision", "answer", "outcome"]


@pytest.mark.broker
async def test_a_decision_that_cannot_be_sent_ends_the_process(mosquitto: str, tmp_path: Path) -> None:
    """A decision against the published schema ends the operator with code 2 and the fault, not without a word."""
    (tmp_path / "decision.schema.json").write_text('{"properties": {"verdict": {"const": "reject"}}}')
    async with service(mosquitto) as there:
        words = ("--broker", mosquitto, "--press", there.press, "--operator", "op-anna", "--think-s", 0, 0)
        async with simulator("operator", *words, "--schemas", tmp_path) as process:
            await process.ready()
            await there.publish("proposal/u2", sealed())
            assert await process.ended() == 2
            assert "decision: $.verdict = 'approve'" in await process.errors()


def test_header_is_exact(tmp_path: Path) -> None:
    """The signature's header holds alg Ed25519 and the key's id, and nothing else (RFC 7515; RFC 9864)."""
    signer = Signer(_written(tmp_path / "k.pem", ed25519.Ed25519PrivateKey.generate()), "k-1")
    body = signer.seal({"b": 45.0, "a": "é"})
    header, payload, _ = body["signature"].split(".")
    padded = [part + "=" * (-len(part) % 4) for part in (header, payload)]
    from base64 import urlsafe_b64decode

    assert json.loads(urlsafe_b64decode(padded[0])) == {"alg": "Ed25519", "kid": "k-1"}
    assert urlsafe_b64decode(padded[1]) == '{"a":"é","b":45}'.encode()


@pytest.mark.parametrize("content", ["nonsense", "other curve", "public"])
def test_key_that_is_none(tmp_path: Path, content: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A key file without an Ed25519 private key is refused with what was expected."""
    path = tmp_path / "k.pem"
    path.write_text("nonsense")
    if content == "other curve":
        _written(path, ec.generate_private_key(ec.SECP256R1()))
    elif content == "public":
        from cryptography.hazmat.primitives.serialization import PublicFormat

        public = ed25519.Ed25519PrivateKey.generate().public_key()
        path.write_bytes(public.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo))
    words = ["--broker", "mqtt://127.0.0.1:1", "--operator", "op-anna", "--key", str(path), "--kid", "k"]
    assert main(words) == 2
    assert "expected an Ed25519 private key" in capsys.readouterr().err
