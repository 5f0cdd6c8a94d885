"""Which runs are made up: ordinary ones, as the plan says or with misfit, and traps.

Everything about a run follows from its seed and its rig. Half of the ordinary runs (even seeds)
have the kinetics that the plan states: its reaction models, E and half temperatures drawn from its
priors. The others have one misfit or more; see `_misfit`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from monitor.chemistry.steps import StepSpec
from monitor.plan.files import parse_plan
from monitor.plan.model import Plan
from tests.benchmarks.made.bound import Information
from tests.benchmarks.made.instruments import (
    SUBSETS,
    Fault,
    Heard,
    Makeup,
    draw_makeup,
    listen,
    rig_toml,
)
from tests.benchmarks.made.laws import Law
from tests.benchmarks.made.matter import Scheme, scheme_of
from tests.benchmarks.made.plans import PLANS
from tests.benchmarks.made.traps import TRAPS, Trap
from tests.benchmarks.made.world import Bench, Course, Programme, simulate

__all__ = ["AS_PLANNED", "MISFIT", "Made", "make_ordinary", "make_trap"]

_Array = NDArray[np.float64]

AS_PLANNED, MISFIT = "as planned", "misfit"
_MODELS = ("F1", "F0.5", "F1.5", "F2", "A2", "A3", "R2", "R3", "D3", "two populations", "SB")
_ORDER_U = 0.25
"""How open the order of the step of [done] is for the second bound. Judgement."""
_AFTER_PLAN_S = 4 * 3600.0
BOUND_STEP = 0.05
"""Of a prior's standard deviation, for finite differences."""


@dataclass(frozen=True, slots=True)
class Made:
    """One made-up run: what is said of it, and the truth behind it."""

    name: str
    """Enough to make it again: plan or trap, rig and seed."""
    plan_name: str
    plan_toml: str
    plan: Plan
    subset: str
    kind: str
    """AS_PLANNED, MISFIT, or the name of a trap."""
    notes: tuple[str, ...]
    seed: int
    makeup: Makeup
    course: Course
    heard: Heard
    rig_toml: str
    until_s: float
    """The record ends here, done or not."""
    cause_s: float
    """From when on the run could be told to stall, if it does: its last hold begins, or a fault."""
    information: Information | None = None

    @property
    def done_s(self) -> float:
        """When the step of [done] reaches its fraction; inf: not within a week."""
        return float(self.course.done_s[0])

    @property
    def nearly_s(self) -> float:
        """When it reaches 0.98; inf: not within the record."""
        reached = self.course.fraction[:, 0] >= 0.98
        return float(self.course.times_s[np.argmax(reached)]) if reached.any() else math.inf


@lru_cache(maxsize=32)
def _known(plan_name: str) -> tuple[str, Plan, Scheme]:
    text = PLANS[plan_name]
    plan = parse_plan(text)
    return text, plan, scheme_of(plan)


def _kind_of_gas(plan: Plan) -> str:
    formula = plan.charge.formula if plan.charge else None
    if formula is None:
        return "other"
    return "nitrate" if "NO3" in formula else "carbonate"


@dataclass(slots=True)
class _Draw:
    """One draw on the way to a bench."""

    e: _Array
    half: _Array
    laws: list[Law]
    stock: _Array
    late_s: float
    rate_factor: float
    miss_K: float
    heat: float
    by_mantle: bool
    extra_hold_min: list[float]
    notes: list[str]


