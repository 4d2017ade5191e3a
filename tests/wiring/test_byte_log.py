"""Byte logs: what is written is read again, and what is none is refused with its line."""

from pathlib import Path

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st

from inksteward.wiring import protocol_bytelog
from inksteward.wiring.byte_log import RECEIVED, SENT, ByteLogError, ByteLogFile, Chunk, read_log
from tests.fuzz.form import attempt

CHUNKS = [Chunk(0.0, RECEIVED, b"\x02\x00"), Chunk(0.5, SENT, b"\x06"), Chunk(2.25, RECEIVED, b"abc")]


def written(path: Path, chunks: list[Chunk]) -> Path:
    log = ByteLogFile(path)
    for chunk in chunks:
        log.add(chunk)
    log.close()
    return path


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    """A byte log gives the chunks that were put into it, one JSON object a line."""
    path = written(tmp_path / "log", CHUNKS)
    assert read_log(path) == CHUNKS
    assert path.read_text().splitlines()[0] == '{"at_s": 0.0, "direction": "received", "hex": "02 00"}'


def test_no_file_is_written_over(tmp_path: Path) -> None:
    """A file that is there is left as it is."""
    (tmp_path / "log").write_text("mine")
    with pytest.raises(ByteLogError, match="log: File exists: expected a new file"):
        ByteLogFile(tmp_path / "log")
    assert (tmp_path / "log").read_text() == "mine"


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("nonsense", "line 2: expected a JSON object"),
        ("[]", "line 2: expected an object with at_s, direction and hex"),
        ('{"at_s":1,"direction":"received"}', "line 2: expected an object with at_s"),
        ('{"at_s":-1,"direction":"received","hex":""}', "line 2: at_s = -1: expected seconds, 0 or more"),
        ('{"at_s":true,"direction":"received","hex":""}', "at_s = True"),
        ('{"at_s":NaN,"direction":"received","hex":""}', "at_s = nan"),
        ('{"at_s":0.5,"direction":"received","hex":""}', "at_s = 0.5: expected 1.0 or more"),
        ('{"at_s":1,"direction":"up","hex":""}', "direction = 'up': expected received or sent"),
        ('{"at_s":1,"direction":"sent","hex":"0"}', "hex = '0': expected pairs of hexadecimal digits"),
        ('{"at_s":1,"direction":"sent","hex":7}', "hex = 7"),
    ],
)
def test_what_is_no_byte_log(tmp_path: Path, line: str, words: str) -> None:
    """A line that is none of a byte log's is refused with its number, the value and what was expected."""
    path = tmp_path / "log"
    path.write_text('{"at_s":1.0,"direction":"received","hex":"00"}\n' + line + "\n")
    with pytest.raises(ByteLogError, match=words):
        read_log(path)


def test_no_text_and_no_file(tmp_path: Path) -> None:
    """Bytes that are no text, and a file that is not there, are refused in words."""
    (tmp_path / "log").write_bytes(b"\xff\xfe\x00")
    for name, words in (("log", "not text"), ("none", "No such file")):
        with pytest.raises(ByteLogError, match=words):
            read_log(tmp_path / name)


@given(raw=st.binary(max_size=200))
def test_any_bytes_end_in_chunks_or_words(tmp_path_factory: pytest.TempPathFactory, raw: bytes) -> None:
    """Whatever a file holds, reading ends with chunks or with the documented error."""
    path = tmp_path_factory.mktemp("any") / "log"
    path.write_bytes(raw)
    found = attempt(ByteLogError, lambda: read_log(path))
    if isinstance(found, ByteLogError):
        assert str(path) in str(found)
    else:
        assert all(chunk.at_s >= 0 for chunk in found)


def test_a_log_as_a_port(tmp_path: Path) -> None:
    """A log is read as a line would be: pauses as reads that give nothing, nothing of what was sent, then its end."""
    path = written(tmp_path / "log", CHUNKS)
    serial.protocol_handler_packages.append("inksteward.wiring")
    try:
        port = serial.serial_for_url(f"bytelog://{path}", timeout=1.0, exclusive=True)
    finally:
        serial.protocol_handler_packages.remove("inksteward.wiring")
    with port:
        assert port.write(b"nowhere") == 7
        assert (port.read(1), port.in_waiting, port.read(9)) == (b"\x02", 1, b"\x00")
        assert [port.read(9) for _ in range(3)] == [b"", b"", b"abc"]
        assert [port.read(1) for _ in range(61)] == [b""] * 61
        with pytest.raises(serial.SerialException, match=protocol_bytelog.OVER):
            port.read(1)
