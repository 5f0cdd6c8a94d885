"""When the bell rings: the more urgent, the more and the sooner again. No clock here.

Three strokes every four seconds while an alarm of high priority has been seen by nobody, two every
half minute for one of medium priority; one of low priority rings by itself not at all.
"""

from __future__ import annotations

__all__ = ["PATTERNS", "Bell"]

PATTERNS = {"high": (3, 4.0), "medium": (2, 30.0)}
"""Priority -> strokes, and after how many seconds they come again."""

_APART_S = 0.25


class Bell:
    """Asked several times a second; says whether to strike now."""

    def __init__(self) -> None:
        self._loudest = ""
        self._left = 0
        self._struck_s = self._began_s = float("-inf")

    def strikes(self, now_s: float, priorities: frozenset[str], once: bool = False) -> bool:
        """Whether to strike at `now_s`, given the priorities of the alarms nobody has seen.

        `once`: one stroke besides, for what is a reminder and no alarm.
        """
        loudest = next((p for p in PATTERNS if p in priorities), "")
        strokes, again_s = PATTERNS.get(loudest, (0, float("inf")))
        if not loudest:
            self._left = 0
        elif loudest != self._loudest or now_s - self._began_s >= again_s:
            self._left, self._began_s = strokes, now_s
        self._loudest = loudest
        if once and not self._left:
            self._left = 1
        if not self._left or now_s - self._struck_s < _APART_S - 0.01:
            return False
        self._left -= 1
        self._struck_s = now_s
        return True
