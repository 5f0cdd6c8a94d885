"""The rig file that goes with a rehearsal's instruments."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from monitor.rehearsal.gauges import INSTRUMENTS, Gauge, Instrument, Loop, Register
from monitor.rehearsal.wire import THERMOCOUPLE

__all__ = ["available_topic", "reader_name", "rig_toml", "topic"]

_TRAIN = """[train]
tip_depth_mm = 20
dead_volume_mL = 600
absorber_water_g = 150

[coolant]
kind = "ice bath"
ice_kg = 3.0
"""
_COUNTER_KEYS = {
    "bubble_count": ", bubble_mL = 0.11, bubble_u_mL = 0.02, ceiling_per_s = 20",
    "inlet_bubble_count": ", bubble_mL = 0.3, bubble_u_mL = 0.06, ceiling_per_s = 25",
}


_OPEN_mV: Final = 70.0
"""Far beyond what any thermocouple gives, and below the board's full scale."""
_PATIENCE_S: Final = 5.0
"""For a Modbus answer; a rehearsal that is busy computing answers late."""


def topic(key: str, word: str) -> str:
    """Where an instrument of the rehearsal called `word` publishes."""
    return f"rehearsal/{word}/{key}"


def available_topic(key: str, word: str) -> str:
    """Where it says that it is there, and the broker that it is not."""
    return f"{topic(key, word)}/state"


def reader_name(key: str, word: str) -> str:
    """Under which name the broker keeps its messages for the recorder."""
    return f"{word}-{key}-reader"


def rig_toml(
    ports: Mapping[str, str] | None = None,
    instruments: Sequence[Instrument] = INSTRUMENTS,
    *,
    word: str = "rehearsal",
    every_s: float = 1.0,
) -> str:
    """The rig as text. `ports` gives each instrument's address by its key ("board", "pot" ...).

    Without ports the instruments stand at addresses nobody listens on: a rig that only a journal
    without sockets refers to. `word` is this rehearsal's name on a broker; `every_s` is how often
    an instrument is asked that speaks only when asked.
    """
    parts = ["format = 1\n"]
    for number, instrument in enumerate(instruments):
        nowhere = "mqtt" if instrument.driver == "mqtt" else "tcp"
        port = (ports or {}).get(instrument.key, f"{nowhere}://127.0.0.1:{47110 + number}")
        parts.append(_instrument(instrument, port, word, every_s))
    return "\n".join([*parts, _TRAIN])


def _instrument(instrument: Instrument, port: str, word: str, every_s: float) -> str:
    lines = [
        "[[instrument]]",
        f'name = "{instrument.name}"',
        f'driver = "{instrument.driver}"',
        *_keys(instrument, word, every_s),
        f'port = "{port}"',
        "",
        "[instrument.channels]",
        *(_channel(gauge, instrument, word) for gauge in instrument.gauges),
        "",
    ]
    return "\n".join(lines)


def _keys(instrument: Instrument, word: str, every_s: float) -> list[str]:
    """What the driver has to be told beside the channels."""
    if instrument.driver == "modbus":
        return [f"every_s = {every_s:g}", f"timeout_s = {_PATIENCE_S:g}"]
    if instrument.driver == "mqtt":
        return [
            f'client_id = "{reader_name(instrument.key, word)}"',
            f'availability = "{available_topic(instrument.key, word)}"',
        ]
    if not instrument.head:
        return []
    names = [gauge.name for gauge in instrument.gauges]
    names += ["cold_junction"] if instrument.driver == "millivolt" else []
    return [f'fields = "{",".join([instrument.head, *("{" + n + "}" for n in names)])}"']


def _channel(gauge: Gauge, instrument: Instrument, word: str) -> str:
    unit, more = gauge.unit, _COUNTER_KEYS.get(gauge.role, "")
    if instrument.driver == "millivolt":
        unit, more = "mV", f', type = "{THERMOCOUPLE}", open_mV = {_OPEN_mV:g}'
    elif instrument.driver == "mqtt":
        more = f', topic = "{topic(instrument.key, word)}", pointer = "/{gauge.name}"'
    elif isinstance(gauge.place, Loop):
        unit = "mA"
        more = f", at_4_mA = {gauge.place.at_4_mA:g}, at_20_mA = {gauge.place.at_20_mA:g}"
        more += f', span_unit = "{gauge.unit}"'
    elif isinstance(gauge.place, Register):
        more = _register(gauge.place)
    return f'{gauge.name} = {{ role = "{gauge.role}", unit = "{unit}"{more} }}'


def _register(place: Register) -> str:
    return (
        f", device = {place.device}, address = {place.address}"
        f', type = "{place.kind}", order = "{place.order}", gain = {place.gain:g}'
        f", open_code = {place.open_code:g}"
    )
