"""`rig --calibrate` and `rig --touch`, before probes on a real terminal, a person at the keys."""

from __future__ import annotations

import json
import stat
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from thermocouple_its90 import TYPES

from drivers.millivolt import Thermocouples
from drivers.modbus import Bus
from drivers.protocol import Values
from drivers.reading import to_canonical
from monitor.commands.correcting import Point, correction
from monitor.plan.files import parse_rig
from monitor.plan.model import ChannelSpec, InstrumentSpec
from monitor.recorder.instruments import setup_of
from tests.commands.conftest import Call
from tests.commands.speaking import speaking
from tests.drivers.peers import Pty

RIG = """\
format = 1
# the board on the shelf
[[instrument]]
name = "board"
driver = "line"
port = "{port}"
fields = "T,{{pot}},{{mantle}},{{head}}"
[instrument.channels]
pot    = {{ role = "pot_temperature", unit = "degC", offset = 3 }}      # thin
mantle = {{ role = "mantle_temperature", unit = "degF" }}
head   = {{ role = "head_temperature", unit = "degC" }}
"""


class Bench:
    """Probes with errors of their own, in a bath; who answers a question has changed the bath."""

    def __init__(self, *baths_C: float) -> None:
        self._baths = iter(baths_C)
        self.bath_C = 20.0
        self.answers = ["\n"] * len(baths_C)

    def readline(self) -> str:
        self.bath_C = next(self._baths, self.bath_C)
        return self.answers.pop(0) if self.answers else ""

    def line(self, number: int) -> str:
        """Pot: gain 1.01, 0.5 too high. Mantle: 1 degF too low. Head: in the room's air."""
        pot_C = 1.01 * self.bath_C + 0.5
        mantle_F = self.bath_C * 1.8 + 32.0 - 1.0
        return f"T,{pot_C:.3f},{mantle_F:.3f},21.0\r\n"


@pytest.fixture
def pty(tmp_path: Path) -> Iterator[Pty]:
    peer = Pty(tmp_path / "port")
    yield peer
    peer.close()


