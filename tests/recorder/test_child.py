"""The analyser's keeper: one that dies is told of and started again, ever more patiently."""

import os
import signal
import sys
from itertools import pairwise

from monitor.recorder.child import KeptChild
from tests.recorder.bench import until

DIES = (sys.executable, "-c", "import sys; print('first'); sys.exit('no such fold')")
STAYS = (sys.executable, "-c", "import sys; sys.stdin.read()")
DEAF = (sys.executable, "-c", "import signal\nwhile True: signal.pause()")


def keeper(tmp_path, command):
    told = []
    return KeptChild(tmp_path / "a.run", lambda *said: told.append(said), command), told


def dead(child):
    return child._process is not None and child._process.poll() is not None


def test_one_that_keeps_dying_is_tried_ever_more_rarely(tmp_path):
    child, told = keeper(tmp_path, DIES)
    starts = []
    for now_s in range(400):
        before = len([said for said in told if said[0] != "lost"])
        child.look_after(float(now_s))
        if len([said for said in told if said[0] != "lost"]) > before:
            starts.append(now_s)
            until(lambda: dead(child))
    child.finish(1.0)

    pauses = [after - before for before, after in pairwise(starts)]
    assert pauses[0] <= 2
    assert pauses == sorted(pauses)
    assert max(pauses) <= 62
    assert told[0] == ("started", "")
    assert told[1][0] == "lost"
    assert "code 1: no such fold" in told[1][1]
    assert told[2] == ("restarted", "")


def test_one_that_is_killed_after_a_while_is_started_at_once(tmp_path):
    child, told = keeper(tmp_path, STAYS)
    child.look_after(0.0)
    child.look_after(500.0)
    assert told == [("started", "")]
    os.kill(child.pid, signal.SIGKILL)
    until(lambda: dead(child))

    child.look_after(501.0)

    assert [state for state, _ in told] == ["started", "lost", "restarted"]
    assert "signal 9" in told[1][1]
    assert child.finish(10.0)
    assert child.pid is None


def test_one_that_does_not_listen_is_killed_in_the_end(tmp_path):
    child, _ = keeper(tmp_path, DEAF)
    child.look_after(0.0)

    assert child.finish(0.5) is False
    assert child.pid is None


def test_one_that_cannot_be_started_is_told(tmp_path):
    child, told = keeper(tmp_path, (str(tmp_path / "nowhere"),))
    child.look_after(0.0)

    assert told[0][0] == "lost"
    assert "could not be started" in told[0][1]
    assert child.finish(1.0)
