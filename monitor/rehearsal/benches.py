"""Which instruments stand on a rehearsal's bench: sets that a person chooses by name."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Final

from monitor.rehearsal.faults import Fault, FaultError
from monitor.rehearsal.gauges import INSTRUMENTS, TWIN, Gauge, Instrument, Loop, Register

__all__ = ["BENCHES", "USUAL", "BenchError", "instruments_of", "refuse_unheard"]

USUAL: Final = "usual"

_BY_KEY = {instrument.key: instrument for instrument in INSTRUMENTS}
_BY_NAME = {gauge.name: gauge for instrument in INSTRUMENTS for gauge in instrument.gauges}


def _gauges(*names: str, **places: Loop | Register) -> tuple[Gauge, ...]:
    """Gauges of the usual rig, by name; those with a place on a wire that has to be told it."""
    plain = tuple(_BY_NAME[name] for name in names)
    return (*plain, *(replace(_BY_NAME[name], place=place) for name, place in places.items()))


_FLOW_METER = Instrument(
    "flow meter",
    "flow",
    (Gauge("flow", "outlet_flow", "mL/min", 0.8, 1, 0.3, gain_u=0.02),),
    head="Q",
)

_SECOND_BOARD = Instrument(
    "second board",
    "second",
    (
        Gauge(TWIN, "pot_temperature", "degC", 0.12, 1, 1.0),
        Gauge("coolant_out_2", "coolant_out_temperature", "degC", 0.06, 1, 0.25),
    ),
    head="U",
)
_EVERY_KIND = (
    Instrument(
        "thermocouple board",
        "thermocouples",
        _gauges("pot", "mantle", "head"),
        "millivolt",
        head="K",
    ),
    Instrument(
        "temperature board",
        "board",
        _gauges("coolant_in", "coolant_out", "receiver"),
        head="T",
    ),
    *(_BY_KEY[key] for key in ("pot", "catch", "outlet", "inlet")),
    _FLOW_METER,
    Instrument(
        "transmitters",
        "loops",
        _gauges(
            pressure=Loop(-5.0, 15.0),
            coolant_flow=Loop(0.0, 2000.0),
            airflow=Loop(0.0, 2.0),
        ),
        "current_loop",
        head="I",
    ),
    Instrument(
        "heating controller",
        "controller",
        _gauges(
            power=Register(1, 0, "float32", order="CDAB", open_code=-9999),
            demand=Register(1, 2, "uint16", 0.1, open_code=65535),
            bath=Register(2, 0, "int16", 0.1),
        ),
        "modbus",
    ),
    Instrument(
        "room station",
        "station",
        _gauges("room", "barometer", "room_no2"),
        "mqtt",
        mains=False,
    ),
)

BENCHES: Final[Mapping[str, tuple[Instrument, ...]]] = {
    USUAL: INSTRUMENTS,
    "flow-meter": tuple(
        replace(_FLOW_METER, key="outlet") if one.key == "outlet" else one for one in INSTRUMENTS
    ),
    "every-kind": _EVERY_KIND,
    "twins": (*INSTRUMENTS, _SECOND_BOARD),
}
"""Name -> instruments. `usual` speaks in lines; in `flow-meter` a flow meter stands where the
outlet's bubbles are counted; `every-kind` has all wires that are read, and needs a broker; `twins`
has a second probe in the pot and one behind the condenser."""

_HEARD_THROUGH = {"counter-reset": "bubble_count", "counter-saturated": "bubble_count"}
"""Faults of one sensor: without it nothing would happen."""


class BenchError(ValueError):
    """A set of instruments that there is not, or that cannot be set up. Says what to do."""


def instruments_of(bench: str) -> tuple[Instrument, ...]:
    """The instruments of that name. Raises BenchError."""
    if bench not in BENCHES:
        raise BenchError(f"instruments {bench!r}: expected one of {', '.join(BENCHES)}")
    return BENCHES[bench]


def refuse_unheard(faults: Iterable[Fault], instruments: Sequence[Instrument]) -> None:
    """Raises FaultError for a fault of a sensor that is not among these instruments."""
    gauges = [gauge for instrument in instruments for gauge in instrument.gauges]
    roles, names = {gauge.role for gauge in gauges}, {gauge.name for gauge in gauges}
    for fault in faults:
        if fault.way == "drift" and TWIN not in names:
            raise FaultError(
                f"fault {fault.name + '/' + fault.way!r} befalls a second probe in the pot,"
                " which these instruments lack; choose --instruments twins"
            )
        role = _HEARD_THROUGH.get(fault.name)
        if role is not None and role not in roles:
            raise FaultError(
                f"fault {fault.name!r} befalls the channel {role}, which these instruments lack"
            )
