"""What an account is made of, gathered from one journal: history, last analysis, results."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from monitor.analysis.bins import BinStore
from monitor.analysis.fold import VERSION, Fold
from monitor.analysis.moved import mass_moved, moved_by_count, moved_by_flow
from monitor.journal import Reader
from monitor.plan.bubble_volume import COUNTERS, UNTOLD_U
from monitor.plan.model import ChannelSpec, Plan
from monitor.report.account import account_of
from monitor.report.content import Account
from monitor.report.expecting import TO_U
from monitor.report.lines import Passed
from monitor.report.seen import BalanceSeen, OutletSeen
from monitor.wording.figures import Figure
from monitor.wording.measured import Result, ResultError, read_result

__all__ = ["account_from", "fold_of"]

_METER_U = 0.1
"""Of what a flow meter adds up, as a share: the gas is not the one it was set for. Judgement."""
_MASSES = ("pot_mass", "receiver_mass")
_DOUBTS = (
    "unit-changed", "zero-tracking", "channel-frozen", "channels-disagree", "counter-saturated",
)  # fmt: skip
"""Findings under which a channel's total is none."""


def fold_of(reader: Reader) -> Fold:
    """What was heard by the journal's end, from its last checkpoint on; nothing is judged anew."""
    seq, fold = 0, None
    if (kept := reader.checkpoint(VERSION)) is not None:
        with contextlib.suppress(ValueError):
            seq, fold = kept[0], Fold.restore(kept[1])
    if fold is None:
        seq, fold = 0, Fold(reader.start())
    for entry in reader.entries(after_seq=seq):
        fold.listen(entry)
    return fold


def account_from(
    fold: Fold,
    plan: Plan,
    channels: Sequence[ChannelSpec],
    passed: Passed,
    texts: Sequence[str],
    end_s: float,
) -> Account:
    """The account of a run. `texts`: what marks of the kind `measured` say, as corrected."""
    results, unread = _results(plan, texts)
    from_s = fold.heated_s if fold.heated_s is not None else 0.0
    specs = {channel.name: channel for channel in channels}
    account = account_of(
        plan,
        _fractions(passed),
        tuple(_balances(fold.bins, specs, passed, from_s, end_s, _charge_g(plan))),
        tuple(_outlets(fold.bins, specs, passed, from_s, end_s)),
        results,
        _given_L(passed),
    )
    return Account(account.rows, account.checks, (*account.notes, *unread))


def _results(plan: Plan, texts: Sequence[str]) -> tuple[tuple[Result, ...], tuple[str, ...]]:
    results, unread = [], []
    for text in texts:
        try:
            results.append(read_result(text, [one.name for one in plan.receivers]))
        except ResultError as error:
            unread.append(f"a mark of the kind 'measured' is not understood: {error}")
    return tuple(results), tuple(unread)


def _fractions(passed: Passed) -> Mapping[str, tuple[float, float, float]]:
    found: dict[str, tuple[float, float, float]] = {}
    for step in (passed.last or {}).get("steps") or ():
        if band := step.get("fraction"):
            found[str(step["name"])] = (band["p05"], band["p50"], band["p95"])
    return found


def _given_L(passed: Passed) -> Figure | None:
    """Gas without steam that has left the charge, by the last analysis. [L]"""
    band = ((passed.last or {}).get("gas") or {}).get("total_L")
    return None if band is None else Figure(band["p50"], (band["p95"] - band["p05"]) * TO_U)


def _charge_g(plan: Plan) -> float | None:
    return None if plan.charge is None else plan.charge.mass_g


def _balances(
    bins: BinStore,
    specs: Mapping[str, ChannelSpec],
    passed: Passed,
    from_s: float,
    end_s: float,
    charge_g: float | None,
) -> Iterator[BalanceSeen]:
    for name, spec in specs.items():
        if spec.role not in _MASSES or name not in bins.names(spec.role):
            continue
        steps = [
            at_s for (what, where, at_s) in passed.findings if (what, where) == ("mass-step", name)
        ]
        moved = mass_moved(bins.channel(name), from_s, end_s, steps, charge_g)
        if moved is not None:
            change = Figure(moved.change_g, moved.u_g)
            yield BalanceSeen(name, spec.role, change, moved.steps, _doubt(passed, name))


def _outlets(
    bins: BinStore,
    specs: Mapping[str, ChannelSpec],
    passed: Passed,
    from_s: float,
    end_s: float,
) -> Iterator[OutletSeen]:
    for name, spec in specs.items():
        if name not in bins.names(spec.role):
            continue
        if spec.role in COUNTERS and spec.bubble_mL is not None:
            count = moved_by_count(bins.channel(name), from_s, end_s)
            if count is None:
                continue
            each, u_mL = spec.bubble_mL, spec.bubble_u_mL
            relative = UNTOLD_U if u_mL is None else u_mL / each
            litres = count * each / 1000.0
            how = f"{count:.0f} bubbles of {each:g} mL"
            doubt = _doubt(passed, name)
            yield OutletSeen(name, spec.role, Figure(litres, relative * litres), how, doubt)
        elif spec.role == "outlet_flow":
            passed_mL = moved_by_flow(bins.channel(name), from_s, end_s)
            if passed_mL is not None:
                litres = passed_mL / 1000.0
                figure = Figure(litres, _METER_U * abs(litres))
                yield OutletSeen(name, spec.role, figure, "its flow added up", _doubt(passed, name))


def _doubt(passed: Passed, channel: str) -> str:
    """Which findings or alarms on a channel make its total none."""
    named: list[str] = []
    keys: list[Any] = [*passed.findings, *passed.alarms]
    for name, where, _ in keys:
        if where == channel and name in _DOUBTS and name not in named:
            named.append(name)
    return ", ".join(named)
