"""How far the run is, and when it will be done: `begin`, `update` now and then, `carry` between.

From any subset of pot temperature, masses, bubbles and flow. Everything is a pure function of the
thinned history, the plan and the seed.
"""

from monitor.analysis.estimate.bands import Band, RemainingBand
from monitor.analysis.estimate.estimator import begin, carry, update
from monitor.analysis.estimate.model import (
    ChannelEvidence,
    Circumstances,
    Estimate,
    EstimatorState,
    Evidence,
    OtherHolds,
    Setup,
    estimate_data,
    estimate_from_data,
)

__all__ = [
    "Band",
    "ChannelEvidence",
    "Circumstances",
    "Estimate",
    "EstimatorState",
    "Evidence",
    "OtherHolds",
    "RemainingBand",
    "Setup",
    "begin",
    "carry",
    "estimate_data",
    "estimate_from_data",
    "update",
]
