"""What rules have learned of a channel, and of what its numbers mean beside another's: forgotten.

The rules' memory is one table by key. A key that is about a channel has its name as a part of its
own, between colons, slashes or signs of when it was learned.
"""

from __future__ import annotations

import re

__all__ = ["forget_channel", "forget_meaning", "forget_ratio_of"]

_RATIOS = ("g-each", "bubbles-per-g", "passes")
_PARTS = re.compile(r"[:/@]")


def forget_channel(memory: dict[str, float], name: str) -> None:
    """All about that channel alone: another thing speaks under its name now, or nothing does."""
    for key in [key for key in memory if name in _PARTS.split(key)]:
        del memory[key]


def forget_meaning(memory: dict[str, float], name: str) -> None:
    """What a count of that channel means beside others, and what was held against those for it."""
    for ratio in _RATIOS:
        forget_ratio_of(memory, ratio)
    for key in list(memory):
        kind, _, who = key.partition(":")
        if kind in ("usual", "learned") and name in who.split("/"):
            del memory[key]
            # What was held against the other channel rests on it.
            for other in who.split("/"):
                for said in ("out", "agreed", "short"):
                    memory.pop(f"{said}:{other}", None)
    for key in (f"peak:{name}", f"means:{name}", "held"):
        memory.pop(key, None)


def forget_ratio_of(memory: dict[str, float], key: str) -> None:
    """Begin to learn a ratio anew, as if nothing had been known of it."""
    for name in (key, f"{key}@", f"{key}-since", f"{key}-left"):
        memory.pop(name, None)