@pytest.fixture
def rig(pty: Pty, tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(RIG.format(port=pty.url), encoding="utf-8")
    path.chmod(0o640)
    return path


def test_ice_and_boiling_water_set_the_probes_right(
    call: Call, pty: Pty, rig: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At 84.556 kPa (1500 m) water boils at 95.0 degC, from the IAPWS saturation line."""
    bench = Bench(0.0, 95.0)
    monkeypatch.setattr("sys.stdin", bench)
    before = rig.read_text(encoding="utf-8").splitlines()
    with speaking(pty, bench.line, 0.02):
        answer = call("rig", rig, "--calibrate", "--pressure-kPa", 84.556, "--seconds", 0.5)
    after = rig.read_text(encoding="utf-8").splitlines()
    pot, mantle, head = parse_rig(rig.read_text(encoding="utf-8")).channels()

    assert answer.code == 0
    assert pot.gain == pytest.approx(1.0 / 1.01, abs=2e-4)
    assert pot.offset == pytest.approx(-0.5 / 1.01, abs=2e-3)
    assert mantle.gain == pytest.approx(1.0, abs=2e-4)
    assert mantle.offset == pytest.approx(1.0, abs=2e-2)
    assert (head.gain, head.offset) == (1.0, 0.0)
    assert "head: says 21.0 degC and cannot be in that bath" in answer.err
    assert [n for n, (a, b) in enumerate(zip(before, after, strict=True)) if a != b] == [8, 9]
    assert after[8].endswith("}      # thin")
    assert stat.S_IMODE(rig.stat().st_mode) == 0o640
    assert sorted(p.name for p in rig.parent.iterdir()) == ["port", "rig.toml"]


def test_one_point_moves_the_offset_alone(
    call: Call, pty: Pty, rig: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = Bench(0.0, 0.0)
    bench.answers = ["\n", "s\n"]
    monkeypatch.setattr("sys.stdin", bench)
    with speaking(pty, bench.line, 0.02):
        answer = call("rig", rig, "--calibrate", "--channel", "pot", "--seconds", 0.4, "--json")
    pot, mantle, _ = parse_rig(rig.read_text(encoding="utf-8")).channels()

    assert json.loads(answer.out)["calibrated"] == [
        {"channel": "pot", "gain": 1.0, "offset": -0.5, "unit": "degC", "points": 1}
    ]
    assert (pot.gain, pot.offset, mantle.offset) == (1.0, -0.5, 0.0)
    assert "sea level is taken" in answer.err


def test_a_rig_file_with_a_mark_of_its_encoding_is_written_back(
    call: Call, pty: Pty, rig: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig.write_bytes(b"\xef\xbb\xbf" + rig.read_bytes())
    bench = Bench(0.0)
    bench.answers.append("s\n")
    monkeypatch.setattr("sys.stdin", bench)
    with speaking(pty, bench.line, 0.02):
        answer = call("rig", rig, "--calibrate", "--channel", "pot", "--seconds", 0.4)
    assert answer.code == 0, answer.err
    assert rig.read_bytes().startswith(b"\xef\xbb\xbfformat = 1\n")
    assert parse_rig(rig.read_text(encoding="utf-8-sig")).channels()[0].offset == -0.5


def test_a_rig_file_that_is_gone_when_it_is_to_be_written(
    call: Call, pty: Pty, rig: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = Bench(0.0)
    monkeypatch.setattr("sys.stdin", bench)
    monkeypatch.setattr(bench, "readline", lambda: (rig.unlink(missing_ok=True), "s\n")[1])
    answer = call("rig", rig, "--calibrate", "--channel", "pot")
    assert answer.code == 2
    assert answer.err.splitlines()[-1].endswith("No such file or directory; nothing was changed")


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--channel", "pott"], 2, "the rig has pot, mantle, head"),
        (["--pressure-kPa", 0.1], 2, "expected 1 to 1000"),
        ([], 2, "no answer came"),
    ],
)
def test_what_cannot_be_calibrated_writes_nothing(
    call: Call,
    rig: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: list[object],
    code: int,
    said: str,
) -> None:
    monkeypatch.setattr("sys.stdin", Bench())
    before = rig.read_bytes()
    answer = call("rig", rig, "--calibrate", *words)

    assert answer.code == code
    assert said in answer.err
    assert rig.read_bytes() == before


def test_a_board_that_is_not_there_is_three(
    call: Call, pty: Pty, rig: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pty.unplug()
    monkeypatch.setattr("sys.stdin", Bench(0.0, 100.0))
    answer = call("rig", rig, "--calibrate", "--seconds", 0.3)

    assert answer.code == 3
    assert "nothing is plugged in there" in answer.err


@pytest.mark.parametrize("unit", ["degC", "degF", "K"])
def test_after_the_correction_a_channel_says_what_is_true(unit: str) -> None:
    """In the channel's own unit: ice is 0 degC, 32 degF, 273.15 K."""
    channel = ChannelSpec("pot", "pot_temperature", unit)
    true = {"degC": (0.0, 100.0), "degF": (32.0, 212.0), "K": (273.15, 373.15)}[unit]
    said = [value * 0.99 + 0.7 for value in true]
    said_C = [to_canonical(value, unit, channel.role) for value in said]
    gain, offset = correction(channel, [Point(0.0, said_C[0]), Point(100.0, said_C[1])])

    assert [gain * value + offset for value in said] == pytest.approx(list(true), abs=2e-2)


ELECTRICAL = {
    "thermocouple": (
        """driver = "millivolt"
fields = "{pot}"
cold_junction_C = 25
[instrument.channels]
pot = { role = "pot_temperature", unit = "mV", type = "K" }
""",
        # Type K, NIST Monograph 175: 1.000 mV at 25 degC, 4.096 mV at 100 degC.
        {0.0: -1.000, 100.0: 4.096 - 1.000},
        0.06,
    ),
    "loop": (
        """driver = "current_loop"
fields = "{pot}"
[instrument.channels]
pot = { role = "pot_temperature", unit = "mA", at_4_mA = -50, at_20_mA = 150, span_unit = "degC" }
""",
        {0.0: 8.0, 100.0: 16.0},
        0.02,
    ),
}


@pytest.mark.parametrize("kind", ELECTRICAL)
def test_millivolts_and_loops_are_set_right_in_their_own_unit(
    call: Call, pty: Pty, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    """An amplifier that is 0.6 % and a little off; afterwards the driver reads both baths right."""
    rest, true, within_K = ELECTRICAL[kind]
    path = tmp_path / "rig.toml"
    path.write_text(
        f'format = 1\n[[instrument]]\nname = "amplifier"\nport = "{pty.url}"\n{rest}',
        encoding="utf-8",
    )
    bench = Bench(0.0, 100.0)
    monkeypatch.setattr("sys.stdin", bench)

    def line(_: int) -> str:
        return f"{true.get(bench.bath_C, 5.0) * 1.006 + 0.02:.4f}\r\n"

    shown = []
    with speaking(pty, line, 0.02):
        done = call("rig", path, "--calibrate", "--pressure-kPa", 101.42, "--seconds", 0.4)
        for bath_C in (0.0, 100.0):
            bench.bath_C = bath_C
            told = json.loads(call("rig", path, "--seconds", 0.3, "--json").out)
            shown.append(told["instruments"][0]["channels"][0]["value"])

    assert done.code == 0
    assert shown == pytest.approx([0.0, 100.0], abs=within_K)


def test_a_gain_that_no_probe_has_is_refused() -> None:
    channel = ChannelSpec("pot", "pot_temperature", "degC")
    for points in ([Point(0.0, 0.0), Point(100.0, 50.0)], [Point(0.0, 1.0), Point(100.0, 1.0)]):
        with pytest.raises(ValueError, match="is no calibration"):
            correction(channel, points)


@pytest.mark.parametrize("gain", [0.1, 0.01, -1.0, 2.0])
def test_a_gain_that_is_a_scale_is_kept_and_set_right(gain: float) -> None:
    """Registers of tenths: what the channel says with its scale is 1 % and half a kelvin off."""
    channel = ChannelSpec("pot", "pot_temperature", "degC", gain=gain, offset=0.2)
    raw = [(true_C * 1.01 + 0.5 - 0.2) / gain for true_C in (0.0, 100.0)]
    points = [Point(0.0, 0.5), Point(100.0, 101.5)]
    new_gain, offset = correction(channel, points)
    assert [new_gain * r + offset for r in raw] == pytest.approx([0.0, 100.0], abs=1e-2)
    one_gain, one_offset = correction(channel, points[:1])
    assert one_gain == gain
    assert one_gain * raw[0] + one_offset == pytest.approx(0.0, abs=1e-4)


def test_registers_of_tenths_go_through_both_baths(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """3 and 997 tenths stand for the ice and for the water that boils at 99.98 degC."""
    path = tmp_path / "rig.toml"
    bench = Bench(0.0, 100.0)
    monkeypatch.setattr("sys.stdin", bench)
    monkeypatch.setattr(Bus, "ask", lambda *_: [3 if bench.bath_C == 0.0 else 997])
    monkeypatch.setattr(Bus, "join", classmethod(lambda cls, url, _s: cls(url, 1.0)))
    path.write_text(
        'format = 1\n[[instrument]]\nname = "m"\ndriver = "modbus"\nport = "tcp://127.0.0.1:1"\n'
        "every_s = 0.1\n[instrument.channels]\n"
        'pot = { role = "pot_temperature", unit = "degC", address = 0, gain = 0.1 }\n',
        encoding="utf-8",
    )
    answer = call("rig", path, "--calibrate", "--pressure-kPa", 101.325, "--seconds", 1.0)
    (pot,) = parse_rig(path.read_text(encoding="utf-8")).channels()
    assert answer.code == 0, answer.err
    assert pot.gain * 3 + pot.offset == pytest.approx(0.0, abs=1e-3)
    assert pot.gain * 997 + pot.offset == pytest.approx(99.98, abs=1e-2)


@pytest.mark.parametrize("letter", ["K", "k"])
def test_a_corrected_cold_junction_keeps_its_correction(letter: str) -> None:
    """The board's own sensor says 3 K too much and its offset takes them off: so the pot is right,
    and a calibration changes nothing. The driver takes a type in small letters too."""
    wire = TYPES["K"]
    pot = ChannelSpec(
        "pot",
        "pot_temperature",
        "mV",
        options=(("type", letter), ("cold_junction", "cj")),
    )
    cold = ChannelSpec("cj", "ambient_temperature", "degC", offset=-3.0)

    def says_C(channel: ChannelSpec, true_C: float) -> float:
        board = InstrumentSpec("board", "millivolt", "tcp://127.0.0.1:1", (channel, cold))
        told = {"pot": wire.emf(true_C) - wire.emf(25.0), "cj": 28.0}
        (values, *_) = Thermocouples(setup_of(board).channels, None).items(told, 0.0)
        assert isinstance(values, Values)
        said_C = values.readings[0].value
        assert said_C is not None
        return said_C

    points = [Point(true_C, says_C(pot, true_C)) for true_C in (0.0, 100.0)]
    gain, offset = correction(pot, points)
    after = replace(pot, gain=gain, offset=offset)
    assert [says_C(after, true_C) for true_C in (0.0, 100.0)] == pytest.approx([0, 100], abs=0.02)


def test_what_is_calibrated_is_heard_with_every_correction(
    call: Call, pty: Pty, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pot that is right stays so, though its cold junction needs an offset."""
    wire = TYPES["K"]
    path = tmp_path / "rig.toml"
    path.write_text(
        f'format = 1\n[[instrument]]\nname = "board"\nport = "{pty.url}"\ndriver = "millivolt"\n'
        'fields = "{pot},{cj}"\n[instrument.channels]\n'
        'pot = { role = "pot_temperature", unit = "mV", type = "K", cold_junction = "cj" }\n'
        'cj = { role = "ambient_temperature", unit = "degC", offset = -3.0 }\n',
        encoding="utf-8",
    )
    bench = Bench(0.0, 100.0)
    monkeypatch.setattr("sys.stdin", bench)

    def line(_: int) -> str:
        return f"{wire.emf(bench.bath_C) - wire.emf(25.0):.5f},28.0\r\n"

    with speaking(pty, line, 0.02):
        words = ("--channel", "pot", "--pressure-kPa", 101.42, "--seconds", 0.4)
        assert call("rig", path, "--calibrate", *words).code == 0
    pot, cold = parse_rig(path.read_text(encoding="utf-8")).channels()
    assert pot.gain == pytest.approx(1.0, abs=1e-3)
    assert pot.offset == pytest.approx(0.0, abs=2e-3)
    assert cold.offset == -3.0


def warmed(which: int, after: int) -> Callable[[int], str]:
    """Three probes at rest; one of them rises from line `after` on."""

    def line(number: int) -> str:
        rise_K = min(max(number - after, 0) * 0.1, 5.0)
        temps = [21.0 + number % 2 / 10 + rise_K * (n == which) for n in range(3)]
        return "T," + ",".join(f"{t:.1f}" for t in temps) + "\r\n"

    return line


def test_the_probe_that_is_warmed_is_named(
    call: Call, pty: Pty, rig: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.commands.touching._REST_S", 0.5)
    with speaking(pty, warmed(2, 40), 0.02):
        answer = call("rig", rig, "--touch", "--seconds", 10)

    assert answer.code == 0
    assert answer.out.startswith("head  (head_temperature, board): +")


def test_no_probe_warmed_is_said(
    call: Call, pty: Pty, rig: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.commands.touching._REST_S", 0.3)
    with speaking(pty, warmed(9, 0), 0.02):
        still = call("rig", rig, "--touch", "--seconds", 0.8)
    pty.unplug()
    gone = call("rig", rig, "--touch", "--seconds", 0.3)

    assert (still.code, gone.code) == (1, 3)
    assert "no probe rose by itself" in still.out
