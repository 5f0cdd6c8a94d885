"""The person at the bench: whether the sign of life that was agreed has come.

Whatever a person says that reaches the journal counts as one. The time runs from the last sign, or
from the start of the run; nothing but a person moves it, and it ends with the recording alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from monitor.analysis.conditions import Judged
from monitor.analysis.diagnosis.rules import Rule
from monitor.analysis.view import View

__all__ = ["RULES", "check_in_line"]


def check_in_line(every_min: float | None, last_s: float, now_s: float) -> dict[str, Any] | None:
    """The agreed interval, the last sign and the time left, below 0 where it is overdue. [s]

    As it stands in an analysis line; None where nothing was agreed.
    """
    if every_min is None:
        return None
    every_s = 60.0 * every_min
    return {
        "every_s": round(every_s, 1),
        "last_s": round(last_s, 1),
        "due_in_s": round(last_s + every_s - now_s, 1),
    }


def _agreed(view: View) -> bool:
    return view.setting.plan.check_in_min is not None


def _missed(view: View) -> Iterator[Judged]:
    every_min = view.setting.plan.check_in_min
    assert every_min is not None
    last_s = view.happened.person_s
    due_s = last_s + 60.0 * every_min
    if view.now_s >= due_s:
        quiet_min = (view.now_s - last_s) / 60.0
        why = f"no sign from the bench for {quiet_min:.0f} min; every {every_min:g} min was agreed"
        # The agreed time is delay enough, and a sign that comes ends it at once.
        yield Judged("check-in-missed", why, None, due_s, on_delay_s=0.0, off_delay_s=0.0)


RULES = (Rule(("check-in-missed",), _missed, matters=_agreed),)
