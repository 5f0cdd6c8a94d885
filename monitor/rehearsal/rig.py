"""The rig file that goes with a rehearsal's instruments."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from monitor.rehearsal.gauges import INSTRUMENTS, Gauge, Instrument

__all__ = ["rig_toml"]

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


def rig_toml(
    ports: Mapping[str, str] | None = None, instruments: Sequence[Instrument] = INSTRUMENTS
) -> str:
    """The rig as text. `ports` gives each instrument's address by its key ("board", "pot" ...).

    Without ports the instruments stand at addresses nobody listens on: a rig that only a journal
    without sockets refers to.
    """
    parts = ["format = 1\n"]
    for number, instrument in enumerate(instruments):
        port = (ports or {}).get(instrument.key, f"tcp://127.0.0.1:{47110 + number}")
        parts.append(_instrument(instrument, port))
    return "\n".join([*parts, _TRAIN])


def _instrument(instrument: Instrument, port: str) -> str:
    lines = [
        "[[instrument]]",
        f'name = "{instrument.name}"',
        *_driver(instrument),
        f'port = "{port}"',
        "",
        "[instrument.channels]",
        *(_channel(gauge) for gauge in instrument.gauges),
        "",
    ]
    return "\n".join(lines)


def _driver(instrument: Instrument) -> list[str]:
    if instrument.driver != "line":
        return [f'driver = "{instrument.driver}"']
    cells = ["{" + gauge.name + "}" for gauge in instrument.gauges]
    fields = ",".join([instrument.head, *cells])
    return ['driver = "line"', f'fields = "{fields}"']


def _channel(gauge: Gauge) -> str:
    more = _COUNTER_KEYS.get(gauge.role, "")
    return f'{gauge.name} = {{ role = "{gauge.role}", unit = "{gauge.unit}"{more} }}'
