"""Every kind of simulated instrument on its real wire, read by the driver that is meant for it."""

import asyncio
import contextlib
import re
import subprocess
import sys
import time

import paho.mqtt.client as mqtt
import pytest

from drivers.catalogue import DRIVERS
from drivers.line import LineDecoder
from drivers.matching import matcher_from
from drivers.millivolt import Thermocouples
from drivers.protocol import BadInput, ChannelSetup, Values
from drivers.reading import ROLES, Quality, Reading
from drivers.transport import LinkError
from monitor.plan.files import parse_plan, parse_rig
from monitor.recorder.instruments import setup_of
from monitor.rehearsal.__main__ import main
from monitor.rehearsal.benches import BENCHES
from monitor.rehearsal.entries import Rehearsal
from monitor.rehearsal.gauges import Spoken
from monitor.rehearsal.rig import rig_toml
from monitor.rehearsal.serve import Wires
from monitor.rehearsal.wire import line_of
from tests.drivers.mqtt_peers import SYSTEM_BROKER, PackagedBroker, SystemBroker
from tests.rehearsal.rigs import BINDER_TEXT, BUNDLED

# The packaged broker leaves sockets of those who went without a farewell to the garbage collector.
pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")

BY_KEY = {instrument.key: instrument for instrument in BENCHES["every-kind"]}
TERMINALS_C = 25.0
PATIENCE_S = 15.0

SAID = {
    "thermocouples": (205.3, 231.4, 104.9),
    "board": (1.4, 12.3, -0.6),
    "flow": (312.4,),
    "loops": (-0.341, 405.0, 0.52),
    "controller": (231.7, 64.2, -1.5),
    "station": (21.3, 97.64, 0.03),
}
"""Instrument -> what its gauges hold, in canonical units."""
COARSE = {"controller": 0.06, "loops": 0.07}
"""What the wire rounds: a tenth of a register; a ten-thousandth of a milliampere."""


@pytest.fixture
def broker(tmp_path):
    serving = PackagedBroker(tmp_path, guests=True)
    yield f"mqtt://127.0.0.1:{serving.port}"
    serving.stop()


class Bench:
    """One instrument on its wire, and a driver's session with it."""

    def __init__(self, key, broker):
        self.instrument, self.wires = BY_KEY[key], Wires(broker)

    async def open(self):
        await self.wires.open([self.instrument])
        text = rig_toml(self.wires.ports, [self.instrument], word=self.wires.word, every_s=0.05)
        (self.spec,) = parse_rig(text, drivers=DRIVERS).instruments
        self.session = await asyncio.to_thread(self._opened)

    def _opened(self):
        return DRIVERS[self.spec.driver].open_session(setup_of(self.spec), time.monotonic)

    async def say(self, values):
        names = [gauge.name for gauge in self.instrument.gauges]
        said = tuple(
            Reading(n, v, Quality.OPEN if v is None else Quality.GOOD)
            for n, v in zip(names, values, strict=True)
        )
        await self.wires.say([Spoken(self.instrument, said, cold_junction_C=TERMINALS_C)])

    async def hear(self, values):
        """What the driver makes of it, once every channel has spoken."""
        heard, bad = {}, []
        async with asyncio.timeout(PATIENCE_S):
            while len(heard) < len(values):
                await self.say(values)
                for item in await asyncio.to_thread(self.session.read, 0.05):
                    bad += [item] if isinstance(item, BadInput) else []
                    if isinstance(item, Values):
                        heard |= {reading.channel: reading for reading in item.readings}
        assert not bad
        return [heard[gauge.name] for gauge in self.instrument.gauges]

    async def close(self):
        await asyncio.to_thread(self.session.close)
        await self.wires.close()


@contextlib.asynccontextmanager
async def bench(key, broker):
    one = Bench(key, broker)
    await one.open()
    try:
        yield one
    finally:
        await one.close()


def read_on(session):
    """Until the link is lost, or it is plain that it is not."""
    for _ in range(1000):
        session.read(0.05)


@pytest.mark.parametrize("key", SAID)
async def test_a_driver_reads_what_was_said(key, broker):
    """Also that a channel without a sensor says so, and costs the others nothing."""
    within = COARSE.get(key, 0.01)
    async with bench(key, broker) as one:
        for missing in (None, *range(len(SAID[key]))):
            said = tuple(None if n == missing else v for n, v in enumerate(SAID[key]))
            # What is still on its way was said before: hear it out.
            for _ in range(4):
                heard = await one.hear(said)
            assert [r.value for r in heard] == pytest.approx(list(said), abs=within, nan_ok=False)
            expected = [Quality.OPEN if v is None else Quality.GOOD for v in said]
            assert [r.quality for r in heard] == expected


def test_every_driver_that_opens_something_has_an_instrument():
    """Playback opens nothing; balances and counters are the usual rig's."""
    served = {instrument.driver for instrument in BENCHES["every-kind"]}

    assert served == {name for name, info in DRIVERS.items() if info.schemes}