def make_ordinary(seed: int, subset: str, *, bound: bool = True) -> Made:
    """An ordinary run: no fault, but all that a bench does."""
    rng = np.random.default_rng([seed, list(SUBSETS).index(subset), 71])
    plan_name = list(PLANS)[(seed // 2 + list(SUBSETS).index(subset)) % len(PLANS)]
    _, plan, _ = _known(plan_name)
    draw = _drawn(plan, rng)
    kind = AS_PLANNED if seed % 2 == 0 else MISFIT
    if kind == MISFIT:
        _misfit(draw, plan, rng)
    made = _run(plan_name, draw, rng, subset, kind, seed, bound=bound)
    if rng.random() < 0.1:
        at = float(rng.uniform(0.6, 0.97))
        reached = made.course.progress[:, 0] >= at
        if reached.any():
            cut_s = float(made.course.times_s[np.argmax(reached)])
            made = replace(made, until_s=min(made.until_s, cut_s), notes=(*made.notes, "cut"))
    return made


def make_trap(name: str, subset: str, seed: int, *, other_law: bool = False) -> Made:
    """A trap on a rig; `other_law`: under a step of [done] that does not go by the plan's law.

    Raises KeyError where there is no trap of that name.
    """
    trap = TRAPS[name]
    seeds = [seed, list(TRAPS).index(name), list(SUBSETS).index(subset)]
    rng = np.random.default_rng([*seeds, 72])
    _, plan, _ = _known(trap.plan)
    draw, kind = _drawn(plan, rng), name
    if other_law:
        own = np.random.default_rng([*seeds, 73])
        law = str(own.choice(_MODELS[1:]))
        draw.laws[_done_in_plan(plan)] = _law(law, own)
        draw.notes.append(f"law {law}")
        kind = f"{name}, by another law"
    if trap.early:
        last = _done_in_plan(plan)
        draw.half[last] = plan.steps[last].half_C - 2.0 * plan.steps[last].half_u_K
    return _run(trap.plan, draw, rng, subset, kind, seed, trap=trap, bound=False)


def _wanted(plan: Plan) -> list[int]:
    return [i for i, s in enumerate(plan.steps) if not s.unwanted]


def _done_in_plan(plan: Plan) -> int:
    """Index among the plan's steps of the step of [done]."""
    scheme = scheme_of(plan)
    name = scheme.steps[scheme.done].spec.name
    return next(i for i, s in enumerate(plan.steps) if s.name == name)


def _drawn(plan: Plan, rng: np.random.Generator) -> _Draw:
    specs = plan.steps
    return _Draw(
        e=np.array([max(40.0, rng.normal(s.e_kJ_mol, s.e_u_kJ_mol)) for s in specs]),
        half=np.array([rng.normal(s.half_C, s.half_u_K) for s in specs]),
        laws=[Law.named(s.model) for s in specs],
        stock=np.array([max(0.2, rng.normal(1.0, _loss_u(s))) for s in specs]),
        late_s=float(rng.uniform(30.0, 360.0)),
        rate_factor=float(rng.uniform(0.94, 1.06)),
        miss_K=float(rng.normal(0.0, 2.0)),
        heat=float(rng.normal(1.0, 0.15)),
        by_mantle=bool(rng.random() < 0.25),
        extra_hold_min=[0.0] * len(plan.profile),
        notes=[],
    )


def _loss_u(spec: StepSpec) -> float:
    """Of a step stated by its loss of mass: the loss's uncertainty as a share of it; else 0."""
    return spec.mass_loss_u / spec.mass_loss if spec.mass_loss else 0.0


def _misfit(draw: _Draw, plan: Plan, rng: np.random.Generator) -> None:
    """One to four of: half_C two sigma off, another law, another programme, a strong endotherm."""
    last = _done_in_plan(plan)
    chosen: list[str] = []
    while not chosen:
        chosen = [
            name
            for name, p in (("half", 0.35), ("law", 0.6), ("programme", 0.5), ("endotherm", 0.25))
            if rng.random() < p
        ]
    if "half" in chosen:
        sign = float(rng.choice([-2.0, 2.0]))
        draw.half[last] = plan.steps[last].half_C + sign * plan.steps[last].half_u_K
        draw.notes.append(f"half_C {sign:+.0f} sigma")
    if "law" in chosen:
        name = str(rng.choice(_MODELS))
        draw.laws[last] = _law(name, rng)
        draw.notes.append(f"law {name}")
    if "programme" in chosen:
        draw.late_s = float(rng.uniform(300.0, 1500.0))
        draw.rate_factor = float(rng.uniform(0.75, 1.2))
        draw.miss_K = float(rng.choice([-1.0, 1.0]) * rng.uniform(4.0, 8.0))
        draw.extra_hold_min = [float(rng.uniform(0.0, 25.0)) for _ in plan.profile]
        draw.notes.append(f"programme {draw.late_s:.0f} s late, off {draw.miss_K:+.0f} K")
    if "endotherm" in chosen:
        draw.by_mantle, draw.heat = True, 1.5
        draw.notes.append("strong endotherm")


def _law(name: str, rng: np.random.Generator) -> Law:
    if name == "two populations":
        return Law("F", 1.0, float(rng.uniform(0.1, 0.35)), float(rng.uniform(0.15, 0.5)))
    return Law("SB", 1.1) if name == "SB" else Law.named(name)


def _run(
    plan_name: str,
    draw: _Draw,
    rng: np.random.Generator,
    subset: str,
    kind: str,
    seed: int,
    *,
    trap: Trap | None = None,
    bound: bool,
) -> Made:
    text, plan, scheme = _known(plan_name)
    fraction, charge = plan.done.fraction, plan.charge
    assert charge is not None
    extra = float(rng.normal(0.0, charge.water_u)) if charge.formula else 0.0
    purity = min(1.0, float(rng.normal(charge.purity, charge.purity_u)))
    wander = int(rng.integers(2**31))
    mass_g = (charge.mass_g or 50.0) + float(rng.normal(0.0, charge.mass_u_g))
    lag_s = float(rng.uniform(15.0, 75.0))
    if trap is not None and trap.extra_hold_min:
        draw.extra_hold_min = list(trap.extra_hold_min)
    bench = _bench(plan, scheme, draw, rng, mass_g, wander)
    values = _parameters(plan, scheme, draw, extra, purity, lag_s)
    bench = _copies(bench, scheme, values, len(values) if bound else 0)
    cause_s = _last_hold_s(bench.programme)
    faults: tuple[Fault, ...] = ()
    if trap is not None:
        bench, cause_s, faults = _trapped(trap, bench, fraction, cause_s)
    end_s = bench.programme.knots()[0][-1]
    course = simulate(bench, fraction, end_s + 75 * 60.0, end_s + _AFTER_PLAN_S + 3600.0)
    done_s = float(course.done_s[0])
    until_s = min(done_s + 75 * 60.0, end_s + _AFTER_PLAN_S, float(course.times_s[-1]))
    if trap is not None and trap.early:
        until_s = min(end_s, float(course.times_s[-1]))
    lasts = min(done_s, end_s)
    makeup = draw_makeup(rng, len(scheme.steps), _kind_of_gas(plan), lasts)
    if trap is not None:
        makeup = replace(makeup, faults=faults, ceiling_per_s=trap.ceiling_per_s)
    heard = listen(course, makeup, subset, bound=bound)
    information = Information(heard.signals, len(values), BOUND_STEP) if bound else None
    name = f"{kind if trap else plan_name} / {subset} / {seed}"
    return Made(
        name, plan_name, text, plan, subset, kind, tuple(draw.notes), seed, makeup, course, heard,
        rig_toml(subset, makeup), until_s, cause_s, information,
    )  # fmt: skip


def _bench(
    plan: Plan, scheme: Scheme, draw: _Draw, rng: np.random.Generator, mass_g: float, wander: int
) -> Bench:
    """The bench with its glass and its mantle; parameters are filled in by `_copies`."""
    names = [s.name for s in plan.steps]
    order = [names.index(s.spec.name) for s in scheme.steps]
    scale = (mass_g / 50.0) ** (2.0 / 3.0)
    top_C = max(s.to_C for s in plan.profile)
    rate = max(abs(s.rate_K_per_min) for s in plan.profile) * draw.rate_factor
    losses = 0.12 * rng.uniform(0.8, 1.2) * scale, 0.25 * rng.uniform(0.8, 1.2) * scale
    across = 1.0 * float(rng.uniform(0.85, 1.2)) * scale
    stored = 430.0 * scale + 1.8 * mass_g
    need_W = 1.5 * (top_C - 20.0) * sum(losses) + rate / 60.0 * stored + 60.0 * scale
    ambient_C = float(rng.uniform(19.5, 22.5))
    none = np.zeros(1)
    return Bench(
        scheme=scheme,
        laws=tuple(draw.laws[i] for i in order),
        e_kJ_mol=none, half_C=none, purity=none, extra_water=none, miss_K=none, heat=none,
        mass_g=mass_g,
        programme=Programme(
            plan.profile, ambient_C, draw.late_s, draw.rate_factor, tuple(draw.extra_hold_min)
        ),
        by_mantle=draw.by_mantle,
        mantle_over=losses[0] / across * float(rng.normal(1.0, 0.1)),
        glass_J_K=110.0 * scale,
        mantle_J_K=320.0 * scale,
        across_W_K=across,
        pot_loss_W_K=losses[0],
        mantle_loss_W_K=losses[1],
        power_W=need_W * float(rng.uniform(1.3, 1.6)),
        ambient_C=ambient_C,
        wander_seed=wander,
    )  # fmt: skip


def _parameters(
    plan: Plan, scheme: Scheme, draw: _Draw, extra: float, purity: float, lag_s: float
) -> list[tuple[str, int, float, float]]:
    """(field of the bench, step, value, prior's standard deviation) of every parameter."""
    names = [s.name for s in plan.steps]
    order = [names.index(s.spec.name) for s in scheme.steps]
    specs, charge = [plan.steps[i] for i in order], plan.charge
    assert charge is not None
    rows = [("e_kJ_mol", i, float(draw.e[o]), specs[i].e_u_kJ_mol) for i, o in enumerate(order)]
    rows += [("half_C", i, float(draw.half[o]), specs[i].half_u_K) for i, o in enumerate(order)]
    if all(s.mass_loss is not None for s in specs):
        rows += [("stock", i, float(draw.stock[o]), _loss_u(specs[i])) for i, o in enumerate(order)]
    rows.append(("purity", -1, purity, charge.purity_u))
    rows.append(("extra_water", -1, extra, charge.water_u if charge.formula else 1e-6))
    rows.append(("miss_K", -1, draw.miss_K, 2.0))
    rows.append(("heat", -1, draw.heat, 0.15))
    rows.append(("well_lag_s", -1, lag_s, 17.0))
    rows.append(("bend", -1, 0.0, _ORDER_U))  # the last: see `Information.covariance`
    return rows


def _copies(
    bench: Bench, scheme: Scheme, values: list[tuple[str, int, float, float]], moved: int
) -> Bench:
    """The truth, and `moved` parameters each a little above and a little below it."""
    copies, steps = 1 + 2 * moved, len(scheme.steps)
    arrays: dict[str, _Array] = {}
    for n, (field, step, value, u) in enumerate(values):
        column = np.full(copies, value)
        if n < moved:
            column[1 + 2 * n] += BOUND_STEP * u
            column[2 + 2 * n] -= BOUND_STEP * u
        if step < 0:
            arrays[field] = column
        else:
            arrays.setdefault(field, np.empty((copies, steps)))[:, step] = column
    return replace(bench, **arrays)  # type: ignore[arg-type]


def _last_hold_s(programme: Programme) -> float:
    return programme.knots()[0][-2]


def _trapped(
    trap: Trap, bench: Bench, fraction: float, cause_s: float
) -> tuple[Bench, float, tuple[Fault, ...]]:
    """The bench with what the trap does to it; from when on it could be told; faults of sensors."""
    plain = simulate(bench, fraction)
    reached = plain.fraction[:, 0]

    def when(at: float) -> float:
        return 0.0 if at <= 0.0 else float(plain.times_s[int(np.argmax(reached >= at))])

    if trap.below_K:
        programme = replace(bench.programme, cap_C=max(bench.programme.knots()[1]) - trap.below_K)
        bench = replace(bench, programme=programme)
        times, temps = programme.knots()
        cause_s = times[next(i for i, c in enumerate(temps) if c >= programme.cap_C - 1e-9)]
    events = trap.events(when)
    faults = trap.faults(when)
    if events:
        bench = replace(bench, events=events)
        cause_s = min(e.from_s for e in events)
    return bench, cause_s, faults
