"""Two runs side by side, as values: what is the same, what differs, and by how much.

Times count from when heating began, so that runs that were begun with the mantle cold for a while
can be laid beside each other. A difference is said to be one where it exceeds two of its standard
uncertainties; where nothing tells an uncertainty, nothing is said.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from monitor.dashboard.words import duration, figure, per_cent
from monitor.report.content import AccountRow, Check, Report
from monitor.wording.figures import Figure

__all__ = ["Pair", "compare_reports"]

_SURE = 2.0
_ABSENT = "–"
_PRIORITIES = ("high", "medium", "low")


@dataclass(frozen=True, slots=True)
class Pair:
    """One row: what, and how each run has it. `difference` is the second less the first."""

    group: str
    what: str
    first: str
    second: str
    difference: str = ""
    differs: bool | None = None
    """None: no uncertainty is known that could tell."""


def compare_reports(first: Report, second: Report) -> tuple[Pair, ...]:
    """All rows, in order; what neither run knows is left out."""
    rows = [
        *_runs(first, second),
        *_plans(first, second),
        *_courses(first, second),
        *_accounts(first.account.rows, second.account.rows),
        *_checks(first.account.checks, second.account.checks),
        *_alarms(first, second),
    ]
    return tuple(row for row in rows if (row.first, row.second) != (_ABSENT, _ABSENT))


def _runs(first: Report, second: Report) -> Iterator[Pair]:
    a, b = first.head, second.head
    for what in ("title", "bench", "batch", "began"):
        said = (str(getattr(head, what)) if head else "" for head in (a, b))
        yield _said("run", what, *(text or _ABSENT for text in said))
    yield _spans("run", "lasted", a.lasted_s if a else None, b.lasted_s if b else None)
    yield _said("run", "recording", first.state, second.state)
    if (a and a.rehearsal) or (b and b.rehearsal):
        yield _said("run", "rehearsal", *("yes" if h and h.rehearsal else "no" for h in (a, b)))


def _said(group: str, what: str, first: str, second: str) -> Pair:
    """A row of words alone."""
    return Pair(group, what, first, second)


def _plans(first: Report, second: Report) -> Iterator[Pair]:
    """Rows of the plan; those in which both are alike stand as such."""
    a, b = _each_by_name(first.planned), _each_by_name(second.planned)
    for what in dict.fromkeys([*a, *b]):
        one, other = a.get(what, _ABSENT), b.get(what, _ABSENT)
        yield Pair("plan", what, one, other, differs=one != other)
    if first.rig_toml and second.rig_toml:
        same = first.rig_toml == second.rig_toml
        yield Pair("plan", "rig file", "one", "one" if same else "another", differs=not same)


def _each_by_name(rows: Sequence[tuple[str, str]]) -> dict[str, str]:
    """Rows by their name; of several of one name, as segments may be, the others have a number.

    >>> _each_by_name([("ramp", "a"), ("ramp", "b")])
    {'ramp': 'a', 'ramp (2)': 'b'}
    """
    found: dict[str, str] = {}
    seen: Counter[str] = Counter()
    for name, text in rows:
        seen[name] += 1
        found[name if seen[name] == 1 else f"{name} ({seen[name]})"] = text
    return found


def _courses(first: Report, second: Report) -> Iterator[Pair]:
    group = "course"
    for share in dict.fromkeys(share for share, _ in (*first.reached, *second.reached)):
        times = (_since_heat(r, dict(r.reached).get(share)) for r in (first, second))
        yield _spans(group, f"progress {100 * share:g} % after", *times)
    calls = (_since_heat(r, _first_time(r, "complete")) for r in (first, second))
    yield _spans(group, "complete after", *calls)
    for word in ("stalled", "unclear"):
        yield _spans(group, f"{word} for", *(_time_in(r, word) for r in (first, second)))
    ends = (f"{r.verdict or _ABSENT}{_band(r)}" for r in (first, second))
    yield _said(group, "at the end", *ends)
    for role, what in (
        ("pot_temperature", "hottest pot"),
        ("mantle_temperature", "hottest mantle"),
    ):
        yield _plain(group, what, _highest(first, role), _highest(second, role), "degC")
    yield _plain(
        group, "least margin of the coolant", first.least_margin_K, second.least_margin_K, "K"
    )
    yield _plain(group, "most gas", first.peak_mL_per_min, second.peak_mL_per_min, "mL/min")


def _band(report: Report) -> str:
    if report.progress is None:
        return ""
    low, middle, high = (per_cent(one) for one in report.progress)
    return f", {middle} % ({low} to {high})"


def _since_heat(report: Report, at_s: float | None) -> float | None:
    return None if at_s is None else at_s - (report.heated_s or 0.0)


def _first_time(report: Report, verdict: str) -> float | None:
    return next((at_s for at_s, word in report.verdicts if word == verdict), None)


def _time_in(report: Report, verdict: str) -> float | None:
    """How long a verdict stood, all together; None where nothing was analysed. [s]"""
    if not report.verdicts or report.judged_s is None:
        return None
    ends = [at_s for at_s, _ in report.verdicts[1:]] + [report.judged_s]
    stood = zip(report.verdicts, ends, strict=True)
    return sum(end_s - at_s for (at_s, word), end_s in stood if word == verdict)


def _highest(report: Report, role: str) -> float | None:
    return next((one.high for one in report.channels if one.role == role), None)


def _accounts(first: Sequence[AccountRow], second: Sequence[AccountRow]) -> Iterator[Pair]:
    """Figures of the accounts with their uncertainties; of several alike the first counts."""
    a, b = _by_name(first), _by_name(second)
    groups = list(dict.fromkeys(group for group, _ in (*a, *b)))
    for key in sorted(dict.fromkeys([*a, *b]), key=lambda key: groups.index(key[0])):
        one, other = a.get(key), b.get(key)
        difference, differs = "", None
        if one is not None and other is not None:
            off = Figure(other.value, other.u).less(Figure(one.value, one.u))
            difference = off.text(one.unit)
            differs = abs(off.value) > _SURE * off.u
        yield Pair(key[0], key[1], _figure(one), _figure(other), difference, differs)


def _figure(row: AccountRow | None) -> str:
    return _ABSENT if row is None else Figure(row.value, row.u).text(row.unit)


def _by_name(rows: Sequence[AccountRow]) -> dict[tuple[str, str], AccountRow]:
    found: dict[tuple[str, str], AccountRow] = {}
    for row in rows:
        found.setdefault((row.group, row.what), row)
    return found


def _checks(first: Sequence[Check], second: Sequence[Check]) -> Iterator[Pair]:
    """Whether each run's own figures agree: one that contradicts itself compares with nothing."""
    a, b = ({check.name: check.state for check in checks} for checks in (first, second))
    for name in dict.fromkeys([*a, *b]):
        yield _said("agreement within each", name, a.get(name, _ABSENT), b.get(name, _ABSENT))


