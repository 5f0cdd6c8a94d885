"""Each fault shows on the channels that it is about, and not before its moment."""

import copy
import functools

import pytest

from drivers.reading import Quality
from monitor.plan.files import parse_plan
from monitor.rehearsal.benches import BENCHES, refuse_unheard
from monitor.rehearsal.entries import Rehearsal
from monitor.rehearsal.faults import FAULTS, Fault, FaultError, Faults, parse_fault
from monitor.rehearsal.wire import line_of
from tests.rehearsal.rigs import BUNDLED_TEXT, COPPER_TEXT

PUBLISHED = """
outlet-blocked gas-in-room hood-airflow-lost heater-stuck over-temperature probe-slipped suck-back
flask-broken power-lost coolant-above-line coolant-warm coolant-flow-lost ice-gone
coolant-freezing bumping foaming-over receiver-boiling near-dryness absorber-breakthrough
leak-suspected channel-silent recorder-silent analysis-stopped disk-nearly-full gas-after-complete
stalled off-profile channel-frozen probe-open bad-values unit-changed channels-disagree
references-shifted counter-saturated check-in-missed counter-reset mass-step electrical-noise
host-slept clock-stepped heater-off crust-suspected zero-tracking
"""
"""Names of findings, alarms and rehearsal faults, as published."""

NOT_OF_A_RIG = {
    "recorder-silent",
    "analysis-stopped",
    "disk-nearly-full",
}
"""Findings about the host: no simulated rig has them."""


@functools.cache
def _at(text, minutes):
    run = Rehearsal(parse_plan(text), 1)
    run.advance(minutes * 60.0)
    return run


def struck(name, after_min, at_min=80, text=BUNDLED_TEXT):
    """(without, with) the fault: two rigs alike until `at_min`, `after_min` later."""
    return _went_on(after_min, at_min, text), _went_on(after_min, at_min, text, name)


@functools.cache
def _went_on(after_min, at_min, text, *faults):
    run = copy.deepcopy(_at(text, at_min))
    run.world.faults = Faults(Fault(name, at_min * 60.0) for name in faults)
    values = {}
    for _ in range(round(after_min * 60.0)):
        run.advance(1.0)
        values = {r.channel: r for s in run.say() for r in s.values}
    return run, values


def shift(pair, channel):
    """How much more the channel shows with the fault than without."""
    return pair[1][1][channel].value - pair[0][1][channel].value


def test_every_published_name_is_rehearsed_or_no_rig_has_it():
    published = set(PUBLISHED.split())

    assert published - set(FAULTS) == NOT_OF_A_RIG
    assert set(FAULTS) <= published


@pytest.mark.parametrize(
    ("text", "at_s"),
    [("ice-gone@40min", 2400.0), ("ice-gone@90s", 90.0), ("ice-gone@1.5h", 5400.0),
     ("ice-gone", 3600.0)],
)  # fmt: skip
def test_moments(text, at_s):
    assert parse_fault(text) == Fault("ice-gone", at_s)


def test_a_way_is_asked_for_by_name():
    assert parse_fault("suck-back/steam@1h") == Fault("suck-back", 3600.0, "steam")
    assert Faults(["suck-back/gas@1h"]).way("suck-back") == "gas"
    assert Faults().way("suck-back") == ""


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("ice-gon@4min", "nearest: ice-gone"),
        ("nonsense", "--faults lists all"),
        ("ice-gone@40", "@40min"),
        ("suck-back/smoke", "suck-back/steam"),
        ("ice-gone/steam", "none"),
    ],
)
def test_what_is_no_fault_says_so(text, hint):
    with pytest.raises(FaultError, match=hint):
        parse_fault(text)


@functools.cache
def _said_early(*faults):
    run = Rehearsal(parse_plan(BUNDLED_TEXT), 1, faults)
    run.advance(240.0)
    return run.say()


@pytest.mark.parametrize("name", FAULTS)
def test_nothing_shows_before_its_moment(name):
    assert _said_early(f"{name}@10min") == _said_early()


def test_a_fault_given_twice_is_refused():
    with pytest.raises(FaultError, match="mass-step"):
        Faults(["mass-step@10min", "mass-step@20min"])


