"""A port server for one client, with pyserial's own half of RFC 2217."""

import select
import socket
import types
from typing import Any

import serial
import serial.rfc2217


class ModemLines(serial.Serial):
    """A pseudo-terminal has no modem lines; a port server asks for them."""

    cts = dsr = ri = cd = property(lambda _: True)

    def _update_dtr_state(self) -> None:
        pass

    def _update_rts_state(self) -> None:
        pass


def serve_port(server: socket.socket, path: str) -> None:
    """Pass bytes between one client and the device of that path until the client leaves."""
    client, _ = server.accept()
    with client, ModemLines(path, timeout=0) as port:
        client.setblocking(False)
        writer = types.SimpleNamespace(write=client.sendall)
        manager: Any = serial.rfc2217.PortManager(port, writer)  # type: ignore[arg-type]  # its stubs want itself
        while True:
            ready, _, _ = select.select([client.fileno(), port.fileno()], [], [], 5.0)
            if client.fileno() in ready:
                data = client.recv(4096)
                if not data:
                    return
                port.write(b"".join(manager.filter(data)))
            if port.fileno() in ready:
                client.sendall(b"".join(manager.escape(port.read(4096))))