@pytest.mark.parametrize("bench_name", BENCHES)
def test_the_rig_that_goes_with_a_bench_can_be_read(bench_name):
    rig = parse_rig(rig_toml(instruments=BENCHES[bench_name]), drivers=DRIVERS)
    gauges = [gauge for instrument in BENCHES[bench_name] for gauge in instrument.gauges]

    assert [c.role for c in rig.channels()] == [gauge.role for gauge in gauges]
    assert [c.name for c in rig.channels()] == [gauge.name for gauge in gauges]


def test_every_kind_measures_every_role():
    assert {g.role for i in BENCHES["every-kind"] for g in i.gauges} == set(ROLES)


def test_a_flow_meter_stands_for_the_outlets_bubbles():
    usual, other = ({g.role for i in BENCHES[b] for g in i.gauges} for b in ("usual", "flow-meter"))

    assert usual - other == {"bubble_count"}
    assert other - usual == {"outlet_flow"}


def test_without_mains_only_what_has_its_own_supply_speaks():
    run = Rehearsal(parse_plan(BINDER_TEXT), 1, ["power-lost@5s"], BENCHES["every-kind"])
    run.advance(5.0)
    spoke = {spoken.instrument.name for spoken in run.say()}

    assert spoke == {"outlet counter", "inlet counter", "room station"}


@pytest.mark.parametrize("fault", ["references-shifted", "electrical-noise"])
def test_what_gets_into_a_board_gets_into_its_thermocouples(fault):
    """6 K, and a scatter of 4 K where the heater is on; the bath's own device is spared."""
    runs = [
        Rehearsal(parse_plan(BINDER_TEXT), 1, faults, BENCHES["every-kind"])
        for faults in ((), [f"{fault}@600s"])
    ]
    moved = {}
    for _ in range(40):
        for run in runs:
            run.advance(15.0 if run.world.now_s else 600.0)
        clean, struck = ({s.instrument.key: s.values for s in run.say()} for run in runs)
        for key in ("thermocouples", "controller"):
            last = (clean[key][-1].value, struck[key][-1].value)
            moved.setdefault(key, []).append(last[1] - last[0])

    assert max(map(abs, moved["thermocouples"])) > 4.0
    assert max(map(abs, moved["controller"])) < 1.0


def test_the_flow_meter_follows_the_gas():
    """Gain 2 %, zero 0.3 mL/min and noise 0.8 mL/min, all as standard deviations; five of each."""
    run = Rehearsal(parse_plan(BINDER_TEXT), 1, (), BENCHES["flow-meter"])
    most_mL_min = 0.0
    for _ in range(75):
        run.advance(60.0)
        flows = [s for s in run.say() if s.instrument.name == "flow meter"]
        true_mL_min = run.world.observe()["outlet_flow"]
        most_mL_min = max(most_mL_min, true_mL_min)
        assert flows[0].values[0].value == pytest.approx(true_mL_min, rel=0.1, abs=5.6)

    assert most_mL_min > 100.0


def test_millivolts_are_those_of_the_reference_function():
    """Type K, 200 degC: 8.138 mV, 25 degC: 1.000 mV (NIST Monograph 175, table of type K)."""
    board = BY_KEY["thermocouples"]
    values = tuple(
        Reading(g.name, v) for g, v in zip(board.gauges, (200.0, 25.0, 0.0), strict=True)
    )
    pot, mantle, head, cold = (
        float(word) for word in line_of(Spoken(board, values, cold_junction_C=25.0))[2:].split(b",")
    )

    assert (pot, mantle, head) == pytest.approx((7.138, 0.0, -1.0), abs=1e-3)
    assert cold == 25.0


@pytest.mark.parametrize("temp_C", [-10.0, 0.0, 24.9, 160.05, 320.0, 1100.0])
def test_thermocouples_come_back_to_a_hundredth_of_a_kelvin(temp_C):
    board = BY_KEY["thermocouples"]
    channels = [ChannelSetup(g.name, g.role, "mV", options={"type": "K"}) for g in board.gauges]
    decoder = LineDecoder(
        matcher_from({"fields": "K,{pot},{mantle},{head},{cold_junction}"}),
        Thermocouples(channels, None),
        drop_first=False,
    )
    values = tuple(Reading(gauge.name, temp_C) for gauge in board.gauges)
    (item,) = decoder.feed(line_of(Spoken(board, values, cold_junction_C=24.8)), 0.0)

    assert [r.value for r in item.readings] == pytest.approx([temp_C] * 3, abs=0.01)


@pytest.mark.parametrize(
    ("pressure_kPa", "current_mA"),
    [(-5.0, "4.0000"), (15.0, "20.0000"), (40.0, "20.5000"), (-40.0, "3.8000"), (None, "0.0000")],
)
def test_a_transmitter_keeps_to_its_bands(pressure_kPa, current_mA):
    """Ends of the measuring range: 3.8 and 20.5 mA (NAMUR NE 43). A cut wire carries nothing."""
    loops = BY_KEY["loops"]
    values = (Reading("pressure", pressure_kPa), Reading("a", 0.0), Reading("b", 0.0))

    assert line_of(Spoken(loops, values)).split(b",")[1].decode() == current_mA


