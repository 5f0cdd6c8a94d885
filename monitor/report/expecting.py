"""What the plan's charge should leave and give off, with how sure that is.

The uncertainty of each input is carried through by changing it alone (Kragten, Analyst 119 (1994)
2161; JCGM 100:2008 for independent quantities).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.chemistry.formulas import molar_mass_g_mol, parse_formula, water_of
from monitor.chemistry.network import Network
from monitor.plan.amounts import amounts_of, network_of, wanted_shares
from monitor.plan.model import Charge, Plan
from monitor.plan.stages import absorbed_acid_mol
from monitor.wording.figures import Figure

__all__ = ["TO_U", "Expected", "Fractions", "all_reacted", "expected_of"]

_Array = NDArray[np.float64]

Fractions = Mapping[str, tuple[float, float, float]]
"""Of each step by its name 5, 50 and 95 % of how far it has gone."""

_NEARLY = 0.999
"""What has gone further counts as all reacted: the rest is no figure on a balance here."""
TO_U = 1.0 / 3.29
"""From the width of a 5 to 95 % interval to a standard uncertainty."""
_NOTHING_OFF: Mapping[str, float] = {}
_NITROGEN = {"NO2": 1, "NO": 1, "HNO3": 1, "N2O": 2, "N2": 2, "NH3": 1}


@dataclass(frozen=True, slots=True)
class Expected:
    """What the charge leaves and gives off."""

    residue: Figure
    """[g]"""
    mostly: str
    """What its uncertainty mostly comes from."""
    loss: Figure
    """[g]"""
    nitrogen_mol: Figure
    """Given off, in all gases."""
    acid_mol: Figure
    """The most that water can make of it without oxygen from outside."""
    passes_g: Figure
    """Of the loss what neither condenses nor is held by water then."""


def expected_of(plan: Plan, fractions: Fractions | None) -> Expected:
    """With all wanted steps at their end, or each as far as `fractions` has it."""
    middle = _worked(plan, fractions)
    changes: dict[str, _Array] = {}
    for name, other in _one_at_a_time(plan):
        changes[name] = _worked(other, fractions) - middle
    for step in plan.steps:
        if step.mass_loss is not None and step.mass_loss_u:
            more = replace(step, mass_loss=step.mass_loss + step.mass_loss_u)
            steps = tuple(more if one.name == step.name else one for one in plan.steps)
            name = f"the loss of '{step.name}'"
            changes[name] = _worked(replace(plan, steps=steps), fractions) - middle
        if fractions and step.name in fractions:
            low, _, high = fractions[step.name]
            off = {step.name: (high - low) * TO_U}
            name = f"how far '{step.name}' has gone"
            changes[name] = _worked(plan, fractions, off) - middle
    u = np.sqrt(np.sum(np.square(list(changes.values())), axis=0)) if changes else 0.0 * middle
    mostly = max(changes, key=lambda name: abs(float(changes[name][0])), default="")
    figures = [Figure(float(v), float(s)) for v, s in zip(middle, u, strict=True)]
    residue, loss, nitrogen, acid, passes = figures
    return Expected(residue, mostly, loss, nitrogen, acid, passes)


def _one_at_a_time(plan: Plan) -> Iterator[tuple[str, Plan]]:
    """The plan with one figure of its charge off by its standard uncertainty."""
    charge = plan.charge
    assert charge is not None
    changed: list[tuple[str, Charge]] = []
    if charge.mass_g is not None:
        heavier = replace(charge, mass_g=charge.mass_g + charge.mass_u_g)
        changed.append(("the weight of the charge", heavier))
    elif charge.amount_mol is not None:
        u = charge.amount_u_mol if charge.amount_u_mol is not None else 0.01 * charge.amount_mol
        changed.append(("the amount of charge", replace(charge, amount_mol=charge.amount_mol + u)))
    purer = max(charge.purity - charge.purity_u, 1e-6)
    changed.append(("its purity", replace(charge, purity=purer)))
    wetter = charge.free_water_g + charge.free_water_u_g
    changed.append(("the water that wets it", replace(charge, free_water_g=wetter)))
    if charge.formula is not None:
        water = charge.water_mol_per_mol
        if water is None:
            water = float(water_of(parse_formula(charge.formula)))
        if water > 0.0:
            hydrate = replace(charge, water_mol_per_mol=water + charge.water_u)
            changed.append(("the water of the hydrate", hydrate))
    for name, other in changed:
        yield name, replace(plan, charge=other)


def _worked(
    plan: Plan, fractions: Fractions | None, off: Mapping[str, float] = _NOTHING_OFF
) -> _Array:
    """Residue [g], loss [g], nitrogen given off [mol], acid that water can make of it [mol], and
    what passes [g].

    `off`: by how much a step has gone farther than `fractions` has it.
    """
    network = network_of(plan)
    assert network is not None
    extent = _extents(network, fractions, off)
    loss = network.amount_mol * float(extent @ network.mass_loss_g)
    gas = network.amount_mol * (extent @ network.gas_mol)
    atoms = np.array([_NITROGEN.get(name, 0) for name in network.species], dtype=float)
    acid = float(absorbed_acid_mol(network.species, gas)) if network.species else 0.0
    residue = amounts_of(network, plan).charge_g - loss
    kept = _kept_g(dict(zip(network.species, gas.tolist(), strict=True)), acid)
    return np.array([residue, loss, float(gas @ atoms), acid, loss - kept])


def _kept_g(gas_mol: Mapping[str, float], acid_mol: float) -> float:
    """What condenser and absorber keep of the gas when they have taken all they can. [g]

    Acid that is made of oxides of nitrogen takes its water from what is there already, so that of
    the gas it weighs as much as half its anhydride, N2O5.
    """
    water, vapour = (max(gas_mol.get(name, 0.0), 0.0) for name in ("H2O", "HNO3"))
    kept = water * molar_mass_g_mol("H2O") + vapour * molar_mass_g_mol("HNO3")
    return kept + 0.5 * (acid_mol - vapour) * molar_mass_g_mol("N2O5")


def _extents(
    network: Network,
    fractions: Fractions | None,
    off: Mapping[str, float],
) -> _Array:
    """Share of each step's full extent; rivals for one reactant have an even part each.

    Of unwanted ones only where none of the group is wanted: which of them went nothing tells.
    """
    shares, wanted = [], wanted_shares(network)
    for i, step in enumerate(network.steps):
        group = network.group_of(i)
        is_wanted = any(not network.steps[j].unwanted for j in group)
        part = float(wanted[i]) if is_wanted else 1.0 / len(group)
        if fractions is None:
            shares.append(0.0 if step.unwanted else part)
        else:
            middle = fractions.get(step.name, (0.0, 0.0, 0.0))[1]
            shares.append(part * (middle + off.get(step.name, 0.0)))
    return np.array(shares)


def all_reacted(plan: Plan, fractions: Fractions) -> bool:
    """Whether every wanted step has gone to its end and no unwanted one has begun."""
    wanted = [fractions.get(s.name, (0.0, 0.0, 0.0))[1] for s in plan.steps if not s.unwanted]
    unwanted = [fractions.get(s.name, (0.0, 0.0, 0.0))[1] for s in plan.steps if s.unwanted]
    return min(wanted, default=0.0) >= _NEARLY and max(unwanted, default=0.0) <= 1.0 - _NEARLY
