"""Thermocouples: published reference values, cold junctions, and what is no temperature."""

import numpy as np
import pytest
from thermocouple_its90 import TYPES

from drivers.line import LineDecoder
from drivers.matching import FieldsMatcher
from drivers.millivolt import Thermocouples, open_session, temperature_C
from drivers.protocol import BadInput, SetupError, Values
from drivers.reading import Quality, Reading
from tests.drivers.peers import SCALE, ChannelSetup, running, setup_of

# NIST Monograph 175 (Burns, Scroger, Strouse, Croarkin, Guthrie 1993) = IEC 60584-1:2013: emf, mV,
# printed to 0.001 mV, cold junction 0 °C. The monograph itself was not seen: the figures come by
# way of a listing of it, whose K column agrees with an independent one. Last figure: largest error
# of the temperature, K, that the rounding to 0.0005 mV makes at that type's smallest slope here.
PRINTED = [
    ("K", {-100: -3.554, 0: 0, 25: 1.0, 100: 4.096, 200: 8.138, 300: 12.209, 500: 20.644}, 0.02),
    ("J", {-100: -4.633, 0: 0, 25: 1.277, 100: 5.269, 200: 10.779, 300: 16.327, 500: 27.393}, 0.02),
    ("T", {-100: -3.379, 0: 0, 25: 0.992, 100: 4.279, 200: 9.288, 300: 14.862}, 0.02),
    ("N", {-100: -2.407, 0: 0, 25: 0.659, 100: 2.774, 200: 5.913, 300: 9.341, 500: 16.748}, 0.03),
    ("E", {-100: -5.237, 0: 0, 25: 1.495, 100: 6.319, 200: 13.421, 300: 21.036, 500: 37.005}, 0.02),
    ("R", {25: 0.141, 100: 0.647, 200: 1.469, 300: 2.401, 500: 4.471, 1000: 10.506}, 0.09),
    ("S", {25: 0.143, 100: 0.646, 200: 1.441, 300: 2.323, 500: 4.233, 1000: 9.587}, 0.09),
    ("B", {300: 0.431, 500: 1.242, 1000: 4.834}, 0.20),
    ("B", {100: 0.033, 200: 0.178}, 0.60),
]
CASES = [(letter, t, emf, most) for letter, table, most in PRINTED for t, emf in table.items()]


@pytest.mark.parametrize(("letter", "temp_C", "emf_mV", "most_K"), CASES)
def test_agrees_with_the_printed_tables(letter, temp_C, emf_mV, most_K):
    assert temperature_C(letter, emf_mV, 0.0) == pytest.approx(temp_C, abs=most_K)


@pytest.mark.parametrize("letter", ["B", "E", "J", "K", "N", "R", "S", "T"])
def test_the_inverse_is_the_inverse_over_the_whole_range(letter):
    """Every 7 K of the reference function comes back, to 1e-6 K; type B from 50 °C."""
    wire = TYPES[letter]
    low_C, high_C = wire.range
    # The K, E, N and T functions are almost flat at their cold end; type B begins at 50 °C.
    first_C = 50.0 if letter == "B" else max(low_C, -265.0)
    temps_C = [first_C + 7.0 * n for n in range(int((high_C - first_C) / 7.0) + 1)]

    assert [temperature_C(letter, wire.emf(t), 0.0) for t in temps_C] == pytest.approx(
        temps_C, abs=1e-6
    )


@pytest.mark.parametrize("letter", ["B", "E", "J", "K", "N", "R", "S", "T"])
def test_a_second_library_gives_the_same_reference_functions(letter):
    """Typed in by somebody else from the same tables: every kelvin, to 1e-9 mV."""
    library = pytest.importorskip(
        "thermocouples_reference", reason="the second opinion is not installed"
    )
    wire = TYPES[letter]
    low_C, high_C = wire.range
    temps_C = np.arange(low_C, high_C, 1.0)

    theirs = library.thermocouples[letter].func(temps_C)
    assert [wire.emf(t) for t in temps_C] == pytest.approx(theirs, abs=1e-9)


# Worked cases with a cold junction of 25 °C, computed from the same reference functions; adding
# temperatures would give 250.3, 252.0, 255.7 and 61.8 °C.
@pytest.mark.parametrize(
    ("letter", "emf_mV", "temp_C"),
    [("K", 9.1531, 250.0), ("J", 12.2779, 250.0), ("N", 6.9383, 250.0), ("T", 1.4762, 60.0)],
)
def test_the_cold_junction_adds_its_emf_and_not_its_temperature(letter, emf_mV, temp_C):
    assert temperature_C(letter, emf_mV, 25.0) == pytest.approx(temp_C, abs=0.05)


