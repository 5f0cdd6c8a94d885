"""Instruments on real transports that say their lines again and again while a command looks."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from tests.drivers.peers import Pty, TcpPeer


@contextmanager
def speaking(
    peer: Pty | TcpPeer, line: Callable[[int], str | bytes], every_s: float = 0.05
) -> Iterator[None]:
    """`peer` says line(0), line(1) ... until the end."""
    over = threading.Event()

    def run() -> None:
        for number in itertools.count():
            if over.wait(every_s):
                return
            with suppress(OSError):
                said = line(number)
                peer.say(said.encode() if isinstance(said, str) else said)

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield
    finally:
        over.set()
        if isinstance(peer, TcpPeer):
            peer.unplug()  # it may wait for somebody to connect
        thread.join()
