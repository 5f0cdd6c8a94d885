"""What finished runs teach: activation energy and half temperature of each step, and the model.

Each candidate model of the step that ends the run is fitted to every run, the runs are pooled, and
the candidates weighed by how well they account for all runs. The best one is written down; that
others remain possible widens the figures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.fit import Past
from monitor.analysis.estimate.layout import Layout
from monitor.chemistry.steps import StepSpec
from monitor.learning.fitting import local_fit, with_model
from monitor.learning.pooling import Pooled, pool
from monitor.learning.runs import FinishedRun, UninformativeError

__all__ = ["CANDIDATES", "Learned", "LearnedStep", "check_informs", "learn"]

_Array = NDArray[np.float64]

CANDIDATES = ("F1", "F1.25", "F1.5", "F2", "A2", "A3", "R2", "R3", "D3")
"""Reaction models that are tried beside the one that the plan names."""

_PLANNED_WEIGHT = 3.0
"""How much likelier than any other the plan's model is beforehand. Judgement."""

BETWEEN_HALF_K = 3.5
BETWEEN_E_KJ_MOL = 4.0
_BETWEEN_LAG = 0.4
"""Run-to-run standard deviations on one bench, expected beforehand; the lag's in its own prior
ones. Runs of several heating rates tell a slow thermowell from a slow reaction. From memory."""

_PROBE_U_K = 4.0
"""A half temperature is one as the thermowell shows it: offset and gradient of the pot go into it.
From memory, as in the estimator."""

_LEAST_E_U_KJ_MOL = 1.0
_ROUNDS = 3
_HOPELESS = 30.0
"""A model whose evidence lies that much below the best (natural logarithm) is not fitted on."""

_MISFIT_E_U_KJ_MOL = 3.0
_MISFIT_HALF_U_K = 1.5
"""What more than one population, an order between two models and a thermowell that is not quite at
the charge's temperature do to every run alike. From simulated runs."""

_GAS_ALONE_E_U_KJ_MOL = 15.0
"""Where the pot was not weighed: what the absorber keeps hangs on how fast gas comes, which looks
like another activation energy, and another model, in every run alike: the plan's model is kept.
From simulated runs."""

_KNOWN_BEFORE = 0.6
"""A step counts as learned where less than this share of its prior variance is left."""


@dataclass(frozen=True, slots=True)
class LearnedStep:
    """One step as it will stand in the set."""

    spec: StepSpec
    before: StepSpec
    """As the plan had it."""
    is_learned: bool
    """False: the runs say next to nothing of it, so it stands as it was."""
    between_e_kJ_mol: float
    between_half_K: float
    """Standard deviation from run to run, part of the uncertainty in `spec`."""


@dataclass(frozen=True, slots=True)
class Learned:
    """Kinetics of one charge from several runs."""

    charge: str
    steps: tuple[LearnedStep, ...]
    """In the order of the plan."""
    done: str
    """The step that ends the run, whose model was chosen."""
    models: tuple[tuple[str, float], ...]
    """Models of that step that were tried and their weights, the best first; of sum one."""
    runs: tuple[FinishedRun, ...]

    is_weighed: bool
    """False: the pot was never weighed, so activation energies are less sure."""

    @property
    def is_spread_from_memory(self) -> bool:
        """With one run nothing tells how runs differ."""
        return len(self.runs) == 1


def _unified(past: Past, first: Layout) -> Past:
    """The run with the priors of the first, so that coordinates mean the same in all."""
    layout = replace(
        past.layout,
        planned=first.planned,
        e_kJ_mol=first.e_kJ_mol,
        e_u=np.maximum(first.e_u, _LEAST_E_U_KJ_MOL),
        half_C=first.half_C,
        half_u=np.hypot(first.half_u, _PROBE_U_K),
    )
    return replace(past, layout=layout)


def check_informs(run: FinishedRun) -> None:
    """Raise UninformativeError where the run says too little of the step that ends it."""
    past = _unified(run.past, run.past.layout)
    layout = past.layout
    one = np.ones(layout.unknowns)
    local = local_fit(past, 0.0 * one, 0.0 * one, one)
    left = np.diag(np.linalg.inv(local.curvature + np.eye(one.size)))
    at = layout.steps + layout.done
    if left[at] > _KNOWN_BEFORE:
        raise UninformativeError(
            f"it shows too little progress of {layout.names[layout.done]!r}: "
            f"{100.0 * (1.0 - left[at]):.0f} % of what was unknown of its half temperature is "
            f"known after it, at least {100.0 * (1.0 - _KNOWN_BEFORE):.0f} % is wanted"
        )