async def test_registers_fall_silent_without_power_and_come_back():
    async with bench("controller", None) as one:
        await one.hear(SAID["controller"])
        await one.wires.say([])
        with pytest.raises(LinkError):
            await asyncio.to_thread(read_on, one.session)
        await asyncio.to_thread(one.session.close)
        await one.say(SAID["controller"])
        one.session = await asyncio.to_thread(one._opened)
        heard = await one.hear(SAID["controller"])

    assert [r.quality for r in heard] == [Quality.GOOD] * 3


async def test_nobody_writes_to_a_simulated_register():
    from pymodbus.client import AsyncModbusTcpClient

    async with bench("controller", None) as one:
        await one.hear(SAID["controller"])
        port = int(re.search(r":(\d+)$", one.spec.port)[1])
        client = AsyncModbusTcpClient("127.0.0.1", port=port, retries=0)
        await client.connect()
        answer = await client.write_register(2, 999, device_id=1)
        client.close()
        heard = await one.hear(SAID["controller"])

    assert answer.isError()
    assert heard[1].value == pytest.approx(64.2)


async def test_a_sensor_comes_back_when_its_broker_does(tmp_path):
    serving = PackagedBroker(tmp_path, guests=True)
    async with bench("station", f"mqtt://127.0.0.1:{serving.port}") as one:
        await one.hear(SAID["station"])
        await asyncio.to_thread(serving.stop)
        await one.say(SAID["station"])
        with pytest.raises(LinkError):
            await asyncio.to_thread(read_on, one.session)
        await asyncio.to_thread(one.session.close)
        await asyncio.to_thread(serving.start)
        one.session = await asyncio.to_thread(one._opened)
        heard = await one.hear(SAID["station"])
    await asyncio.to_thread(serving.stop)

    assert [r.value for r in heard] == list(SAID["station"])


async def test_a_sensor_ends_in_the_middle_of_its_messages(broker):
    """Many times: an end that meets an acknowledgement was once waited for without end."""
    station = BY_KEY["station"]
    values = tuple(Reading(gauge.name, 1.0) for gauge in station.gauges)
    async with asyncio.timeout(PATIENCE_S):
        for number in range(20):
            wires = Wires(broker)
            await wires.open([station])
            for _ in range(5 + number):
                await wires.say([Spoken(station, values)])
            await asyncio.sleep(0.001 * number)
            await wires.close()


def what_is_kept(port, client_id):
    """Whether the broker holds a session under that name, and topics with a retained message."""
    known, retained, subscribed = [], [], []
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=False)

    def on_connect(_client, _data, flags, _reason, _properties):
        known.append(flags.session_present)
        client.subscribe("rehearsal/#", 1)

    client.on_connect = on_connect
    client.on_subscribe = lambda *_: subscribed.append(True)
    client.on_message = lambda _c, _d, m: retained.append(m.topic) if m.retain else None
    client.connect("127.0.0.1", port)
    until_s = time.monotonic() + PATIENCE_S
    while not subscribed and time.monotonic() < until_s:
        client.loop(0.1)
    client.loop(0.3)
    client.disconnect()
    client.loop(0.1)
    return known, retained


@pytest.fixture
def system_broker(tmp_path):
    if SYSTEM_BROKER is None:
        pytest.skip("this machine has no broker of its own")
    serving = SystemBroker(tmp_path)
    yield serving
    serving.stop()


async def test_a_broker_is_left_as_it_was_found(system_broker):
    async with bench("station", f"mqtt://127.0.0.1:{system_broker.port}") as one:
        await one.hear(SAID["station"])
        await asyncio.to_thread(one.session.close)
        reader = dict(one.spec.options)["client_id"]
        during = await asyncio.to_thread(what_is_kept, system_broker.port, reader)
    after = await asyncio.to_thread(what_is_kept, system_broker.port, reader)

    assert during == ([True], [])
    assert after == ([False], [])


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--instruments", "all"], "usual, flow-meter, every-kind"),
        (["--instruments", "every-kind"], "--broker mqtt://"),
        (["--instruments", "every-kind", "--broker", "tcp://127.0.0.1:1"], "mqtt://HOST:PORT"),
        (["--instruments", "every-kind", "--broker", "mqtt://127.0.0.1:1"], "refused"),
        (["--instruments", "every-kind", "--broker", "mqtt://127.0.0.1:99999"], "out of range"),
        (["--instruments", "flow-meter", "--fault", "counter-reset"], "bubble_count"),
        (["--broker", "mqtt://127.0.0.1:1883"], "none of these instruments"),
    ],
)
def test_what_cannot_be_served_is_refused_in_a_sentence(options, said, capsys):
    assert main([str(BUNDLED), *options]) == 2
    assert said in capsys.readouterr().err


def test_the_usual_rig_loads_no_library_that_it_does_not_need():
    code = (
        "import sys, monitor.rehearsal.__main__\n"
        "print([n for n in ('pymodbus', 'aiomqtt', 'paho', 'thermocouple_its90')"
        " if n in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "[]"
