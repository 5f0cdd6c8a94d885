"""Progress, time left, gas and coolant of one analysis line, in words. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from monitor.dashboard.facts import Facts
from monitor.dashboard.words import clock, countdown, duration, interval, per_cent

__all__ = ["Figure", "Line", "Progress", "figure_words", "figures", "progress"]

Line = Mapping[str, Any]
"""One analysis line as it is stored."""

_NONE_LEFT = {"p05": 0, "p50": 0, "p95": 0}

_EARLY_S = 30.0
"""Less than this late or early is not worth saying."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One row of figures. `level` is '', 'warn' or 'alert'."""

    label: str
    value: str
    interval: str = ""
    aside: str = ""
    level: str = ""


def figure_words(figure: Figure) -> str:
    """A figure as running text, without its label."""
    first = f"{figure.value} {figure.interval}".strip()
    return f"{first}, {figure.aside}" if figure.aside else first


@dataclass(frozen=True, slots=True)
class Progress:
    """Fractions 0..1 for the bar: 5, 50 and 95 %, and the plan's; None where nothing is known."""

    band: tuple[float, float, float] | None = None
    planned: float | None = None


def progress(line: Line) -> Progress:
    """The fractions of a line."""
    band, expected = line.get("progress"), line.get("expected") or {}
    return Progress(
        (band["p05"], band["p50"], band["p95"]) if band else None, expected.get("progress")
    )


def figures(line: Line, facts: Facts, now_s: float, utc_s: float | None) -> tuple[Figure, ...]:
    """Progress, time left, gas and coolant, always in this order. `line` may be empty.

    Water follows where the plan boils a solution down.
    """
    always = (
        _progress(line),
        _time_left(line, facts, now_s, utc_s),
        _gas(line),
        _coolant(line, facts),
    )
    return (*always, _water(line, now_s)) if line.get("boil_down") else always


def _progress(line: Line) -> Figure:
    band, planned = line.get("progress"), (line.get("expected") or {}).get("progress")
    aside = f"planned {per_cent(planned)} %" if planned is not None else ""
    if not band:
        return Figure("Progress", "not known yet", aside=aside)
    between = f"({per_cent(band['p05'])} to {per_cent(band['p95'])})"
    return Figure("Progress", f"{per_cent(band['p50'])} %", between, aside)


def _time_left(line: Line, facts: Facts, now_s: float, utc_s: float | None) -> Figure:
    """Counted down since the line was made; the plan's added hold is counted after 'complete'."""
    left = line.get("remaining_s")
    late = _late((line.get("expected") or {}).get("late_s"))
    if left in (0, _NONE_LEFT):
        if line.get("verdict") != "complete":
            return Figure("Time left", "none", "but not certain yet", late)
        return Figure("Time left", "none", aside=_extra_hold(line, now_s) or late)
    if left is None:
        return Figure("Time left", "not known yet", aside=late)
    since_s = max(0.0, now_s - line["elapsed_s"])
    p05, p50, p95 = (
        None if left[q] is None else max(0.0, left[q] - since_s) for q in ("p05", "p50", "p95")
    )
    if p50 is None:
        soonest = f"(soonest {duration(p05)})" if p05 is not None else ""
        level = "" if line.get("verdict") == "heating" else "warn"
        return Figure("Time left", "no end within 7 days", soonest, late, level)
    at = clock(utc_s + p50, facts.utc_offset_s, seconds=False) if utc_s is not None else ""
    aside = ", ".join(word for word in (f"about {at}" if at else "", late) if word)
    return Figure("Time left", duration(p50), f"({duration(p05)} to {duration(p95)})", aside)


def _extra_hold(line: Line, now_s: float) -> str:
    """The plan's further hold, counted down since the line was made; empty where it has none."""
    left_s = line.get("extra_hold_s")
    if left_s is None:
        return ""
    left_s = max(0.0, left_s - max(0.0, now_s - line["elapsed_s"]))
    return f"further hold {countdown(left_s)} to go" if left_s > 0.0 else "further hold is over"


def _late(late_s: float | None) -> str:
    if late_s is None or abs(late_s) < _EARLY_S:
        return ""
    return f"{duration(abs(late_s))} {'late' if late_s > 0 else 'early'}"


def _gas(line: Line) -> Figure:
    gas = line.get("gas") or {}
    rate, total = gas.get("rate_mL_per_min"), gas.get("total_L")
    if not rate:
        return Figure("Gas", "not judged" if line else "not known yet")
    so_far = f"so far {total['p50']:.1f} L {interval(total, 1)}" if total else ""
    return Figure("Gas", f"{rate['p50']:.0f} mL/min", interval(rate), so_far)


def _coolant(line: Line, facts: Facts) -> Figure:
    coolant = line.get("coolant") or {}
    limit_C, margin_K = coolant.get("limit_C"), coolant.get("margin_K")
    if not coolant:
        return Figure("Coolant", "not judged" if line else "not known yet")
    if limit_C is None:
        return Figure("Coolant", "no NO2 to come that it would have to condense")
    if margin_K is None:
        return Figure("Coolant", "not measured", aside=f"gas condenses below {limit_C:.1f} °C")
    warn_K = facts.plan.limits.coolant_margin_K if facts.plan else 3.0
    level = "alert" if margin_K <= 0.0 else "warn" if margin_K <= warn_K else ""
    side = "above" if margin_K < 0.0 else "below"
    value = f"{abs(margin_K):.1f} K {side} where the gas condenses, {limit_C:.1f} °C"
    in_s = coolant.get("reaches_limit_in_s")
    aside = f"there in {duration(in_s)}" if in_s is not None and margin_K > 0.0 else ""
    return Figure("Coolant", value, aside=aside, level=level)


def _water(line: Line, now_s: float) -> Figure:
    """Water left for each mole of salt, and when the stop line will be reached."""
    seen = line["boil_down"]
    water, stop = seen["water_mol_per_mol"], seen["stop_mol_per_mol"]
    if not water:
        return Figure("Water", "not judged", aside=f"stop line at {stop:g} mol per mol")
    is_near = any(f["name"] == "near-dryness" for f in line.get("findings") or ())
    level = "alert" if water["p50"] <= stop else "warn" if is_near else ""
    between = f"({water['p05']:.1f} to {water['p95']:.1f})"
    aside = _stop_words(seen, max(0.0, now_s - line["elapsed_s"]))
    return Figure("Water", f"{water['p50']:.1f} mol per mol", between, aside, level)


def _stop_words(seen: Mapping[str, Any], since_s: float) -> str:
    """Counted down since the line was made."""
    stop_in, stop = seen["stop_in_s"], seen["stop_mol_per_mol"]
    if seen["water_mol_per_mol"]["p50"] <= stop:
        return f"past the stop line at {stop:g}"
    if not stop_in or stop_in["p50"] is None:
        return f"stop line at {stop:g}"
    p05, p50, p95 = (
        None if stop_in[q] is None else max(0.0, stop_in[q] - since_s)
        for q in ("p05", "p50", "p95")
    )
    return f"stop line at {stop:g} in {duration(p50)} ({duration(p05)} to {duration(p95)})"
