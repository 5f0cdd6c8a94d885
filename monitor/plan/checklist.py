"""What to have settled before the mantle is switched on, and how often to check in after that.

The usual ones are common practice for such a bench, without a source; a person who is qualified
for it puts the lab's own in their place with [checklist] in plan.toml.
"""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches

from monitor.plan.fields import Fields

__all__ = ["QUESTIONS", "Checklist", "read_checklist"]

_LONGEST_MIN = 24 * 60.0

QUESTIONS: tuple[str, ...] = (
    "Are the written procedure and the stop plan at hand?",
    "Has a second person, or a time to call in, been agreed?",
    "Has the hood been proved to draw, and is the way out clear?",
    "Is there a relief path on the hot side that can be reached from outside the hood?",
    "Can the trap before the absorber hold all of the absorber's liquid?",
    "Are the tubes' depths noted, and the absorbers clamped and standing in a tray?",
    "Is the glass free of star cracks, and every part fit for nitric vapour and NO2?",
    "Is there nothing organic near the charge?",
    "Has the independent over-temperature cut-out been set and tried?",
    "Does the heater stay off after a power cut?",
    "Is the pot's probe clipped, and its depth marked?",
    "Has the coolant been seen to flow, with a lower and an upper limit set?",
    "Is there ice enough for the whole run?",
    "Has the room's gas sensor warmed up and been tried, its limit from local rules?",
    "Is this computer on a supply that outlasts a power cut, and kept from sleeping?",
    "Are a spare absorber and the neutraliser that local rules ask for at hand?",
)
"""Each is answered with yes, no or some words; none of the answers stops a run."""


@dataclass(frozen=True, slots=True)
class Checklist:
    """What [checklist] says."""

    ask: tuple[str, ...] | None = None
    """The person's own questions; None: the usual ones."""
    check_in_min: float | None = None
    """None: no check-in is agreed."""
    unread: tuple[str, ...] = ()
    """Keys that mean nothing here."""


def read_checklist(fields: Fields | None) -> Checklist:
    """[checklist]. Further keys are left, and told of as such, unless they are misspelt ones."""
    if fields is None:
        return Checklist()
    every_min = fields.number(
        "check_in_min",
        f"minutes, above 0, at most {_LONGEST_MIN:g}",
        (0.0, _LONGEST_MIN),
        open_ends=(True, False),
    )
    ask = fields.texts("ask", "the questions before a run") if "ask" in fields else None
    fields.accept("ask")
    unread = tuple(key for key, _ in fields.others() if key.isprintable())
    if fields.source.is_new:
        # The table is kept for later, and so is any key but one that is meant to be one of these.
        for key in unread:
            if get_close_matches(key.lower().replace("-", "_"), fields.known(), n=1):
                fields.source.unknown(fields.path, key, fields.known())
    return Checklist(ask, every_min, unread)
