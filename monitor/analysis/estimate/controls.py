"""What may hold the pot to its programme, and how each would let it be held back.

Time constants and sizes are from memory, how likely each is from judgement.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["CONTROLS", "Control"]


@dataclass(frozen=True, slots=True)
class Control:
    """What a controller does about a pot that its charge holds back."""

    likely: float
    lag_s: float
    """With what lag the pot follows the programme."""
    reset_s: float
    """Time in which a controller on the pot makes good for the rest; inf: it does not."""
    held_K: tuple[float, float]
    """By how much the reaction at its fastest holds the pot back, mean and standard deviation."""
    other_u_K: float
    """How much more or less that is, at equal speed by mass, for other steps than that of [done]:
    heats per gram differ by half or more."""
    wound_u_s: float
    """For how many seconds' climb the reset winds up on a ramp."""
    offset_share: float
    """By how much holds are missed, as a share of how much hotter than the room the pot is,
    standard deviation. Thermocouples of class 2 are 0.75 % off (IEC 60584-1). A mantle has to be
    hotter than its pot by a tenth to a fourth of that, and by how much is known to a tenth or a
    fifth."""


_FIXED = 1e-3
"""Of what a hypothesis rules out."""

CONTROLS = (
    Control(0.15, 0.0, 400.0, (3.0, 3.0), 4.0, 40.0, 0.01),
    Control(0.25, 0.0, 1200.0, (3.0, 3.0), 4.0, 40.0, 0.01),
    Control(0.2, 0.0, math.inf, (1.5, 2.0), 2.0, _FIXED, 0.01),
    Control(0.2, 130.0, math.inf, (12.0, 8.0), 8.0, _FIXED, 0.025),
    Control(0.2, 230.0, math.inf, (12.0, 8.0), 8.0, _FIXED, 0.025),
)
"""On the pot, with reset times of five to twenty minutes as slow ovens have them, and without; on
the mantle (or a hand on a dial), of a flask of 100 mL and of one of 1 L. What lies between two of
them is forecast about as well: with 1000 or 1400 s for 1200 errors were the same to a tenth."""
