"""The dashboard as a process on a terminal of its own: signals, a closed terminal, no colours."""

import os
import pty
import re
import select
import signal
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest

from tests.dashboard.making import alarm, make_journal

TOP = Path(__file__).parents[2]
CODE = (
    "import signal, sys, pathlib; from monitor.dashboard.app import run_dashboard;"
    # a shell hands SIGINT on as ignored to what it starts in the background
    "signal.signal(signal.SIGINT, signal.default_int_handler);"
    "ended, _ = run_dashboard(pathlib.Path(sys.argv[1]));"
    "pathlib.Path(sys.argv[2]).write_text(ended)"
)


class Terminal:
    """A process under a pseudo-terminal of 80 columns and 24 rows."""

    def __init__(self, path, answer, **environment):
        self.master, slave = pty.openpty()
        termios.tcsetwinsize(self.master, (24, 80))
        self.process = subprocess.Popen(
            [sys.executable, "-c", CODE, str(path), str(answer)],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            cwd=TOP,
            start_new_session=True,
            env={**os.environ, "TERM": "xterm-256color", **environment},
        )
        os.close(slave)
        self.seen = b""

    def read_until(self, words, timeout_s=20.0):
        deadline_s = time.monotonic() + timeout_s
        while words not in self.seen and time.monotonic() < deadline_s:
            if select.select([self.master], [], [], 0.1)[0]:
                try:
                    self.seen += os.read(self.master, 65536)
                except OSError:  # the other side is gone
                    break
        assert words in self.seen

    def close(self):
        if self.master >= 0:
            os.close(self.master)
            self.master = -1

    def end(self):
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        self.close()


@pytest.fixture
def terminal(tmp_path):
    opened = []

    def open_(**environment):
        path = make_journal(tmp_path / "a.run", 600, last={"alarms": [alarm()]})
        opened.append(Terminal(path, tmp_path / "answer", **environment))
        return opened[-1]

    yield open_
    for one in opened:
        one.end()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_signals_leave_cleanly_and_give_the_terminal_back(terminal, tmp_path, number):
    one = terminal()
    one.read_until(b"observes only")

    one.process.send_signal(number)
    one.read_until(b"\x1b[?1049l")  # the screen of before is back (xterm control sequences)

    assert one.process.wait(10.0) == 0
    assert (tmp_path / "answer").read_text() in ("left", "finished")


def test_a_terminal_that_is_closed_ends_the_process(terminal):
    """It must not go on spinning behind a terminal that is gone."""
    one = terminal()
    one.read_until(b"observes only")

    one.close()
    one.process.send_signal(signal.SIGHUP)  # as the system does to the terminal's own process

    one.process.wait(10.0)


def test_without_colours_none_are_sent(terminal):
    one = terminal(NO_COLOR="1")
    one.read_until(b"observes only")
    one.process.send_signal(signal.SIGTERM)
    one.process.wait(10.0)

    sent = re.findall(rb"\x1b\[([0-9;]*)m", one.seen)
    numbers = {int(number) for one_sent in sent for number in one_sent.split(b";") if number}
    colours = {*range(30, 39), *range(40, 49), *range(90, 98), *range(100, 108)}  # ECMA-48
    assert sent
    assert not numbers & colours
