"""The room: nitrogen dioxide where people breathe, and the hood's draught."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.analysis.conditions import Judged
from monitor.analysis.dead_bands import dead_band_of
from monitor.analysis.diagnosis.rules import Rule, dead_band, remember_slowly
from monitor.analysis.view import View

__all__ = ["RULES"]

_LEARN_S = 300.0
_WIDE = 4.0
"""A draught that is lost is back only with as many dead bands more."""


def _gas(view: View) -> Iterator[Judged]:
    """At the person's own limit; or climbing out of its noise for half a minute."""
    limit = view.setting.plan.limits.room_no2_ppm
    for sensor in view.of("room_no2"):
        if not sensor.is_live(view.now_s) or sensor.value is None:
            continue
        key, value = f"room:{sensor.name}", sensor.value
        usual = view.memory.get(key, value)
        above = value - usual > max(10.0 * sensor.noise(), 0.15)
        earlier = sensor.at_or_before(view.now_s - 30.0)
        climbs = above and earlier is not None and value > earlier + 3.0 * sensor.noise()
        over = limit is not None and value >= limit
        stays = limit is not None and value >= limit - dead_band_of("concentration", sensor, limit)
        if dead_band(view, f"{key}:on", over or climbs, stays or above):
            said = f", the limit is {limit:g} ppm" if limit is not None else ""
            why = f"{value:.2f} ppm NO2 in the room, usually {usual:.2f} ppm{said}"
            yield Judged("gas-in-room", why, sensor.name, on_delay_s=0.0)
        else:
            remember_slowly(view, key, value, 900.0)


def _airflow(view: View) -> Iterator[Judged]:
    for meter in view.of("hood_airflow"):
        if not meter.is_live(view.now_s) or meter.value is None:
            continue
        key = f"air:{meter.name}"
        since = view.memory.setdefault(f"{key}:since", view.now_s)
        usual = view.memory.get(key, meter.value)
        learned = view.now_s - since > 60.0
        lost = learned and usual > 0.1 and meter.value < 0.5 * usual
        back = 0.5 * usual + dead_band_of("air speed", meter, _WIDE * usual)
        if dead_band(view, f"{key}:on", lost, learned and meter.value < back):
            why = f"{meter.value:.2f} m/s at the hood, usually {usual:.2f} m/s"
            yield Judged("hood-airflow-lost", why, meter.name, on_delay_s=3.0)
        else:
            remember_slowly(view, key, meter.value, _LEARN_S)


RULES = (
    Rule(("gas-in-room",), _gas, (("room_no2",),), is_fast=True),
    Rule(("hood-airflow-lost",), _airflow, (("hood_airflow",),), is_fast=True),
)
