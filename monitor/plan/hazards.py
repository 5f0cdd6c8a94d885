"""Names of findings and alarms, as a plan's [stop_plan] may use them.

The class of each stands in `monitor.analysis.conditions`; a test keeps the two in step.
"""

from __future__ import annotations

__all__ = ["NAMES", "URGENT"]

URGENT = (
    "outlet-blocked", "gas-in-room", "hood-airflow-lost", "heater-stuck", "over-temperature",
    "probe-slipped", "suck-back", "flask-broken", "power-lost", "coolant-above-line",
)  # fmt: skip
"""Leave or act at once: for these above all a person's own line is wanted."""

NAMES = (
    *URGENT,
    "coolant-warm", "coolant-flow-lost", "ice-gone", "coolant-freezing", "bumping",
    "foaming-over", "receiver-boiling", "near-dryness", "absorber-breakthrough",
    "leak-suspected", "channel-silent", "recorder-silent", "analysis-stopped",
    "disk-nearly-full", "gas-after-complete",
    "stalled", "off-profile", "channel-frozen", "probe-open", "bad-values", "unit-changed",
    "channels-disagree", "references-shifted", "counter-saturated", "check-in-missed",
    "counter-reset", "mass-step", "electrical-noise", "host-slept", "clock-stepped",
    "heater-off", "crust-suspected", "zero-tracking",
)  # fmt: skip
"""All of them."""