@pytest.mark.parametrize(
    ("name", "after_min", "channel", "least", "most"),
    [
        ("outlet-blocked", 4, "pressure", 2.0, 10.0),
        ("gas-in-room", 3, "room_no2", 3.0, 8.0),
        ("hood-airflow-lost", 1, "airflow", -0.6, -0.3),
        ("heater-stuck", 10, "mantle", 20.0, 300.0),
        ("over-temperature", 15, "pot", 10.0, 90.0),
        ("probe-slipped", 4, "pot", -150.0, -20.0),
        ("probe-slipped", 8, "mantle", 25.0, 300.0),
        ("flask-broken", 2, "pot_mass", -30.0, -5.0),
        ("flask-broken", 5, "room_no2", 1.0, 30.0),
        ("coolant-flow-lost", 1, "coolant_flow", -600.0, -300.0),
        ("coolant-flow-lost", 6, "coolant_out", 8.0, 80.0),
        ("coolant-freezing", 12, "coolant_in", -16.0, -9.0),
        ("foaming-over", 4, "head", 15.0, 200.0),
        ("foaming-over", 5, "receiver_mass", 1.0, 20.0),
        ("receiver-boiling", 20, "receiver", 15.0, 26.0),
        ("receiver-boiling", 25, "receiver_mass", -20.0, -0.5),
        ("absorber-breakthrough", 10, "bubbles", 500.0, 1e6),
        ("leak-suspected", 10, "bubbles", -1e6, -500.0),
        ("leak-suspected", 20, "receiver_mass", -20.0, -1.5),
        ("stalled", 25, "pot", -60.0, -15.0),
        ("off-profile", 20, "pot", -40.0, -12.0),
        ("references-shifted", 0.1, "pot", 5.0, 7.0),
        ("references-shifted", 0.1, "bath", 5.5, 6.5),
        ("mass-step", 0.1, "pot_mass", 12.0, 12.8),
        ("channels-disagree", 20, "pot_mass", 1.0, 20.0),
        ("heater-off", 1, "power", -400.0, -20.0),
        ("heater-off", 20, "mantle", -200.0, -30.0),
        ("crust-suspected", 15, "pot_mass", 1.0, 20.0),
    ],
)  # fmt: skip
def test_shows(name, after_min, channel, least, most):
    assert least < shift(struck(name, after_min), channel) < most


@pytest.mark.parametrize("name", ["ice-gone", "coolant-above-line"])
def test_coolant_passes_the_line_and_nobody_comes(name):
    run = struck(name, 120, at_min=40)[1][0]

    assert run.world.coolant.out_C > run.world.coolant.line_C - 3.0
    if name == "coolant-above-line":
        assert run.world.coolant.out_C > run.world.coolant.line_C


def test_coolant_warms_once_and_fresh_ice_is_added():
    run = Rehearsal(parse_plan(BUNDLED_TEXT), 1, ["coolant-warm@62min"])
    margins = []
    while run.world.now_s < 130 * 60.0:
        run.advance(30.0)
        coolant = run.world.coolant
        margins.append(coolant.line_C - max(coolant.in_C, coolant.out_C))

    assert 0.0 < min(margins) < 3.0
    assert min(margins[-20:]) > 10.0
    assert run.truth().progress > 0.9


def test_absorber_water_comes_back_into_the_pot():
    _, early = struck("suck-back", 1.5, at_min=170)
    plain, faulty = struck("suck-back", 6, at_min=170)

    assert early[1]["pressure"].value < -0.9
    assert faulty[0].world.swallowed_g > 20.0
    lost_g = plain[1]["receiver_mass"].value - faulty[1]["receiver_mass"].value
    assert lost_g == pytest.approx(faulty[0].world.swallowed_g, rel=0.4)


def test_a_counter_at_its_ceiling_counts_evenly_and_says_at_least():
    plain, faulty = struck("counter-saturated", 5)
    counted, run = faulty[1]["bubbles"].value, copy.deepcopy(faulty[0])
    for _ in range(60):
        run.advance(1.0)
        last = {r.channel: r for s in run.say() for r in s.values}["bubbles"]

    assert last.value - counted == pytest.approx(60 * 20, abs=1)
    assert (plain[1]["bubbles"].quality, last.quality) == (Quality.GOOD, Quality.AT_LEAST)


def test_a_counter_that_is_reset_goes_on_from_zero():
    plain, faulty = struck("counter-reset", 2)

    assert 0 <= faulty[1]["bubbles"].value < 0.2 * plain[1]["bubbles"].value


def test_a_frozen_channel_repeats_itself():
    run = copy.deepcopy(struck("channel-frozen", 1)[1][0])
    said = []
    for _ in range(30):
        run.advance(1.0)
        said += [r.value for s in run.say() for r in s.values if r.channel == "pot"]

    assert len(set(said)) == 1


