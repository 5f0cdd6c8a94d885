"""What runs scored, as Markdown tables: coverage, and calls of our own beside those by hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import inf, isfinite
from statistics import median

from tests.benchmarks.binomial import clopper_pearson

__all__ = ["OWN", "STATIONS", "Score", "calls_table", "coverage_table"]

STATIONS = (0.5, 0.7, 0.8, 0.9, 0.95)
OWN = "our `complete`"


@dataclass
class Score:
    """What one run brought. `left`: station -> (relative error or nan, covered)."""

    progress_error: list[float] = field(default_factory=list)
    progress_covered: list[bool] = field(default_factory=list)
    stood: dict[float, bool] = field(default_factory=dict)
    """Station -> whether the band of progress held the truth there."""
    left: dict[float, tuple[float, bool]] = field(default_factory=dict)
    early: bool = False
    delay_s: float = float("nan")
    ticks_s: list[float] = field(default_factory=list)
    nearly_s: float = inf
    """When 0.98 of the step of [done] was reached."""
    done_s: float = inf
    calls_s: dict[str, float] = field(default_factory=dict)
    """Who calls the run done when; infinity: not within the course."""


def coverage_table(named: Mapping[str, Sequence[Score]]) -> str:
    """Coverage of the 90 % intervals at each station, with its exact 95 % interval. [%]"""
    lines = [_line(["subset", "90 % interval of", *(f"at {s:g}" for s in STATIONS)])]
    lines.append(_line(["---"] * (2 + len(STATIONS))))
    for name, scores in named.items():
        stood = [_share([s.stood[at] for s in scores if at in s.stood]) for at in STATIONS]
        left = [_share([s.left[at][1] for s in scores if at in s.left]) for at in STATIONS]
        lines += [_line([name, "progress", *stood]), _line([name, "time left", *left])]
    return "\n".join(lines)


def calls_table(named: Mapping[str, Sequence[Score]]) -> str:
    """False calls (before 0.98 of the step of [done]) and delays after [done]'s own fraction."""
    heads = ["subset", "who calls", "false", "right", "never", "median delay, min"]
    lines = [_line(heads), _line(["---"] * len(heads))]
    for name, scores in named.items():
        callers = dict.fromkeys(caller for s in scores for caller in s.calls_s)
        lines += [
            _line([name, caller, *_calls([s for s in scores if caller in s.calls_s], caller)])
            for caller in callers
        ]
    return "\n".join(lines)


def _calls(scores: Sequence[Score], caller: str) -> list[str]:
    said = [(s, s.calls_s[caller]) for s in scores]
    false = sum(at_s < s.nearly_s for s, at_s in said)
    right = [at_s - s.done_s for s, at_s in said if s.nearly_s <= at_s < inf]
    never = [inf for s, at_s in said if at_s == inf]
    late = [inf for s, at_s in said if at_s == inf and s.done_s < inf]
    delays = [d for d in right if isfinite(d)] + late
    if not delays:
        delay = "-"
    else:
        delay = f"{median(delays) / 60.0:.0f}" if isfinite(median(delays)) else "beyond the record"
    return [f"{false}/{len(said)}", str(len(right)), str(len(never)), delay]


def _share(covered: Sequence[bool]) -> str:
    if not covered:
        return "-"
    low, high = clopper_pearson(sum(covered), len(covered))
    share = 100.0 * sum(covered) / len(covered)
    return f"{share:.0f} ({100 * low:.0f} to {100 * high:.0f}, n {len(covered)})"


def _line(cells: Sequence[str]) -> str:
    return f"| {' | '.join(cells)} |"
