"""One moment of a simulated run, as rules see it, on a rig that has some of its channels."""

from __future__ import annotations

import functools
from dataclasses import replace

from monitor.analysis.channels import ChannelState
from monitor.analysis.fold import Fold
from monitor.analysis.view import View
from monitor.entries import RunStarted
from monitor.plan.files import parse_plan
from monitor.rehearsal.entries import Rehearsal, rehearse_entries

__all__ = ["moment"]


@functools.cache
def _seen(plan: str, until_min: float) -> View:
    """The moment on the whole rig."""
    run = Rehearsal(parse_plan(plan), 4, ())
    (first, *_) = rehearse_entries(plan, seed=4, until_s=0.0, rehearsal=run)
    assert isinstance(first.body, RunStarted)
    fold = Fold(first.body)
    entries = rehearse_entries(plan, seed=4, until_s=60.0 * until_min, rehearsal=run)
    for entry in list(entries)[1:-1]:
        fold.step(entry)
    return fold._view(60.0 * until_min)


def moment(plan: str, until_min: float, roles: tuple[str, ...]) -> View:
    """The same moment where these roles alone are there; its channels are copies."""
    whole = _seen(plan, until_min)
    by_role: dict[str, list[ChannelState]] = {
        role: [replace(state, recent=state.recent.copy()) for state in whole.of(role)]
        for role in roles
    }
    channels = {state.name: state for states in by_role.values() for state in states}
    return replace(
        whole, by_role=by_role, channels=channels, memory=dict(whole.memory), known={}, answers={},
        wanted={},
    )  # fmt: skip
