"""Where gas alone is counted, what seems held back may as well leak: then the charge goes on.

A crust and a leak before the counter look the same to it. Half the weight of the rival that
evolution is held back goes to draws of the same kinetics that were never held: what the counter no
longer shows has left all the same. A balance would tell, so with one nothing is changed.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from monitor.analysis.estimate.course import Course
from monitor.analysis.estimate.layout import Kinetics
from monitor.analysis.estimate.past import Cloud, Past, run_sets
from monitor.analysis.estimate.shapes import FAMILIES
from monitor.analysis.estimate.signals import KIND_OF_ROLE

__all__ = ["with_leak"]

_LEAST = 0.02
"""Of the weight: less of the rival is not worth the work."""


def with_leak(past: Past, cloud: Cloud) -> Cloud:
    """The cloud with draws of a leak beside those held back."""
    held = np.flatnonzero(cloud.pace < 1.0)
    weighs = any(KIND_OF_ROLE[one.signal.role] != "gas" for one in past.heard)
    if weighs or float(cloud.weights[held].sum()) < _LEAST:
        return cloud
    family = next(f for f in FAMILIES if f.held)
    free = replace(past, hold=None)
    course = run_sets(free, cloud.z[held], [(family, slice(0, held.size))])[1]
    rows = np.concatenate([np.arange(cloud.weights.size), held])
    weights = cloud.weights.copy()
    weights[held] *= 0.5
    return replace(
        cloud,
        kin=Kinetics(
            cloud.kin.e_over_r[rows],
            cloud.kin.ln_a[rows],
            cloud.kin.lag_s[rows],
            tuple(shape.rows(rows) for shape in cloud.kin.shapes),
        ),
        course=Course(
            np.concatenate([cloud.course.g, course.g], axis=1),
            np.concatenate([cloud.course.alpha, course.alpha], axis=1),
        ),
        weights=np.concatenate([weights, weights[held]]),
        z=cloud.z[rows],
        pace=np.concatenate([cloud.pace, np.ones(held.size)]),
    )
