"""What each step brings to progress, draw by draw, where the plan states losses and not formulas.

Moles follow from equations. A stated loss is uncertain, and a balance tells more about it as the
run goes on.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.past import Cloud, Past
from monitor.chemistry.network import Network

__all__ = ["counted"]

_Array = NDArray[np.float64]

_LEAST = 0.05
"""No step brings less than this share of what is stated."""


def counted(past: Past, cloud: Cloud, network: Network, seed: int) -> _Array:
    """What every step counts for progress, (steps,) or (sets, steps)."""
    layout = past.layout
    if not network.counts_mass or layout.steps == 1:
        return network.counts
    generator = np.random.Generator(np.random.PCG64(seed + 6))
    normals = generator.standard_normal((cloud.weights.size, layout.steps))
    each = 1.0 + normals * layout.loss_u_g / np.maximum(layout.loss_g, 1e-9)
    for one, agreed in zip(past.heard, cloud.agreed, strict=False):
        if one.signal.role != "pot_mass":
            continue
        share, share_u = one.signal.share, one.signal.share_u
        normal = np.einsum("irs,jrs->sij", agreed.courses, agreed.courses)
        normal = normal * np.outer(share_u, share_u) + np.eye(layout.steps)
        open_u = np.linalg.cholesky(np.linalg.inv(normal))
        # Draws that rest on less come after these: theirs is what the plan says.
        own = agreed.pulled.shape[0]
        pulled = agreed.pulled + np.einsum("sij,sj->si", open_u, normals[:own])
        each[:own] = (share + share_u * pulled) / np.where(share == 0.0, 1.0, share)
        break
    return np.asarray(network.counts * np.maximum(each, _LEAST))
