"""Dead bands by type of signal: how far a number has to come back before its alarm goes.

ISA-18.2 and IEC 62682 leave the values to the plant and give starting points by type of signal, as
shares of the operating range; EEMUA 191 gives the same ones. All are from memory. Here a range is
that of a bench, and where the starting point would be finer than hazards on a bench are told (1 to
2 K for temperatures, two of the channel's own noises for anything), the coarser one holds.

Delays are by class (`conditions.py`), unless a rule states the hazard's own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from monitor.analysis.channels import ChannelState

__all__ = ["DEAD_BANDS", "DeadBand", "dead_band_of"]

_STANDARDS: Final = "starting value of ISA-18.2, IEC 62682 and EEMUA 191, from memory"
_JUDGEMENT: Final = "judgement, no source"
_NOISES: Final = 2.0


@dataclass(frozen=True, slots=True)
class DeadBand:
    """Of one type of signal."""

    share: float
    """Of the operating range."""
    span: float
    """Operating range on a bench, in the unit of the type."""
    least: float
    """No finer than this, in the same unit."""
    source: str

    @property
    def width(self) -> float:
        """In the unit of the type, the channel's noise left aside."""
        return max(self.share * self.span, self.least)


DEAD_BANDS: Final[Mapping[str, DeadBand]] = {
    "hot temperature": DeadBand(0.01, 400.0, 2.0, _STANDARDS),
    "coolant temperature": DeadBand(0.01, 60.0, 1.0, _STANDARDS),
    "pressure": DeadBand(0.02, 2.0, 0.04, _STANDARDS),
    "flow": DeadBand(0.05, 1.0, 0.0, _STANDARDS),
    "air speed": DeadBand(0.05, 1.0, 0.0, _STANDARDS),
    "concentration": DeadBand(0.1, 1.0, 0.0, _JUDGEMENT),
}
"""Type -> dead band: K, kPa; of flow, air speed and concentration a share of what is usual or of
the limit."""


def dead_band_of(kind: str, state: ChannelState | None = None, scale: float = 1.0) -> float:
    """How far it has to come back, in the channel's unit.

    `scale`: what is usual, or the limit, where the table's range is a share of that.
    """
    noise = 0.0 if state is None else _NOISES * state.noise()
    return max(DEAD_BANDS[kind].width * scale, noise)
