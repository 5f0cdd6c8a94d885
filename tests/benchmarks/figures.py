"""Figures of the estimate from the records of runs, as Markdown: goals, coverage, errors, calls.

A record is what `made.playing.play` gives. Worst cells come first, with the runs to look at. Times
that were not told within the record count as infinite.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from math import inf, isfinite, sqrt
from statistics import median
from typing import Any

from tests.benchmarks.binomial import clopper_pearson
from tests.benchmarks.made.playing import CHECKPOINTS, OWN

__all__ = [
    "Cell",
    "all_tables",
    "calls",
    "coverage",
    "false_calls",
    "left_errors",
    "published",
    "ratio",
    "stall_delays",
    "unclear_share",
]

Record = Mapping[str, Any]
AS_PLANNED = "as planned"
_LOWEST, _HIGHEST = 0.85, 0.95
_MEASURES_GAS_OR_MASS = ("full", "mass", "bubbles", "mass and bubbles", "flow")
NEARLY = 0.98


class Cell:
    """A counted share: hits among tries, with its exact 95 % interval."""

    def __init__(self, held: Iterable[bool]) -> None:
        """Count."""
        each = list(held)
        self.hits, self.tries = sum(each), len(each)

    @property
    def share(self) -> float:
        """Of the tries; NaN without any."""
        return self.hits / self.tries if self.tries else float("nan")

    def interval(self) -> tuple[float, float]:
        """Clopper and Pearson, 95 %."""
        return clopper_pearson(self.hits, self.tries) if self.tries else (0.0, 1.0)

    def outside(self, low: float, high: float) -> bool:
        """Whether the whole interval lies outside low..high."""
        least, most = self.interval()
        return bool(self.tries) and (most < low or least > high)

    def __str__(self) -> str:
        if not self.tries:
            return "-"
        low, high = self.interval()
        return f"{100 * self.share:.0f} ({100 * low:.0f} to {100 * high:.0f}, n {self.tries})"


def ordinary(records: Sequence[Record]) -> list[Record]:
    """Those that are no trap."""
    return [r for r in records if not r["trap"]]


def _whole(records: Sequence[Record]) -> list[Record]:
    return [r for r in records if "cut" not in r["notes"]]


def _held(band: Mapping[str, Any] | None, truth: float | None) -> bool | None:
    """Whether a band holds the truth; None where nothing was said. A null is infinity."""
    if band is None:
        return None
    low, high = (inf if band[q] is None else float(band[q]) for q in ("p05", "p95"))
    return low <= (inf if truth is None else truth) <= high


def _points(records: Sequence[Record], at: float) -> list[tuple[Record, Mapping[str, Any]]]:
    return [(r, r["checkpoints"][f"{at:g}"]) for r in records if f"{at:g}" in r["checkpoints"]]


def coverage(records: Sequence[Record], what: str, at: float) -> Cell:
    """Of the 90 % interval at true progress `at`. `what`: "progress" or "left"."""
    truth = "progress" if what == "progress" else "left_s"
    said = "said_progress" if what == "progress" else "said_left_s"
    held = [_held(c[said], c[truth]) for _, c in _points(records, at)]
    return Cell(h for h in held if h is not None)


def left_errors(records: Sequence[Record], at: float) -> list[tuple[float, Record]]:
    """|middle - truth| / truth of the time left; infinite where one of them is and not both."""
    out = []
    for record, point in _points(records, at):
        said, truth = point["said_left_s"], point["left_s"]
        if said is None or (truth is not None and truth <= 0.0):
            continue
        middle = said["p50"]
        if truth is None or middle is None:
            out.append((0.0 if truth is None and middle is None else inf, record))
        else:
            out.append((abs(middle - truth) / truth, record))
    return out


def ratio(
    records: Sequence[Record], what: str, at: float, bound: str = "bound"
) -> list[tuple[float, Record]]:
    """Error over the least possible standard deviation, of each run that has both.

    `bound`: "bound", the reaction model known, or "open", the order of the last step open.
    """
    truth, said = ("progress", "said_progress") if what == "progress" else ("left_s", "said_left_s")
    least = f"{bound}_{truth}"
    out = []
    for record, point in _points(records, at):
        band, is_so = point[said], point[truth]
        if band is None or is_so is None or not point.get(least):
            continue
        middle = band["p50"]
        out.append((inf if middle is None else abs(middle - is_so) / point[least], record))
    return out


def over_bound(records: Sequence[Record], what: str, at: float, bound: str = "bound") -> float:
    """RMS of the runs' errors over the RMS of their least standard deviations; NaN without any.

    The bound is one of the mean square over all that the priors allow: of single runs, some lie
    above it and some below.
    """
    least = f"{bound}_{'progress' if what == 'progress' else 'left_s'}"
    found = [
        (times, float(r["checkpoints"][f"{at:g}"][least]))
        for times, r in ratio(records, what, at, bound)
    ]
    return _rms([times * u for times, u in found]) / _rms([u for _, u in found])


def false_calls(records: Sequence[Record], caller: str = OWN) -> list[Record]:
    """Runs called done before true 0.98 of the step of [done]."""
    return [r for r in records if _at(r, caller) < _or_inf(r["nearly_s"])]


def _at(record: Record, caller: str) -> float:
    return _or_inf(record["calls_s"].get(caller))


def _or_inf(value: float | None) -> float:
    return inf if value is None else float(value)


def calls(records: Sequence[Record], caller: str) -> list[float]:
    """Delays [s] after [done]'s own fraction of the calls that were not false.

    Runs that are done and never called count as infinite; runs that are cut, or that end before an
    hour has passed since they were done, are left out.
    """
    out = []
    for r in _whole(records):
        done, at = _or_inf(r["done_s"]), _at(r, caller)
        if (
            caller not in r["calls_s"]
            or done + 3600.0 > r["until_s"]
            or at < _or_inf(r["nearly_s"])
        ):
            continue
        out.append(at - done)
    return out


def stall_delays(records: Sequence[Record], since: str = "onset_s") -> list[tuple[float, Record]]:
    """Time from the onset of a stall until `stalled` is said and in force. [s]

    `since`: "onset_s", the moment of the cause (a hold begins that is too cold, the heater dies, a
    crust closes), or "formal_s", when the published definition of `stalled` first holds.
    """
    out = []
    for r in records:
        if r["onset_s"] is None or r["subset"] not in _MEASURES_GAS_OR_MASS:
            continue
        out.append((_said_from(r, "stalled", r[since]) - r[since], r))
    return out


def _said_from(record: Record, word: str, from_s: float) -> float:
    """When from `from_s` on a verdict is first in force."""
    changes = record["changes"]
    for i, (at_s, said) in enumerate(changes):
        ends_s = changes[i + 1][0] if i + 1 < len(changes) else inf
        if said == word and ends_s > from_s:
            return max(float(at_s), from_s)
    return inf


def unclear_share(records: Sequence[Record]) -> float:
    """Of all lines of these runs."""
    lines = sum(sum(r["verdicts"].values()) for r in records)
    return sum(r["verdicts"].get("unclear", 0) for r in records) / lines if lines else float("nan")


def _median(values: Sequence[float]) -> float:
    return median(values) if values else float("nan")


def _rms(values: Sequence[float]) -> float:
    return sqrt(sum(v * v for v in values) / len(values)) if values else float("nan")


def _number(value: float, unit: str = "", digits: int = 0) -> str:
    if value != value:
        return "-"
    return f"{value:.{digits}f}{unit}" if isfinite(value) else "never"


def _line(cells: Iterable[str]) -> str:
    return f"| {' | '.join(cells)} |"


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    return "\n".join([_line(heads), _line(["---"] * len(heads)), *map(_line, rows)])


def _subsets(records: Sequence[Record]) -> list[str]:
    return list(dict.fromkeys(r["subset"] for r in records))


def _some(records: Iterable[Record], most: int = 4) -> str:
    return "; ".join([r["name"] for r in records][:most]) or "-"


def all_tables(records: Sequence[Record]) -> str:
    """Everything, goals first."""
    records = sorted(records, key=lambda r: (r["trap"], r["subset"], r["seed"], r["name"]))
    runs, traps = ordinary(records), [r for r in records if r["trap"]]
    parts = [_what(records, runs, traps), _goals(runs, traps)]
    if runs:
        parts += [
            "Coverage of the 90 % interval, %, worst first:\n\n" + _coverage_table(runs),
            "Time left at true progress 0.8: median error in % of what is left\n\n" + _errors(runs),
            "RMS of error over the root of the Bayesian Cramer-Rao bound (median in brackets), runs"
            " as planned. Of the bound see `made/bound.py`: it takes the reaction model and the"
            " programme as known, so it lies rather too low.\n\n" + _ratios(runs),
            "`unclear`, and `stalled` said while less than `patience_min` was truly left\n\n"
            + _shares(runs),
            "What else is found in runs without a fault\n\n" + _findings(runs),
        ]
    parts.append("Who calls the run done: false calls, and the median delay after the truth\n\n"
                 + _table(_CALLER_HEADS, _callers(runs, traps)))  # fmt: skip
    if traps:
        parts.append("Traps\n\n" + _traps(traps))
    stalls = stall_delays(records)
    if stalls:
        parts.append("Stalls, slowest to be named first\n\n" + _stalls(stalls))
    parts.append("Runs to look at\n\n" + _worst(records))
    return "\n\n".join(parts)


def published(records: Sequence[Record]) -> str:
    """What DEVELOPERS.md holds: goals, coverage by rig, who calls when, traps."""
    records = sorted(records, key=lambda r: (r["trap"], r["subset"], r["seed"], r["name"]))
    runs, traps = ordinary(records), [r for r in records if r["trap"]]
    parts = [_what(records, runs, traps), _goals(runs, traps)]
    if runs:
        parts.append(
            "Coverage of the 90 % interval by rig, least to most of the five stations, %; median"
            " error of the time left at 0.8, % of what is left\n\n" + _by_rig(runs)
        )
    every = [r for r in _callers(runs, traps) if r[0] == "full" or r[1] == OWN]
    parts.append(
        "Who calls the run done, and how long after it is: median\n\n"
        + _table(_CALLER_HEADS, every)
    )
    if traps:
        parts.append("Traps\n\n" + _traps(traps))
    return "\n\n".join(parts)


def _by_rig(runs: Sequence[Record]) -> str:
    def span(some: Sequence[Record], what: str) -> str:
        shares = [c.share for at in CHECKPOINTS if (c := coverage(some, what, at)).tries]
        return f"{100 * min(shares):.0f} to {100 * max(shares):.0f}" if shares else "-"

    rows = []
    for subset in ["all", *_subsets(runs)]:
        some = [r for r in runs if subset in ("all", r["subset"])]
        fits = [r for r in some if r["kind"] == AS_PLANNED]
        errors = [_median([e for e, _ in left_errors(k, 0.8)]) for k in (fits, some)]
        rows.append(
            [
                subset,
                f"{len(fits)} + {len(some) - len(fits)}",
                *(span(k, what) for what in ("progress", "left") for k in (fits, some)),
                *(_number(100 * e) for e in errors),
            ]
        )
    heads = [
        "rig", "runs as planned + misfit", "progress, as planned", "all", "time left, as planned",
        "all", "error, as planned", "all",
    ]  # fmt: skip
    return _table(heads, rows)


def _what(records: Sequence[Record], runs: Sequence[Record], traps: Sequence[Record]) -> str:
    cpu = sum(r["cpu_s"] for r in records)
    hours = sum(r["hours"] for r in records)
    made = sum(r["made_s"] for r in records)
    planned = sum(r["kind"] == AS_PLANNED for r in runs)
    versions = ", ".join(sorted({str(r["fold"]) for r in records}))
    return (
        f"{len(runs)} ordinary runs ({planned} as planned), {len(traps)} traps; analysis version"
        f" {versions}; {hours:.0f} h of journal, {cpu / max(hours, 1e-9):.1f} s of processor an"
        f" hour of it ({cpu / 60.0:.0f} min in all, {made / 60.0:.0f} min more for making the runs)"
    )


def _goals(runs: Sequence[Record], traps: Sequence[Record]) -> str:
    planned = [r for r in runs if r["kind"] == AS_PLANNED]
    rows: list[list[str]] = []

    def add(figure: str, goal: str, found: str, met: bool | None) -> None:
        rows.append([figure, goal, found, "-" if met is None else "yes" if met else "**no**"])

    for what, name in (("progress", "progress"), ("left", "time left")):
        cells = {at: coverage(planned, what, at) for at in CHECKPOINTS}
        if any(c.tries for c in cells.values()):
            met = not any(c.outside(_LOWEST, _HIGHEST) for c in cells.values())
            found = ", ".join(f"{100 * c.share:.0f}" for c in cells.values())
            add(f"coverage, {name}, as planned, at 0.5 ... 0.95", "85 to 95 %", found, met)
        cells = {at: coverage(runs, what, at) for at in CHECKPOINTS}
        if any(c.tries for c in cells.values()):
            found = ", ".join(f"{100 * c.share:.0f}" for c in cells.values())
            met = all(c.share >= 0.8 for c in cells.values() if c.tries)
            add(f"coverage, {name}, all runs", ">= 80 %", found, met)
    weighed = [r for r in runs if r["subset"] == "mass"]
    for name, some, goal in (
        ("model fits", [r for r in weighed if r["kind"] == AS_PLANNED], 0.05),
        ("all", weighed, 0.10),
    ):
        error = _median([e for e, _ in left_errors(some, 0.8)])
        add(f"median error of time left at 0.8, mass and pot, {name}", f"<= {100 * goal:.0f} %",
            _number(100 * error, " %", 1), error <= goal if error == error else None)  # fmt: skip
    for what, name in (("progress", "progress"), ("left", "time left")):
        shut, wide = (
            [_rms([v for v, _ in ratio(planned, what, at, of)]) for at in CHECKPOINTS]
            for of in ("bound", "open")
        )
        all_shut, all_wide = (
            [over_bound(planned, what, at, of) for at in CHECKPOINTS] for of in ("bound", "open")
        )
        for kind, known, opened in (
            ("RMS error over RMS bound", all_shut, all_wide),
            ("RMS of each run's error over its own bound", shut, wide),
        ):
            add(
                f"{kind}, {name}, as planned, at 0.5 ... 0.95",
                "<= 2",
                f"{_list(known)}; {_list(opened)} with the order open",
                max(known) <= 2.0 if all(f == f for f in known) else None,
            )
    false = false_calls([*runs, *traps])
    add("`complete` before true 0.98, runs and traps", "0",
        f"{len(false_calls(runs))} of {len(runs)}, {len(false_calls(traps))} of {len(traps)}",
        not false)  # fmt: skip
    full = [r for r in runs if r["subset"] == "full"]
    hold = {r["min_hold_s"] for r in full}
    delay = _median([(d - min(hold)) / 60.0 for d in calls(full, OWN)]) if hold else float("nan")
    add("delay of `complete` beyond min_hold, full rig, median", "<= 10 min",
        _number(delay, " min", 1), delay <= 10.0 if delay == delay else None)  # fmt: skip
    for subset in _subsets(runs):
        add(*_against_rules(subset, runs, traps))
    every = [*runs, *traps]
    for since, name in (("onset_s", "its cause"), ("formal_s", "its definition holding")):
        within = Cell(d <= 600.0 for d, _ in stall_delays(every, since))
        all_in_time = within.hits == within.tries if within.tries else None
        add(f"stall named within 10 min of {name}", "all", str(within), all_in_time)
    done_stalls = [r for r in [*runs, *traps] if r["onset_s"] is not None and false_calls([r])]
    add("stalled runs called complete", "0", str(len(done_stalls)), not done_stalls)
    unclear = unclear_share(runs)
    aside = unclear_share([r for r in runs if r["subset"] != "temperatures"])
    add(
        "`unclear`, runs without a fault",
        "< 2 % of the time",
        f"{_number(100 * unclear, ' %', 1)} ({_number(100 * aside, ' %', 1)} where more than"
        " temperatures are measured)",
        unclear < 0.02 if unclear == unclear else None,
    )
    return _table(["figure", "goal", "found", "met"], rows)


def _against_rules(
    subset: str, runs: Sequence[Record], traps: Sequence[Record]
) -> tuple[str, str, str, bool | None]:
    """Our delay on a rig beside that of every rule of thumb that makes no false call there."""
    own = [r for r in runs if r["subset"] == subset]
    every = own + [r for r in traps if r["subset"] == subset]
    ours = _median(calls(own, OWN)) / 60.0
    rules = dict.fromkeys(c for r in every for c in r["calls_s"] if c != OWN)
    clean = {
        rule: _median(calls(own, rule)) / 60.0 for rule in rules if not false_calls(every, rule)
    }
    told = ", ".join(f"{rule} {_number(d)}" for rule, d in clean.items()) or "none"
    met = None if ours != ours or not clean else all(ours <= d for d in clean.values())
    return (
        f"median delay, {subset}, beside rules without a false call", "shorter",
        f"{_number(ours)} min; {told}", met,
    )  # fmt: skip


def _coverage_table(runs: Sequence[Record]) -> str:
    groups: list[tuple[str, list[Record]]] = []
    for kind in (AS_PLANNED, "misfit"):
        of_kind = [r for r in runs if r["kind"] == kind]
        groups.append((f"all rigs, {kind}", of_kind))
        groups += [
            (f"{s}, {kind}", [r for r in of_kind if r["subset"] == s]) for s in _subsets(of_kind)
        ]
    for rough in (0.3, 1.0, 3.0):
        groups.append((f"all rigs, noise x {rough:g}", [r for r in runs if r["rough"] == rough]))
    groups += [(f"all rigs, {p}", [r for r in runs if r["plan"] == p])
               for p in dict.fromkeys(r["plan"] for r in runs)]  # fmt: skip
    rows: list[tuple[float, list[str]]] = []
    for name, some in groups:
        for what, label in (("progress", "progress"), ("left", "time left")):
            cells = [coverage(some, what, at) for at in CHECKPOINTS]
            shares = [c.share for c in cells if c.tries]
            if shares:
                rows.append((min(shares), [name, label, *map(str, cells)]))
    rows.sort(key=lambda row: row[0])
    return _table(
        ["runs", "interval of", *(f"at {c:g}" for c in CHECKPOINTS)], [r for _, r in rows]
    )


def _by_kind(runs: Sequence[Record], tell: Callable[[Sequence[Record]], str]) -> list[list[str]]:
    rows = []
    for subset in ["all", *_subsets(runs)]:
        some = [r for r in runs if subset in ("all", r["subset"])]
        kinds = [[r for r in some if r["kind"] == k] for k in (AS_PLANNED, "misfit")]
        rows.append([subset, *(tell(k) for k in kinds), tell(some)])
    return rows


def _errors(runs: Sequence[Record]) -> str:
    def tell(some: Sequence[Record]) -> str:
        errors = [e for e, _ in left_errors(some, 0.8)]
        return f"{_number(100 * _median(errors))} (n {len(errors)})" if errors else "-"

    return _table(["rig", "as planned", "misfit", "all"], _by_kind(runs, tell))


def _list(values: Iterable[float]) -> str:
    return ", ".join(_number(value, "", 1) for value in values)


def _ratios(runs: Sequence[Record]) -> str:
    planned = [r for r in runs if r["kind"] == AS_PLANNED]
    rows: list[tuple[float, list[str]]] = []
    for subset in ["all", *_subsets(planned)]:
        some = [r for r in planned if subset in ("all", r["subset"])]
        for what, label in (("progress", "progress"), ("left", "time left")):
            for of, order in (("bound", "known"), ("open", "open")):
                found = [[v for v, _ in ratio(some, what, at, of)] for at in CHECKPOINTS]
                cells = [f"{_number(_rms(v), '', 1)} ({_number(_median(v), '', 1)})" for v in found]
                worst = max((_rms(v) for v in found if v), default=0.0)
                rows.append((-worst, [subset, label, order, *cells]))
    rows.sort(key=lambda row: row[0])
    heads = ["rig", "of", "order", *(f"at {c:g}" for c in CHECKPOINTS)]
    return _table(heads, [r for _, r in rows])


def _wrongly_stalled(record: Record) -> bool:
    said, done = record["stalled_s"], record["done_s"]
    return said is not None and done is not None and done - said <= record["patience_s"]


def _shares(runs: Sequence[Record]) -> str:
    rows = []
    for subset in ["all", *_subsets(runs)]:
        some = [r for r in runs if subset in ("all", r["subset"])]
        wrong = [r for r in some if _wrongly_stalled(r)]
        rows.append([subset, f"{100 * unclear_share(some):.1f} %",
                     f"{len(wrong)} of {len(some)}", _some(wrong)])  # fmt: skip
    return _table(["rig", "`unclear`", "wrongly `stalled`", "such runs"], rows)


def _findings(runs: Sequence[Record]) -> str:
    """Of steps of the mass some are true: hoses pull."""
    named = dict.fromkeys(sorted(name for r in runs for name in r["findings"]))
    found = {name: [r for r in runs if name in r["findings"]] for name in named}
    rows = [
        [name, f"{len(some)} of {len(runs)}", _some(some)]
        for name, some in sorted(found.items(), key=lambda pair: -len(pair[1]))
    ]
    return _table(["finding", "runs", "such runs"], rows)


_CALLER_HEADS = ("rig", "who calls", "false, runs", "false, traps", "median delay")


def _callers(runs: Sequence[Record], traps: Sequence[Record]) -> list[list[str]]:
    rows = []
    for subset in _subsets([*runs, *traps]):
        own = [r for r in runs if r["subset"] == subset]
        caught = [r for r in traps if r["subset"] == subset]
        for caller in dict.fromkeys(c for r in [*own, *caught] for c in r["calls_s"]):
            whole = [r for r in _whole(own) if caller in r["calls_s"]]
            trapped = [r for r in caught if caller in r["calls_s"]]
            delays = calls(whole, caller)
            never = sum(not isfinite(d) for d in delays)
            rows.append([
                subset, caller, f"{len(false_calls(whole, caller))}/{len(whole)}",
                f"{len(false_calls(trapped, caller))}/{len(trapped)}",
                f"{_number(_median(delays) / 60.0, ' min')} (n {len(delays)}, never {never})",
            ])  # fmt: skip
    return rows


def _traps(traps: Sequence[Record]) -> str:
    rows = []
    for group in dict.fromkeys(r["trap"] for r in traps):
        some = [r for r in traps if r["trap"] == group]
        false = false_calls(some)
        rows.append((-len(false), [
            group, str(len(some)), str(len(false)),
            f"{_number(_median(calls(some, OWN)) / 60.0, ' min')}",
            ", ".join(f"{w} {sum(r['changes'][-1][1] == w for r in some)}"
                      for w in dict.fromkeys(r["changes"][-1][1] for r in some)),
            _some(false),
        ]))  # fmt: skip
    rows.sort(key=lambda row: row[0])
    return _table(["trap", "runs", "false `complete`", "delay", "last verdict", "false ones"],
                  [r for _, r in rows])  # fmt: skip


def _stalls(stalls: Sequence[tuple[float, Record]]) -> str:
    rows = [
        [r["name"], ", ".join(r["notes"]) or "-", f"{r['onset_s'] / 60.0:.0f}",
         f"{r['formal_s'] / 60.0:.0f}",
         _number(delay / 60.0, " min"), r["changes"][-1][1]]
        for delay, r in sorted(stalls, key=lambda pair: -pair[0])[:25]
    ]  # fmt: skip
    return _table(
        ["run", "misfit", "cause at, min", "by definition at", "named after", "last verdict"], rows
    )


def _worst(records: Sequence[Record]) -> str:
    rows = [["`complete` too early", _some(false_calls(records), 12)]]
    runs = ordinary(records)
    for at in CHECKPOINTS:
        for what, truth, said in (
            ("progress", "progress", "said_progress"), ("time left", "left_s", "said_left_s"),
        ):  # fmt: skip
            missed = [
                (_miss(c[said], c[truth]), r)
                for r, c in _points(runs, at)
                if _held(c[said], c[truth]) is False
            ]
            missed.sort(key=lambda pair: -pair[0])
            rows.append([f"{what} at {at:g} outside", _some((r for _, r in missed), 6)])
    errors = sorted(left_errors(runs, 0.8), key=lambda pair: -pair[0])
    rows.append(["time left at 0.8, largest error", _some((r for _, r in errors), 6)])
    late = sorted(
        ((_at(r, OWN) - _or_inf(r["done_s"]), r) for r in _whole(runs)
         if _or_inf(r["done_s"]) + 3600.0 <= r["until_s"] and r["subset"] == "full"),
        key=lambda pair: -pair[0],
    )  # fmt: skip
    rows.append(["full rig, latest `complete`", _some((r for _, r in late), 6)])
    unclear = sorted(runs, key=lambda r: -r["verdicts"].get("unclear", 0))
    rows.append(["most `unclear`", _some((r for r in unclear if "unclear" in r["verdicts"]), 6)])
    return _table(["what", "runs (plan or trap / rig / seed)"], rows)


def _miss(band: Mapping[str, Any], truth: float | None) -> float:
    """How far outside its band the truth lies, in widths of the band."""
    low, high = (inf if band[q] is None else float(band[q]) for q in ("p05", "p95"))
    at = inf if truth is None else truth
    if not isfinite(at) or not isfinite(high):
        return inf if at > high or not isfinite(low) else (low - at) / max(low, 1e-9)
    return max(low - at, at - high) / max(high - low, 1e-6)
