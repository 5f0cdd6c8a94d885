"""The simulated person at the bench: gives a sign in good time, until the fault of that name."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from monitor.entries import Mark
from monitor.plan.model import Plan
from monitor.rehearsal.faults import Fault

__all__ = ["SIGN", "signs_s"]

SIGN = Mark("here", "", "simulated person")
"""What the simulated person leaves in the journal."""

_SHARE = 0.6
"""The person comes after this share of the agreed time."""


def signs_s(plan: Plan, faults: Iterable[Fault]) -> Iterator[float]:
    """When the person gives a sign, without end unless `check-in-missed` befalls them. [s]

    None at all where the plan asks for none.
    """
    if plan.check_in_min is None:
        return
    gone_s = min((f.at_s for f in faults if f.name == "check-in-missed"), default=float("inf"))
    every_s = _SHARE * 60.0 * plan.check_in_min
    number = 1
    while number * every_s < gone_s:
        yield number * every_s
        number += 1
