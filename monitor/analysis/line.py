"""One analysis line: the published shape, rounded to what the figures are worth."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from functools import lru_cache
from typing import Any

from monitor.analysis.alarms import Alarms
from monitor.analysis.boil_down_state import BoilDownView
from monitor.analysis.channels import ChannelState, ne107_state
from monitor.analysis.conditions import Findings, Needs
from monitor.analysis.coolant import CoolantView
from monitor.analysis.counting import rate_per_s
from monitor.analysis.estimate import Band, Estimate, OtherHolds, RemainingBand
from monitor.analysis.expected import Heating
from monitor.analysis.restart import Restart
from monitor.analysis.setting import Setting
from monitor.analysis.told import told_fraction, told_left
from monitor.analysis.verdict_state import Said

__all__ = ["build_line", "channel_lines", "line_json", "time_text"]

FORMAT = 1

_DIGITS = 5

_dumps = json.JSONEncoder(
    ensure_ascii=False, check_circular=False, allow_nan=False, separators=(",", ":")
).encode


def line_json(line: Mapping[str, Any]) -> str:
    """The line as one line of JSON text, the same text for the same line."""
    return _dumps(line)


def time_text(utc_s: float | None, utc_offset_s: int | None) -> str | None:
    """RFC 3339 with offset, to a tenth of a second where there is one; None where not known."""
    if utc_s is None or not math.isfinite(utc_s):
        return None
    try:
        at = datetime.fromtimestamp(round(utc_s, 1), _zone(utc_offset_s))
    except (OverflowError, OSError, ValueError):
        return None
    return at.isoformat(timespec="seconds" if at.microsecond == 0 else "milliseconds")


@lru_cache(maxsize=4)
def _zone(utc_offset_s: int | None) -> tzinfo:
    return UTC if utc_offset_s is None else timezone(timedelta(seconds=60 * (utc_offset_s // 60)))


def build_line(
    now_s: float,
    time: str | None,
    said: Said,
    setting: Setting,
    estimate: Estimate | None,
    remaining: dict[str, float | None] | int | None,
    heating: Heating,
    coolant: CoolantView,
    findings: Findings,
    alarms: Alarms,
    cannot_tell: Sequence[Needs],
    stage: str,
    channels: list[dict[str, Any]],
    boil_down: BoilDownView | None = None,
    check_in: dict[str, Any] | None = None,
    extra_hold_s: float | None = None,
) -> dict[str, Any]:
    """Assemble the line; every figure in it is finite or None."""
    line = {
        "format": FORMAT,
        "elapsed_s": round(now_s, 3),
        "time": time,
        "verdict": said.word,
        "why": [*said.why] or ["no reason is known"],
        "progress": _fraction(told_fraction(estimate.progress)) if estimate else None,
        "remaining_s": remaining,
        "steps": _steps(setting, estimate),
        "expected": _expected(setting, heating, now_s),
        "gas": _gas(setting, estimate),
        "coolant": {
            "limit_C": _rounded(coolant.limit_C, 2),
            "margin_K": _rounded(coolant.margin_K, 2),
            "reaches_limit_in_s": _rounded(coolant.reaches_limit_in_s, 0),
        },
        "findings": [_finding(f.name, f.channel, f.since_s, f.why) for f in findings.shown()],
        "cannot_tell": [{"name": n.name, "needs": list(n.needs)} for n in cannot_tell],
        "alarms": alarms.lines(),
        "stage": stage,
        "evidence": [
            {"name": e.name, "value": e.value, "threshold": e.threshold, "state": e.state}
            for e in said.evidence
        ],
        "channels": channels,
    }
    if said.restart is not None:
        line["restart"] = _restart(said.restart)
    if estimate is not None and estimate.others is not None and said.word != "complete":
        line["other_holds"] = _others(setting, estimate.others)
    if check_in is not None:
        line["check_in"] = check_in
    if extra_hold_s is not None:
        line["extra_hold_s"] = round(extra_hold_s, 0)
    return line if boil_down is None else {**line, "boil_down": _boil_down(boil_down)}


def _boil_down(seen: BoilDownView) -> dict[str, Any]:
    """Present where the plan has [boil_down]."""
    stop_in = None if seen.stop_in_s is None else RemainingBand(*seen.stop_in_s)
    return {
        "water_mol_per_mol": _quantiles(seen.water),
        "rate_g_per_min": _quantiles(seen.rate_g_per_min),
        "stop_in_s": remaining_data(stop_in),
        "heat_off_in_s": _duration(seen.heat_off_in_s),
        "stop_mol_per_mol": seen.stop_mol_per_mol,
        "dry_mol_per_mol": seen.dry_mol_per_mol,
        "from": list(seen.sources),
        "lasts": seen.lasts,
    }


def _restart(said: Restart) -> dict[str, Any]:
    """Present where the run is stalled and heat may be spoken of."""
    low, middle, high = (_rounded(q, 1) for q in said.needed_C)
    step = said.step
    return {
        "pot_C": {"p05": low, "p50": middle, "p95": high},
        "within_min": said.within_min,
        "most_C": _rounded(said.most_C, 1),
        "most_why": said.most_why,
        "step": None
        if step is None
        else {"up_K": step.up_K, "for_min": step.for_min, "answer": _quantiles(step.answer)},
    }


def _others(setting: Setting, others: OtherHolds) -> dict[str, Any]:
    """What `monitor.analysis.what_if` answers from: other holds of the pot, from now on."""
    has_unwanted = any(step.unwanted for step in setting.plan.steps)
    return {
        "hold_C": list(others.hold_C),
        "remaining_s": [remaining_data(told_left(left)) for left in others.remaining_s],
        "unwanted": [_digits(p, 3) for p in others.unwanted] if has_unwanted else None,
    }


def remaining_data(band: RemainingBand | None) -> dict[str, float | None] | None:
    """The time left as it stands in a line."""
    if band is None:
        return None
    return {
        "p05": _duration(band.p05),
        "p50": _duration(band.p50),
        "p95": _duration(band.p95),
    }


def channel_lines(
    channels: Mapping[str, ChannelState], now_s: float, out_s: Mapping[str, float]
) -> list[dict[str, Any]]:
    """Every channel with its last number, the age of that, and its state by NAMUR NE 107.

    A counter has `per_s` beside its count, and one of `out_s` `no_vote_since_s`.
    """
    return [_channel_line(state, now_s, out_s.get(state.name)) for state in channels.values()]


def _channel_line(state: ChannelState, now_s: float, out_s: float | None) -> dict[str, Any]:
    value = state.value
    line: dict[str, Any] = {
        "name": state.name,
        "role": state.role,
        "unit": state.unit,
        "value": _digits(value, 7),
        "age_s": None if value is None else round(max(now_s - state.value_s, 0.0), 1),
        "quality": state.quality.value,
        "state": ne107_state(state, now_s),
    }
    per_s = rate_per_s(state, now_s)
    if per_s is not None:
        line["per_s"] = per_s
    if out_s is not None:
        line["no_vote_since_s"] = round(out_s, 1)
    return line


def _finding(name: str, channel: str | None, since_s: float, why: str) -> dict[str, Any]:
    line: dict[str, Any] = {"name": name}
    if channel is not None:
        line["channel"] = channel
    line["since_s"] = since_s
    line["why"] = why
    return line


def _steps(setting: Setting, estimate: Estimate | None) -> list[dict[str, Any]]:
    bands: Sequence[Band | None] = estimate.steps if estimate else ()
    return [
        {
            "name": step.name,
            "fraction": _fraction(told_fraction(bands[i])) if i < len(bands) else None,
        }
        for i, step in enumerate(setting.plan.steps)
    ]


def _expected(setting: Setting, heating: Heating, now_s: float) -> dict[str, Any]:
    if heating.began_s is None:
        return {"pot_temperature_C": None, "progress": None, "late_s": None}
    since = now_s - heating.began_s
    progress = setting.course.middle_progress_at(since)
    late = round(heating.late_s, 0) if setting.plan.profile else None
    return {
        "pot_temperature_C": _rounded(setting.course.temp_at(since), 2),
        "progress": None if progress is None else _rounded(min(max(progress, 0.0), 1.0), 4),
        "late_s": late,
    }


def _gas(setting: Setting, estimate: Estimate | None) -> dict[str, Any] | None:
    if setting.network is None or setting.network.counts_mass:
        return None
    return {
        "rate_mL_per_min": _quantiles(estimate.rate_mL_per_min) if estimate else None,
        "total_L": _quantiles(estimate.total_L) if estimate else None,
    }


def _fraction(band: Band | None) -> dict[str, float] | None:
    found = _quantiles(band)
    return found and {key: min(max(value, 0.0), 1.0) for key, value in found.items()}


def _quantiles(band: Band | None) -> dict[str, float] | None:
    if band is None:
        return None
    low, middle, high = _digits(band.p05), _digits(band.p50), _digits(band.p95)
    if low is None or middle is None or high is None:
        return None
    return {"p05": low, "p50": middle, "p95": high}


@lru_cache(maxsize=1024)
def _digits(value: float | None, digits: int = _DIGITS) -> float | None:
    """To so many significant digits. Most figures stand in many lines on end."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{digits}g}") + 0.0


def _rounded(value: float | None, decimals: int) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return round(value, decimals) + 0.0


def _duration(seconds: float | None) -> float | None:
    if seconds is None or not math.isfinite(seconds):
        return None
    return round(max(seconds, 0.0), 0)