def learn(runs: Sequence[FinishedRun]) -> Learned:
    """Fit runs of one charge and set together. Raises ValueError where there is none."""
    if not runs:
        raise ValueError("no run to learn from")
    plan = runs[0].plan
    pasts = [_unified(run.past, runs[0].past.layout) for run in runs]
    layout = pasts[0].layout
    planned = next(s.model for s in plan.steps if s.name == layout.names[layout.done])
    weighed = any(_is_weighed(past) for past in pasts)
    others = tuple(name for name in CANDIDATES if name != planned) if weighed else ()
    names = (planned, *others)
    pooled = _fitted(pasts, names)
    log_w = np.array([one.log_evidence for one in pooled])
    log_w[0] += np.log(_PLANNED_WEIGHT)
    weights = np.exp(log_w - log_w.max())
    weights /= weights.sum()
    best = int(np.argmax(weights))
    besides = _MISFIT_E_U_KJ_MOL if weighed else _GAS_ALONE_E_U_KJ_MOL
    steps = _steps(plan.steps, layout, pooled, weights, best, names[best], besides)
    ranked = sorted(zip(names, weights.tolist(), strict=True), key=lambda pair: -pair[1])
    charge = plan.charge.formula if plan.charge is not None else None
    assert charge is not None
    return Learned(charge, steps, layout.names[layout.done], tuple(ranked), tuple(runs), weighed)


def _is_weighed(past: Past) -> bool:
    return any(one.signal.role == "pot_mass" for one in past.heard)


def _between(layout: Layout) -> _Array:
    """Expected run-to-run deviation of each E, half temperature and of the lag, in prior ones."""
    e, half = BETWEEN_E_KJ_MOL / layout.e_u, BETWEEN_HALF_K / layout.half_u
    return np.asarray(np.minimum(np.concatenate([e, half, [_BETWEEN_LAG]]), 1.0))


def _fitted(pasts: Sequence[Past], names: Sequence[str]) -> list[Pooled]:
    """Each model fitted to all runs: roughly first, and those that may count then to the end."""
    first = _rounds([_with_layout(p, names[0]) for p in pasts], None, _ROUNDS)
    rough = [first]
    for name in names[1:]:
        rough.append(_rounds([_with_layout(p, name) for p in pasts], first.at, 1))
    best = max(one.pooled.log_evidence for one in rough)
    return [
        one.pooled
        if one is first or one.pooled.log_evidence < best - _HOPELESS
        else _rounds([_with_layout(p, name) for p in pasts], one.at, _ROUNDS).pooled
        for name, one in zip(names, rough, strict=True)
    ]


def _with_layout(past: Past, model: str) -> Past:
    return replace(past, layout=with_model(past.layout, model))


@dataclass(frozen=True, slots=True)
class _Fitted:
    pooled: Pooled
    at: list[_Array]
    """Where each run's summit is."""


def _rounds(pasts: Sequence[Past], starts: Sequence[_Array] | None, rounds: int) -> _Fitted:
    """Runs are fitted under the prior that the others make, and pooled anew, until it settles."""
    between = _between(pasts[0].layout)
    size, own = pasts[0].layout.unknowns, between.size
    mean, variance = np.zeros(size), np.ones(size)
    at = [np.zeros(size) for _ in pasts] if starts is None else list(starts)
    for _ in range(rounds):
        fits = [local_fit(p, z, mean, variance) for p, z in zip(pasts, at, strict=True)]
        pooled = pool([fit.kept(own) for fit in fits], between)
        at = [fit.z for fit in fits]
        mean[:own], variance[:own] = pooled.mean, np.minimum(pooled.next_var, 1.0)
    return _Fitted(pooled, at)


def _steps(
    specs: Sequence[StepSpec],
    layout: Layout,
    pooled: Sequence[Pooled],
    weights: _Array,
    best: int,
    model: str,
    besides_kJ_mol: float,
) -> tuple[LearnedStep, ...]:
    mean, k = pooled[best].mean, layout.steps
    apart = np.array([one.mean - mean for one in pooled])
    next_var = np.array([one.next_var for one in pooled])
    # Models that disagree widen, but never beyond what was thought before any run.
    var = np.minimum(weights @ (next_var + apart**2), np.maximum(next_var[best], 1.0))
    known = weights @ np.array([np.diag(one.mean_cov) for one in pooled])
    out = []
    for spec in specs:
        i = layout.names.index(spec.name)
        between = np.sqrt(pooled[best].between_var)
        learned = bool(known[k + i] < _KNOWN_BEFORE)
        fitted = replace(
            spec,
            model=model if i in layout.done_group else spec.model,
            e_kJ_mol=float(layout.e_kJ_mol[i] + layout.e_u[i] * mean[i]),
            e_u_kJ_mol=float(np.hypot(layout.e_u[i] * np.sqrt(var[i]), besides_kJ_mol)),
            half_C=float(layout.half_C[i] + layout.half_u[i] * mean[k + i]),
            half_u_K=float(np.hypot(layout.half_u[i] * np.sqrt(var[k + i]), _MISFIT_HALF_U_K)),
        )
        out.append(
            LearnedStep(
                fitted if learned else spec,
                spec,
                learned,
                float(layout.e_u[i] * between[i]),
                float(layout.half_u[i] * between[k + i]),
            )
        )
    return tuple(out)
