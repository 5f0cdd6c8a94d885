"""Bubble counters as `rig` shows them, and `rig --bubble`: a person with a syringe at the keys."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.plan.files import FileErrors, parse_rig
from tests.commands.conftest import Call
from tests.commands.speaking import speaking
from tests.drivers.peers import Pty

RIG = """\
format = 1
[[instrument]]
name = "eye"
driver = "counter"
port = "{port}"
[instrument.channels]
bubbles = {{ role = "bubble_count", unit = "1"{more} }}   # outlet
[train]
tip_depth_mm = 20
"""


@pytest.fixture
def pty(tmp_path: Path) -> Iterator[Pty]:
    peer = Pty(tmp_path / "port")
    yield peer
    peer.close()


def rig_file(pty: Pty, more: str = "") -> Path:
    path = pty.link.with_name("rig.toml")
    path.write_text(RIG.format(port=pty.url, more=more), encoding="utf-8")
    return path


def test_rate_interval_and_volume_are_shown(call: Call, pty: Pty) -> None:
    path = rig_file(pty, ", bore_mm = 5")
    with speaking(pty, lambda n: f"{n // 2}\n", 0.02):
        people = call("rig", path, "--seconds", 1)
        programs = call("rig", path, "--seconds", 1, "--json")
    (channel,) = json.loads(programs.out)["instruments"][0]["channels"]
    rate, volume = channel["bubbles_per_s"], channel["bubble"]

    assert people.code == programs.code == 0
    assert "95 % by Poisson" in people.out
    assert "one bubble: 0.094 +- 0.035 mL, estimated: a bore of 5 mm in water" in people.out
    assert rate["low"] < rate["middle"] < rate["high"]
    # By Tate's law pi 5 mm 0.07275 N/m / (998.2 kg/m3 9.80665 m/s2) = 0.1167 mL, times 0.8;
    # 20 mm of water are 0.2 % of an atmosphere (by hand).
    assert volume["mL"] == pytest.approx(0.0936, abs=2e-4)
    assert volume["u_mL"] == pytest.approx(0.0351, abs=2e-4)


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ("", "volume not known: state bubble_mL or bore_mm, or measure it"),
        (", bubble_mL = 0.11, bubble_u_mL = 0.02", "0.11 +- 0.02 mL, as the rig file states"),
        (", bubble_mL = 0.11, bore_mm = 5", "0.11 mL, as the rig file states"),
    ],
)
def test_whence_a_volume_is_known(more: str, told: str, call: Call, pty: Pty) -> None:
    with speaking(pty, lambda n: f"{n}\n"):
        answer = call("rig", rig_file(pty, more), "--seconds", 0.5)

    assert f"one bubble: {told}" in answer.out


def test_at_its_ceiling_the_rate_is_at_least(call: Call, pty: Pty) -> None:
    """20 a second, and the counter sees no more than 15."""
    with speaking(pty, lambda n: f"{n}\n"):
        answer = call("rig", rig_file(pty, ", ceiling_per_s = 15"), "--seconds", 6.5)

    assert "a second: the counter is at its ceiling" in answer.out
    assert answer.code == 1
    assert "a wider tube" in answer.out


def test_a_counter_that_begins_anew_is_joined_and_told(call: Call, pty: Pty) -> None:
    with speaking(pty, lambda n: f"{100 + n if n < 10 else n - 10}\n"):
        answer = call("rig", rig_file(pty), "--seconds", 1.5)

    assert "restarted: bubbles: total fell from" in answer.out
    assert "95 % by Poisson" in answer.out


class Keys:
    """Enter at once, then Enter when the syringe is empty."""

    def __init__(self, after_s: float) -> None:
        self._waits = [0.0, after_s]

    def readline(self) -> str:
        time.sleep(self._waits.pop(0))
        return "\n"


def test_a_known_volume_says_what_a_bubble_holds(
    call: Call, pty: Pty, monkeypatch: pytest.MonkeyPatch
) -> None:
    """40 bubbles in 5 mL are 0.125 mL each; a share of 5 % and one bubble in 40 (by hand)."""
    path = rig_file(pty)
    monkeypatch.setattr("sys.stdin", Keys(3.0))
    with speaking(pty, lambda n: f"{7 + min(max(n - 20, 0), 40)}\n", 0.03):
        answer = call("rig", path, "--bubble", "bubbles=5")
    (bubbles,) = parse_rig(path.read_text(encoding="utf-8")).channels()

    assert answer.code == 0, answer.err
    assert bubbles.bubble_mL == pytest.approx(0.125)
    assert bubbles.bubble_u_mL == pytest.approx(0.007, abs=1e-4)
    assert path.read_text(encoding="utf-8").splitlines()[6].endswith("}   # outlet")


@pytest.mark.parametrize(
    ("wanted", "code", "told"),
    [
        ("bubbles", 2, "expected CHANNEL=VOLUME"),
        ("bubbles=0", 2, "expected CHANNEL=VOLUME"),
        ("pot=5", 2, "the rig counts bubbles in bubbles"),
        ("bubbles=5", 1, "too few"),
    ],
)
def test_what_cannot_be_measured_writes_nothing(
    wanted: str, code: int, told: str, call: Call, pty: Pty, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = rig_file(pty)
    before = path.read_bytes()
    monkeypatch.setattr("sys.stdin", Keys(0.1))
    with speaking(pty, lambda n: "5\n"):
        answer = call("rig", path, "--bubble", wanted)

    assert answer.code == code
    assert told in answer.err
    assert path.read_bytes() == before


def test_a_liquid_that_is_not_known_is_refused_with_those_that_are() -> None:
    with pytest.raises(FileErrors, match=r"liquid.*one of: water, nitric acid 20 %"):
        parse_rig(RIG.format(port="tcp://h:1", more=', bore_mm = 5, liquid = "watre"'))
