"""Processes that tests start, kill and start again: the service and a broker."""

import getpass
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from inksteward.demo.broker import free_port
from tests.conftest import require_tool
from tests.service.bench import PATIENCE_S, Shop


@contextmanager
def service_process(
    shop: Shop,
    *words: str,
    environment: dict[str, str] | None = None,
    before: tuple[str, ...] = (),
    module: tuple[str, ...] = ("inksteward.cli",),
) -> Iterator[subprocess.Popen[bytes]]:
    """``inksteward run`` as a process; its words go to service.log in the shop's folder. ``before`` is a program that
    starts it, ``module`` one that runs it.
    """
    run = (*before, sys.executable, "-m", *module, "run", str(shop.config), "--log", "json", *words)
    with (shop.folder / "service.log").open("ab") as log:
        process = subprocess.Popen(
            run,
            stderr=log,
            env={**os.environ, **(environment or {})},
        )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
            try:
                process.wait(timeout=PATIENCE_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


class BrokerProcess:
    """A mosquitto on one port that can be killed and started again."""

    def __init__(self, folder: Path, extra: str = "persistence false\n") -> None:
        self.port = free_port()
        self.url = f"mqtt://127.0.0.1:{self.port}"
        self._folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self._config = folder / "mosquitto.conf"
        # Started by root it would become another user, who may not read its access rules in here.
        rules = f"user {getpass.getuser()}\nallow_anonymous true\n{extra}"
        self._config.write_text(f"listener {self.port} 127.0.0.1\n{rules}")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with (self._folder / "mosquitto.log").open("ab") as log:
            self._process = subprocess.Popen(
                [require_tool("mosquitto"), "-c", str(self._config)], stdout=log, stderr=log
            )
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            if _answers(self.port):
                return
            time.sleep(0.02)
        raise AssertionError("mosquitto did not start")

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


def _answers(port: int) -> bool:
    with socket.socket() as found:
        found.settimeout(1.0)
        return found.connect_ex(("127.0.0.1", port)) == 0


@contextmanager
def broker_process(folder: Path, extra: str = "persistence false\n") -> Iterator[BrokerProcess]:
    """A broker of the test's own."""
    broker = BrokerProcess(folder, extra)
    try:
        broker.start()
        yield broker
    finally:
        broker.kill()