def _alarms(first: Report, second: Report) -> Iterator[Pair]:
    for priority in _PRIORITIES:
        counts = (sum(a.priority == priority for a in r.alarms) for r in (first, second))
        yield _said("alarms", f"{priority} priority", *map(str, counts))
    names = dict.fromkeys(a.name for r in (first, second) for a in r.alarms)
    for name in names:
        means = next(a.means for r in (first, second) for a in r.alarms if a.name == name)
        counts = (sum(a.name == name for a in r.alarms) for r in (first, second))
        yield _said("alarms", means, *map(str, counts))
    yield _said("alarms", "gaps in the record", *(str(len(r.gaps)) for r in (first, second)))


def _spans(group: str, what: str, a: float | None, b: float | None) -> Pair:
    """Two durations [s]."""
    first, second = (_ABSENT if one is None else duration(one) for one in (a, b))
    difference = ""
    if a is not None and b is not None and first != second:
        difference = f"{'-' if b < a else '+'}{duration(abs(b - a))}"
    return Pair(group, what, first, second, difference)


def _plain(group: str, what: str, a: float | None, b: float | None, unit: str) -> Pair:
    """Two figures of which nothing tells an uncertainty."""
    first, second = (_ABSENT if one is None else figure(one, unit, 1) for one in (a, b))
    difference = ""
    if a is not None and b is not None and first != second:
        difference = f"{b - a:+.1f}"
    return Pair(group, what, first, second, difference)
