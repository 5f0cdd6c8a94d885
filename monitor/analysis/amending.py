"""What an amended rig means for the channels that were there before it. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from monitor.analysis.bins import BinStore
from monitor.analysis.channels import ChannelState
from monitor.analysis.forgetting import forget_channel, forget_meaning
from monitor.analysis.setting import Setting
from monitor.analysis.verdict_state import KINDS
from monitor.plan.model import ChannelSpec, InstrumentSpec

__all__ = ["Followed", "follow_rig"]

Specs = Mapping[str, tuple[InstrumentSpec, ChannelSpec]]


@dataclass(frozen=True, slots=True)
class Followed:
    """What has become of channels, by their names."""

    gone: tuple[str, ...]
    anew: tuple[str, ...]
    """Their next number follows on none before."""
    apart: Mapping[str, str]
    """What was measured under that name so far stands under this one."""


def follow_rig(
    channels: dict[str, ChannelState],
    bins: BinStore,
    memory: dict[str, float],
    before: Specs,
    setting: Setting,
    now_s: float,
) -> Followed:
    """Make `channels`, in place, those of the rig in `setting`, which was `before` until `now_s`.

    What the rig names no longer is gone; its past stays in `bins`. A channel that measures
    something else from now on begins anew; one that is read in another way is believed again,
    whatever was held against it. What was learned of a channel stays where the rig says nothing new
    of it.
    """
    anew: list[str] = []
    apart: dict[str, str] = {}
    gone = [name for name in before if name not in setting.specs]
    for name in gone:
        known = channels.pop(name, None)
        bins.finish(name)
        if known is not None:
            _forget(memory, known)
    for name, (source, spec) in setting.specs.items():
        fresh = setting.channel(name, source.name)
        if fresh is None:
            continue
        fresh.added_s = now_s
        known, was = channels.get(name), before.get(name)
        if known is None:
            channels[name] = fresh
            anew.append(name)
            earlier = bins.channel(name)
            if earlier.role == fresh.role and len(earlier) and fresh.unit == "1":
                fresh.count_before = float(earlier.last[-1])
            elif earlier.role not in ("", fresh.role):
                apart[name] = bins.set_apart(name)
        elif known.role != fresh.role:
            channels[name] = fresh
            anew.append(name)
            apart[name] = bins.set_apart(name)
            _forget(memory, known)
        else:
            if known.mL_per_count != fresh.mL_per_count:
                forget_meaning(memory, name)
            _adopt(known, fresh, None if was is None else was[1], spec)
            if was is not None and _is_read_otherwise(was, (source, spec)):
                anew.append(name)
    return Followed(tuple(gone), tuple(anew), apart)


def _adopt(
    known: ChannelState, fresh: ChannelState, was: ChannelSpec | None, spec: ChannelSpec
) -> None:
    known.instrument, known.stale_rule_s = fresh.instrument, fresh.stale_rule_s
    if was is None or was.ceiling_per_s != spec.ceiling_per_s:
        known.ceiling_per_s = fresh.ceiling_per_s
    known.mL_per_count = fresh.mL_per_count


def _is_read_otherwise(
    was: tuple[InstrumentSpec, ChannelSpec], now: tuple[InstrumentSpec, ChannelSpec]
) -> bool:
    """Whether what the channel says may have another scale, or come from another thing."""
    (old, before), (new, spec) = was, now
    return (
        (old.driver, old.port, old.options) != (new.driver, new.port, new.options)
        or (before.unit, before.gain, before.offset, before.options)
        != (spec.unit, spec.gain, spec.offset, spec.options)
    )  # fmt: skip


def _forget(memory: dict[str, float], known: ChannelState) -> None:
    forget_channel(memory, known.name)
    if known.role in KINDS:
        forget_meaning(memory, known.name)
