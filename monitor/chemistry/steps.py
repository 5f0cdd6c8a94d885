"""A step of a decomposition, as a plan or a reaction set states it."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["StepSpec"]


@dataclass(frozen=True, slots=True)
class StepSpec:
    """One step: either an equation, or the share of the charge's mass that it takes away.

    Exactly one of `equation` and `mass_loss` is given. `half_C` and `e_kJ_mol` are the means of
    independent normal priors with the standard deviations `half_u_K` and `e_u_kJ_mol`.
    """

    name: str
    equation: str | None = None
    mass_loss: float | None = None
    """Share of the charge's mass as weighed in, 0..1."""
    mass_loss_u: float = 0.0
    gas_g_per_mol: float | None = None
    """Mean molar mass of what leaves; None: volumes of gas are not known."""
    water: bool = False
    """Of a `mass_loss` step: only water leaves."""
    after: str | None = None
    """Of a `mass_loss` step: begins where that step has ended."""
    model: str = "F1"
    """Reaction model f(alpha), names of the ICTAC Kinetics Committee."""
    e_kJ_mol: float = 120.0
    e_u_kJ_mol: float = 35.0
    half_C: float = 200.0
    """Where half of this step is gone, heated alone at 5 K/min. [degC]"""
    half_u_K: float = 30.0
    dh_kJ_mol: float | None = None
    """Heat taken up per mole of the charge's formula unit. [kJ/mol]"""
    unwanted: bool = False
    source: str = ""