def probe(name="pot", letter="K", role="pot_temperature", **keys):
    gain, offset = keys.pop("gain", 1.0), keys.pop("offset", 0.0)
    return ChannelSetup(name, role, "mV", gain, offset, options={"type": letter, **keys})


POT = probe()


def said(line, *channels, fields="{pot};{cold_junction}", cold_C=None):
    decoder = LineDecoder(
        FieldsMatcher(fields), Thermocouples(channels or (POT,), cold_C), drop_first=False
    )
    return list(decoder.feed(line + b"\n", 0.0))


def reading(line, channel=POT):
    return said(line, channel)[0].readings[0]


@pytest.mark.parametrize(
    ("line", "channel", "quality"),
    [
        (b"OPEN;25", POT, Quality.OPEN),
        (b"32767;25", POT, Quality.OPEN),
        (b"80;25", POT, Quality.OUT_OF_RANGE),
        (b"-9;25", POT, Quality.OUT_OF_RANGE),
        (b"70;25", probe(open_mV=69.0), Quality.OPEN),
        (b"-70;25", probe(open_mV=69.0), Quality.OPEN),
        (b"9.1;OPEN", POT, Quality.FAULT),
        (b"9.1;-127", POT, Quality.FAULT),
        (b"9.1;200", POT, Quality.FAULT),
        (b"9.1;-999", POT, Quality.FAULT),
        (b"0.004;25", probe(letter="B"), Quality.OUT_OF_RANGE),
        (b"9.1;-20", probe(letter="B"), Quality.FAULT),
    ],
)
def test_what_is_no_temperature_is_none(line, channel, quality):
    """Open, beyond the type's table, no cold junction to be believed, type B below 50 °C."""
    assert reading(line, channel) == Reading("pot", None, quality)


def test_swapped_leads_of_something_heated_are_named():
    """The pot at 125 °C, read backwards: its emf of +4.096 mV comes as -4.096."""
    values, bad = said(b"-4.096;25")

    assert values == Values((Reading("pot", None, Quality.FAULT),))
    assert isinstance(bad, BadInput)
    assert "are its leads swapped?" in bad.text


def test_a_cold_bath_may_be_colder_than_its_cold_junction():
    """NIST Monograph 175, type K: -1.889 mV at -50 °C, 1.000 mV at 25 °C."""
    bath = probe("pot", role="bath_temperature")

    assert reading(b"-2.889;25", bath).value == pytest.approx(-50.0, abs=0.03)


def test_gain_and_offset_are_for_the_millivolts():
    """An amplifier of 100 with 5 mV offset, the signal written at its output."""
    channel = probe(gain=0.01, offset=-0.05)

    assert reading(b"920.31;25", channel).value == pytest.approx(250.0, abs=0.05)


def test_the_cold_junction_may_be_a_channel_of_its_own():
    room = ChannelSetup("room", "ambient_temperature", "degF")
    pot = probe(cold_junction="room")
    (values,) = said(b"9.1531;77", pot, room, fields="{pot};{room}")

    assert values.readings[0].value == pytest.approx(250.0, abs=0.05)
    assert values.readings[1].value == pytest.approx(25.0)


def test_a_fixed_cold_junction_needs_no_place_in_the_line():
    (values,) = said(b"9.1531", POT, fields="{pot}", cold_C=25.0)

    assert values.readings[0].value == pytest.approx(250.0, abs=0.05)


@pytest.mark.parametrize(
    ("channel", "fields", "told"),
    [
        (probe(letter="X"), "{pot};{cold_junction}", "type = 'X'; one of"),
        (POT, "{pot}", "no place in the line for: cold_junction"),
        (SCALE, "{scale}", "neither in mV nor a temperature"),
        (probe("pot", role="pot_mass"), "{pot};{cold_junction}", "gives no pot_mass"),
    ],
)
def test_an_impossible_setup_is_refused(channel, fields, told):
    setup = setup_of("millivolt", "tcp://127.0.0.1:1", channel, fields=fields)
    with pytest.raises(SetupError, match=told):
        open_session(setup, lambda: 0.0)


def test_over_a_real_line_and_back_after_unplugging(peer):
    setup = setup_of("millivolt", peer.url, POT, fields="{pot};{cold_junction}")
    with running(setup, open_session) as heard:
        heard.wait_for_state("connected")
        peer.say(b"3;25\n9.1531;25\n")
        heard.wait_for_values(1)
        peer.unplug()
        heard.wait_for_state("lost")
        peer.plug_in()
        heard.wait_for_state("connected", times=2)
        peer.say(b"3;25\n9.1531;25\n")
        heard.wait_for_values(2)

    assert [e.readings[0].value for e in heard.said] == [pytest.approx(250.0, abs=0.05)] * 2
