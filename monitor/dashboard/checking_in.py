"""The sign of life that was agreed: how long until it is due, in the words of the screen. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.dashboard.figures import Line
from monitor.dashboard.words import countdown

__all__ = ["CheckIn", "check_in_of", "countdown"]

_REMIND_S = 300.0
_REMIND_SHARE = 0.2
"""The person is reminded in the last five minutes, or the last fifth of a shorter interval."""


@dataclass(frozen=True, slots=True)
class CheckIn:
    """`left_s`: until the next sign is due; below 0 it is overdue."""

    left_s: float
    every_s: float

    @property
    def is_missed(self) -> bool:
        """No sign has come in time."""
        return self.left_s <= 0.0

    @property
    def is_near(self) -> bool:
        """Due soon, or overdue."""
        return self.left_s <= min(_REMIND_S, _REMIND_SHARE * self.every_s)

    @property
    def short(self) -> str:
        """For the first line of the screen."""
        return "[c] overdue" if self.is_missed else f"[c] in {countdown(self.left_s)}"

    @property
    def notice(self) -> str:
        """What is to be said while it is near; empty where it is not."""
        if self.is_missed:
            return f"CHECK-IN MISSED {countdown(-self.left_s)} ago: press [c]"
        if self.is_near:
            return f"CHECK IN within {countdown(self.left_s)}: press [c]; a mark counts too"
        return ""


def check_in_of(line: Line, now_s: float, person_s: float) -> CheckIn | None:
    """The countdown at `now_s`; `person_s` is the last sign seen since the line. None: none agreed.

    >>> line = {"check_in": {"every_s": 1800.0, "last_s": 100.0, "due_in_s": 1790.0}}
    >>> check_in_of(line, 400.0, 0.0).left_s, check_in_of(line, 400.0, 350.0).left_s
    (1500.0, 1750.0)
    """
    agreed = line.get("check_in")
    if not agreed:
        return None
    last_s = max(float(agreed["last_s"]), person_s)
    return CheckIn(last_s + float(agreed["every_s"]) - now_s, float(agreed["every_s"]))
