"""`inksteward listen` on real pseudo-terminals, a real broker and byte logs, as a process of its own."""

import asyncio
import contextlib
import json
import os
import re
import signal
import sys
from pathlib import Path

import pytest

from inksteward.cli import main
from inksteward_simulators.line_peer import LinePeer
from inksteward_simulators.pty_port import PtyPort
from inksteward_simulators.strip_wires import LineWire, strip_host_questions
from tests.drivers.behaviours import scan_of
from tests.drivers.bench import broker_link, running
from tests.drivers.descriptions import framed, messages_of, wire_of
from tests.wiring.listening import PATIENCE_S, listening, press
from tests.wiring.press_file import reader, write_press


async def test_bytes_frames_and_scans(tmp_path: Path, port: PtyPort) -> None:
    """Bytes, frames and what became of them are shown as they come; after `--count` results it ends well."""
    log = tmp_path / "bytes.jsonl"
    async with listening(str(press(tmp_path)), "strip", "--count", "4", "--save", str(log)) as heard:
        await heard.until("is open")
        bent = wire_of(scan_of(1209, 2)).replace(b"1.41", b"1.42", 1)
        for piece in (b"?", bent, wire_of(scan_of(1210, 2))):
            port.write(piece)
        code, err = await heard.end()
    assert (code, err) == (0, "")
    frames = messages_of(scan_of(1209, 2))
    del frames[1]
    assert heard.rows("frame") == frames + messages_of(scan_of(1210, 2))
    noise, check, scan = heard.rows("refused")
    assert noise == "1 bytes discarded: noise"
    assert re.fullmatch("checksum [0-9A-F]{2}, expected [0-9A-F]{2}", check)
    assert scan == f"scan of sheet 1209: {check}"
    [delivered] = heard.rows("delivered")
    assert "run run-0412, sheet 1210, front, full: 2 patches (2 solid), 1 missed" in delivered
    rows = [json.loads(row) for row in log.read_text().splitlines()]
    assert {row["direction"] for row in rows} == {"received"}
    assert b"".join(bytes.fromhex(row["hex"]) for row in rows) == b"?" + bent + wire_of(scan_of(1210, 2))


def test_a_byte_log_is_replayed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`--bytes` puts a saved log through the same driver, without a port and without waiting for its pauses."""
    log = tmp_path / "log"
    at_s, rows = 0.0, []
    for sheet in (1, 2):
        for text in messages_of(scan_of(sheet, 3)):
            rows.append({"at_s": at_s, "direction": "received", "hex": framed(text).hex(" ")})
            at_s += 0.1
        at_s += 3600.0
    rows = rows[:-1]
    log.write_text("".join(json.dumps(row) + "\n" for row in rows))
    assert main(["listen", "--bytes", str(log), str(press(tmp_path)), "strip"]) == 0
    out = capsys.readouterr().out
    assert out.count("delivered") == 1
    assert "sheet 1, front" in out
    assert "refused    scan of sheet 2: the line was quiet for 10 s before its end" in out
    assert out.splitlines()[-1].endswith("the byte log is over")


async def test_the_line_protocol_is_acknowledged_or_not(tmp_path: Path) -> None:
    """A reader on the line protocol gets its acknowledgements, shown as sent; with `--silent` it gets none."""
    file = write_press(tmp_path, strip_reader=reader("serial", url=str(tmp_path / "line")))
    peer = LinePeer(PtyPort(tmp_path / "line"), strip_host_questions("strip-1"))
    peer.plug()
    async with running(peer.run()):
        async with listening(str(file), "strip", "--count", "1") as heard:
            await heard.until("is open")
            await asyncio.wait_for(LineWire(peer).send(scan_of()), PATIENCE_S)
            assert await heard.end() == (0, "")
        assert heard.rows("sent")
        assert "sheet 1210" in heard.rows("delivered")[0]
        assert heard.rows("frame")[0].startswith("DATA epoch")
        async with listening(str(file), "strip", "--silent", "--count", "1") as mute:
            await mute.until("is open")
            async with running(LineWire(peer).send(scan_of(1211))):
                await mute.until("not sent")
        assert mute.rows("sent") == []
    peer.port.unplug()


async def test_nothing_is_sent_to_a_key_bank(tmp_path: Path) -> None:
    """A key bank on a line is heard and never asked: not one byte reaches the cabinet, what it says is shown."""
    heard_by_cabinet = bytearray()
    port = PtyPort(tmp_path / "keys")
    port.plug(heard_by_cabinet.extend)
    bank = [
        {
            "name": "keys",
            "driver": "serial",
            "units": ["u1", "u2"],
            "settings": {"url": str(tmp_path / "keys")},
        }
    ]
    file = write_press(tmp_path, key_bank=bank)
    async with listening(str(file), "keys") as heard:
        await heard.until("not sent")
        port.write(b"hello")
        assert "68 65 6C 6C 6F" in await heard.until("received")
        await heard.until("no position of any unit")
        heard.process.send_signal(signal.SIGINT)
        code, err = await heard.end()
    assert (code, err) == (0, "")
    assert bytes(heard_by_cabinet) == b""
    port.unplug()


@pytest.mark.broker
async def test_what_comes_over_mqtt(mosquitto: str, tmp_path: Path) -> None:
    """Drivers on MQTT show what would be delivered or is refused, and publish nothing."""
    file = write_press(tmp_path, url=mosquitto, press="press-listen", strip_reader=reader("mqtt"))
    async with (
        broker_link(mosquitto, "press-listen") as mqtt,
        listening(str(file), "strip", "--count", "2") as heard,
    ):
        await heard.until("listening to scan")
        while len(heard.lines) < 4:  # until the subscription stands: MQTT keeps nothing for who comes later
            await mqtt.publish("scan", b"{}")
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(0.3):
                    await heard.until("refused")
                    break
        await mqtt.publish("scan", json.dumps(scan_of()).encode())
        code, _ = await heard.end()
    assert code == 0
    assert "scan: scan_id: missing: expected" in heard.rows("refused")[0]


def test_a_reader_who_has_seen_enough(tmp_path: Path) -> None:
    """When nobody reads along any more, as behind `| head`, it ends without a word."""
    log = tmp_path / "log"
    rows = [{"at_s": n, "direction": "received", "hex": "41" * 400} for n in range(2000)]
    log.write_text("".join(json.dumps(row) + "\n" for row in rows))
    listen = f"{sys.executable} -m inksteward.cli listen --bytes {log} {press(tmp_path)} strip"
    assert os.system(f"{listen} 2>{tmp_path}/err | head -n 3") == 0  # noqa: S605  # its own words
    assert (tmp_path / "err").read_text() == ""
