"""Where gas alone is counted, what seems held back may as well leak: then the charge goes on.

A crust and a leak before the counter look the same to it. Under a leak what it counts afterwards
means nothing, so half the weight of the rival that evolution is held back goes to draws that rest
on what was counted before that moment, and on the temperatures ever since. A balance would tell
the two apart: with one nothing is changed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from monitor.analysis.estimate.course import Course
from monitor.analysis.estimate.fit import fit
from monitor.analysis.estimate.layout import Kinetics
from monitor.analysis.estimate.past import Cloud, Past
from monitor.analysis.estimate.shapes import Shape
from monitor.analysis.estimate.signals import KIND_OF_ROLE

__all__ = ["has_leak", "leaking", "mixed"]

_LEAST = 0.05
"""Less of the rival is not worth the work."""

_CARRYING = 0.99


def has_leak(past: Past, cloud: Cloud) -> bool:
    """Whether a leak is worth a fit of its own."""
    weighs = any(KIND_OF_ROLE[one.signal.role] != "gas" for one in past.heard)
    return not weighs and past.hold is not None and _held(cloud) > _LEAST


def leaking(before: Past, start: Mapping[str, tuple[float, ...]], seed: int, tick: int) -> Cloud:
    """Draws by what was counted before: `before` holds the channels cut off where it began."""
    return fit(before, start, {}, seed, tick).carrying(_CARRYING)


def mixed(cloud: Cloud, leak: Cloud) -> Cloud:
    """The cloud, half of what was held back in it given to draws of a leak."""
    held = cloud.pace < 1.0
    share = 0.5 * _held(cloud)
    weights = np.where(held, 0.5, 1.0) * cloud.weights
    return replace(
        cloud,
        kin=Kinetics(
            np.concatenate([cloud.kin.e_over_r, leak.kin.e_over_r]),
            np.concatenate([cloud.kin.ln_a, leak.kin.ln_a]),
            np.concatenate([cloud.kin.lag_s, leak.kin.lag_s]),
            tuple(map(_joined, cloud.kin.shapes, leak.kin.shapes)),
        ),
        course=Course(
            np.concatenate([cloud.course.g, leak.course.g], axis=1),
            np.concatenate([cloud.course.alpha, leak.course.alpha], axis=1),
        ),
        weights=np.concatenate([weights, share * leak.weights]),
        z=np.concatenate([cloud.z, leak.z]),
        pace=np.concatenate([cloud.pace, np.ones(leak.weights.size)]),
    )


def _held(cloud: Cloud) -> float:
    return float(cloud.weights @ (cloud.pace < 1.0))


def _joined(a: Shape, b: Shape) -> Shape:
    a_, n, w, r = (np.concatenate([getattr(a, f), getattr(b, f)]) for f in ("a", "n", "w", "r"))
    return Shape(a_, n, w, r, a.plain and b.plain)
