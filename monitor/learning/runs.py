"""A finished run as the fit needs it, or the reason why it teaches nothing."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from monitor.analysis.bins import BinStore
from monitor.analysis.estimate.fit import Past
from monitor.analysis.estimate.model import EstimatorState, Setup
from monitor.analysis.estimate.signals import KIND_OF_ROLE
from monitor.analysis.fold import Fold
from monitor.analysis.setting import setting_of
from monitor.entries import ClosedCleanly, Entry, Readings, RunStarted
from monitor.learning.history import is_by_pot, longest_silence_s, past_of
from monitor.plan.amounts import amounts_known
from monitor.plan.model import Plan
from monitor.plan.problems import FileErrors

__all__ = ["FinishedRun", "UninformativeError", "finished_run", "read_run"]

_BEFORE_S = 600.0
_AFTER_S = 900.0
"""How much of the time before heating and after the end belongs to the run. [s]"""

_LONGEST_SILENCE_S = 1800.0


class UninformativeError(ValueError):
    """A run that teaches no kinetics; the sentence says why."""


@dataclass(frozen=True, slots=True)
class FinishedRun:
    """One run that was watched to its end."""

    title: str
    date: str | None
    """Day on which it began, YYYY-MM-DD; None where only elapsed time is known."""
    start: RunStarted
    setup: Setup
    past: Past

    @property
    def plan(self) -> Plan:
        """The plan that was in force at its end."""
        return self.setup.plan

    @property
    def label(self) -> str:
        """Title and date, for sources."""
        return self.title if self.date is None else f"{self.title}, {self.date}"


def read_run(
    entries: Iterable[Entry],
    *,
    rehearsals: bool = False,
    checkpoint: tuple[int, bytes] | None = None,
) -> FinishedRun:
    """Fold a whole journal. Raises UninformativeError with the reason where it teaches nothing.

    `rehearsals`: simulated runs are taken too. `checkpoint`: a state of the fold and the sequence
    number of the entry after which it was made, to go on from; one of another version is passed
    over.
    """
    rest = iter(entries)
    first = next(rest, None)
    if first is None or not isinstance(first.body, RunStarted):
        raise UninformativeError("its first entry is missing, so there is no plan to go by")
    start = first.body
    if start.rehearsal and not rehearsals:
        raise UninformativeError(
            "it is a rehearsal: a simulated rig knows no more than the plan (--rehearsals takes it)"
        )
    _check_plan(start)
    seq, fold = _begun(start, checkpoint)
    if not _is_closed(fold, seq, (first, *rest)):
        raise UninformativeError("it is not finished: its recording was never closed")
    return _of_fold(fold, first)


def _begun(start: RunStarted, checkpoint: tuple[int, bytes] | None) -> tuple[int, Fold]:
    """Sequence number that a fold has come to, and the fold."""
    if checkpoint is not None:
        with contextlib.suppress(ValueError, TypeError):
            return checkpoint[0], Fold.restore(checkpoint[1])
    return 0, Fold(start)


def _is_closed(fold: Fold, seq: int, entries: Iterable[Entry]) -> bool:
    """Fold all entries after `seq`; whether nothing was read after the journal was closed."""
    closed = False
    for entry in entries:
        if isinstance(entry.body, Readings):
            closed = False
        elif isinstance(entry.body, ClosedCleanly):
            closed = True
        if entry.seq > seq:
            fold.step(entry)
    return closed


def _of_fold(fold: Fold, first: Entry) -> FinishedRun:
    """What the fold knows at the end, beyond its lines."""
    start, state, setup = first.body, fold._state, fold._setting.setup
    assert isinstance(start, RunStarted)
    if setup is None:
        raise UninformativeError("its plan was amended to one without steps: nothing to learn of")
    verdict = state.verdict
    if verdict.word != "complete" or verdict.complete_s is None:
        why = "; ".join(verdict.why[:1])
        raise UninformativeError(
            f"it never came to its end for good: its last verdict is {verdict.word!r} ({why})"
        )
    return finished_run(
        start,
        _day(first),
        setup,
        fold._bins,
        state.estimator,
        (state.heating.began_s or 0.0) - _BEFORE_S,
        verdict.complete_s + _AFTER_S,
    )


def _check_plan(start: RunStarted) -> None:
    """What can be told before the readings are gone through."""
    try:
        setting = setting_of(start.plan_toml, start.rig_toml, start.seed)
    except FileErrors as error:
        raise UninformativeError(f"its plan or rig cannot be read: {error}") from error
    if setting.network is None:
        raise UninformativeError("it is a timed hold: its plan has no steps, so no kinetics")
    for spec in setting.rig.instruments:
        if spec.driver == "playback" and spec.port.startswith("file:"):
            raise UninformativeError(
                f"its {spec.name!r} played an older record, at a speed of its own: import that"
            )
    _check_steps(setting.plan)


def _check_steps(plan: Plan) -> None:
    by_loss = [step.name for step in plan.steps if step.equation is None]
    if by_loss:
        raise UninformativeError(
            f"step {by_loss[0]!r} states a loss of mass: a reaction set holds equations, so what "
            "was learned could not be kept in one"
        )
    if not amounts_known(plan):
        raise UninformativeError(
            "its plan does not say how much was in the pot, so no share of it is known"
        )


def _day(first: Entry) -> str | None:
    start = first.body
    assert isinstance(start, RunStarted)
    if first.utc_s is None:
        return None
    there = timedelta(seconds=start.utc_offset_s or 0)
    return f"{datetime.fromtimestamp(first.utc_s, UTC) + there:%Y-%m-%d}"


def finished_run(
    start: RunStarted,
    date: str | None,
    setup: Setup,
    bins: BinStore,
    state: EstimatorState,
    from_s: float,
    to_s: float,
) -> FinishedRun:
    """A run from its thinned history between two times. [s] Raises UninformativeError."""
    _check_steps(setup.plan)
    spoke = [c for c in bins.channels() if len(c)]
    begin = min((float(c.t0_s[0]) for c in spoke), default=0.0)
    end = max((float(c.t1_s[-1]) for c in spoke), default=0.0)
    past = past_of(setup, bins, state, max(from_s, begin), min(to_s, end))
    if past is None or not is_by_pot(past.warmth):
        raise UninformativeError(
            "it has no pot temperature that counted to the end: kinetics need it"
        )
    if not past.heard:
        raise UninformativeError(
            "it has neither mass nor gas "
            f"(a channel of {', '.join(sorted(KIND_OF_ROLE))}): temperatures alone show no progress"
        )
    silence_s = longest_silence_s(bins, past, state)
    if silence_s > _LONGEST_SILENCE_S:
        raise UninformativeError(
            f"its pot temperature is missing for {silence_s / 60.0:.0f} min: what was made then "
            "cannot be laid to any temperature"
        )
    return FinishedRun(setup.plan.title, date, start, setup, past)
