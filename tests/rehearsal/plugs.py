"""A plug between an instrument and whoever reads it: pulled and put back, whatever is spoken."""

from __future__ import annotations

import contextlib
import re
import socket
import threading

__all__ = ["Plug", "behind_plugs"]

_ADDRESS = re.compile(r'(?<=port = ")(tcp|mqtt)://127\.0\.0\.1:(\d+)(?=")')


class Plug:
    """Carries bytes both ways between a port of its own and the instrument's."""

    def __init__(self, to_port: int) -> None:
        self._to_port, self.port = to_port, 0
        self._held: list[socket.socket] = []
        self._lock = threading.Lock()
        self.push()

    def push(self) -> None:
        """Plug in, at the same port as before."""
        self._server = socket.create_server(("127.0.0.1", self.port))
        self.port = self._server.getsockname()[1]
        threading.Thread(target=self._accept, args=(self._server,), daemon=True).start()

    def pull(self) -> None:
        """Cut every connection, and let nobody in."""
        with self._lock:
            # A blocked accept or recv does not end when its socket is merely closed.
            for one in (self._server, *self._held):
                with contextlib.suppress(OSError):
                    one.shutdown(socket.SHUT_RDWR)
                one.close()
            self._held.clear()

    def _accept(self, server: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = server.accept()
                far = socket.create_connection(("127.0.0.1", self._to_port))
                with self._lock:
                    self._held += [near, far]
                for pair in ((near, far), (far, near)):
                    threading.Thread(target=self._carry, args=pair, daemon=True).start()

    @staticmethod
    def _carry(source: socket.socket, sink: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(4096):
                sink.sendall(data)
        with contextlib.suppress(OSError):  # whoever hung up, the other side is told
            sink.shutdown(socket.SHUT_WR)


def behind_plugs(rig_text: str) -> tuple[str, dict[str, Plug]]:
    """The rig with a plug before every instrument that is reached over a socket, by its name."""
    plugs: dict[str, Plug] = {}
    tables = rig_text.split("[[instrument]]")
    for number, table in enumerate(tables):
        found, name = _ADDRESS.search(table), re.search(r'name = "(.+)"', table)
        if found and name:
            plug = plugs[name[1]] = Plug(int(found[2]))
            tables[number] = _ADDRESS.sub(f"{found[1]}://127.0.0.1:{plug.port}", table)
    return "[[instrument]]".join(tables), plugs