def test_zero_tracking_hides_a_slow_loss():
    """A tail of a few milligrams a second, wiped from the display."""
    run = Rehearsal(parse_plan(BUNDLED_TEXT), 1)
    while run.truth().progress < 0.9:
        run.advance(10.0)
    run.world.faults = Faults([Fault("zero-tracking", run.world.now_s)])

    def shown():
        return {r.channel: r.value for s in run.say() for r in s.values}["pot_mass"]

    run.say()
    first_g, true_g = shown(), run.world.mass_g
    for _ in range(2400):
        run.advance(1.0)
        last_g = shown()

    assert true_g - run.world.mass_g > 1.0
    assert first_g - last_g < 0.5 * (true_g - run.world.mass_g)


def test_bumping_jolts_pressure_and_mass():
    run = copy.deepcopy(struck("bumping", 0.1)[1][0])
    pressures, masses = [], []
    for _ in range(120):
        run.advance(1.0)
        values = {r.channel: r.value for s in run.say() for r in s.values}
        pressures.append(values["pressure"])
        masses.append(values["pot_mass"])

    assert max(pressures) - min(pressures) > 0.3
    assert max(masses) - min(masses) > 1.0


def test_noise_comes_with_the_heater_alone():
    run = copy.deepcopy(struck("electrical-noise", 0.1)[1][0])

    def scatter():
        said = []
        for _ in range(40):
            run.advance(1.0)
            said += [r.value for s in run.say() for r in s.values if r.channel == "bath"]
        return max(said) - min(said)

    loud = scatter()
    run.world.faults = Faults([*run.world.faults.all, Fault("heater-off", 0.0)])
    assert loud > 6.0
    assert scatter() < 1.0


def test_late_gas_comes_from_a_pocket():
    run = Rehearsal(parse_plan(BUNDLED_TEXT), 1, ["gas-after-complete@190min"])
    run.advance(189 * 60.0)
    quiet, before = run.truth().gas_mL_per_min, run.truth().gas_L
    run.advance(30 * 60.0)

    assert quiet < 1.0
    assert run.truth().gas_L - before > 0.02 * before


def test_the_last_free_water_goes_over():
    plain, faulty = struck("near-dryness", 2, at_min=14, text=COPPER_TEXT)

    assert plain[0].world.free_water_g > 1.0
    assert faulty[0].world.free_water_g == 0.0


def spoken(name, key, text=BUNDLED_TEXT):
    run = Rehearsal(parse_plan(text), 1, [f"{name}@1min"])
    run.advance(70.0)
    return {s.instrument.key: s for s in run.say()}.get(key)


def test_silence_and_open_leads_on_the_wire():
    assert spoken("channel-silent", "outlet") is None
    assert spoken("power-lost", "board") is None
    assert spoken("power-lost", "outlet") is not None
    board = spoken("probe-open", "board")
    assert next(r for r in board.values if r.channel == "head").quality is Quality.OPEN
    assert line_of(board).split(b",")[3] == b"OPEN"


def test_another_unit_on_the_wire():
    plain, odd = spoken("mass-step", "board"), spoken("unit-changed", "board")
    degC, degF = (float(line_of(s).split(b",")[1]) for s in (plain, odd))

    assert degF == pytest.approx(degC * 1.8 + 32.0, abs=0.1)


def test_a_second_probe_drifts_away_and_the_balance_is_left_alone():
    run = Rehearsal(parse_plan(BUNDLED_TEXT), 1, ["channels-disagree/drift@1min"], BENCHES["twins"])
    apart_K, mass_g = [], []
    for until_s in (50.0, 50.0 + 1200.0):
        run.advance(until_s - run.world.now_s)
        seen = {r.channel: r.value for spoken in run.say() for r in spoken.values}
        apart_K.append(seen["pot_2"] - seen["pot"])
        mass_g.append(seen["pot_mass"] - run.world.observe()["pot_mass"])

    assert apart_K[1] - apart_K[0] == pytest.approx(-0.5 * 1190.0 / 60.0, abs=0.6)
    assert mass_g[1] == pytest.approx(mass_g[0], abs=0.1)


def test_a_drift_of_a_probe_that_is_not_there_is_refused():
    faults = [parse_fault("channels-disagree/drift@1h")]
    refuse_unheard(faults, BENCHES["twins"])
    with pytest.raises(FaultError, match="--instruments twins"):
        refuse_unheard(faults, BENCHES["usual"])


def test_leads_that_touch_read_the_terminals_and_the_head_goes_on():
    run = Rehearsal(parse_plan(BUNDLED_TEXT), 1, ["probe-open/short@1min"])
    run.advance(1500.0)
    seen = {r.channel: r for spoken in run.say() for r in spoken.values}

    assert run.world.heating.probe_C > 60.0
    assert seen["pot"].value == pytest.approx(seen["room"].value + 4.0, abs=0.5)
    assert seen["head"].quality is Quality.GOOD
