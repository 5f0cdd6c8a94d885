"""Made-up runs with known truth, for judging the estimate: invented, and kept apart from it.

Extents come from `monitor.chemistry.integration` with kinetics drawn from the plan's own priors and
with another reaction model than the plan's in most runs; the pot lags its set point, is held back
by the reaction and is read by a probe with a lag and an offset of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import monitor.plan
from drivers.reading import Quality
from monitor.analysis.bins import BinStore
from monitor.analysis.estimate import Setup
from monitor.chemistry.gases import molar_volume_L_mol
from monitor.chemistry.integration import integrate
from monitor.chemistry.kinetics import ln_a_per_s
from monitor.chemistry.network import ChargeAmounts, Network, build_network
from monitor.plan.files import parse_plan
from monitor.plan.model import ChannelSpec, Plan, Train
from monitor.plan.profile import profile_points

__all__ = ["SUBSETS", "Made", "bundled_text", "make_run", "network_of", "setup_for"]

_Array = NDArray[np.float64]

STEP_S = 10.0

SUBSETS = {
    "full": ("pot", "mantle", "mass", "bubbles"),
    "mass": ("pot", "mass"),
    "bubbles": ("pot", "bubbles"),
    "flow": ("pot", "flow"),
    "mass and bubbles": ("pot", "mass", "bubbles"),
    "temperatures": ("pot", "mantle"),
    "mass alone": ("mass",),
}

_SPECS = {
    "pot": ChannelSpec("pot", "pot_temperature", "degC"),
    "mantle": ChannelSpec("mantle", "mantle_temperature", "degC"),
    "mass": ChannelSpec("mass", "pot_mass", "g"),
    "bubbles": ChannelSpec("bubbles", "bubble_count", "1", bubble_mL=0.11, bubble_u_mL=0.03),
    "flow": ChannelSpec("flow", "outlet_flow", "mL/min"),
}

_MODELS = ("F1", "F1", "A2", "R3", "R2", "D3", "F1.5", "F2", "A3")


@dataclass(frozen=True, slots=True)
class Made:
    """One made-up run: what its channels said each 10 s, and the truth behind it."""

    plan: Plan
    network: Network
    channels: tuple[ChannelSpec, ...]
    times_s: _Array
    said: dict[str, _Array]
    extents: _Array
    """(times, steps): the truth."""
    late_s: float

    def fill(self, bins: BinStore, from_s: float, until_s: float) -> None:
        """Add what was said in (from_s, until_s]."""
        low, high = np.searchsorted(self.times_s, [from_s, until_s], side="right")
        for spec in self.channels:
            for t, v in zip(self.times_s[low:high], self.said[spec.name][low:high], strict=True):
                bins.add(spec.name, spec.role, float(t), float(v), Quality.GOOD)
        bins.close_until(until_s)


def bundled_text() -> str:
    """The plan of the demonstration, as text."""
    return (Path(monitor.plan.__file__).parent / "bundled" / "manganese-brown.toml").read_text()


def network_of(plan: Plan) -> Network:
    """The network of a plan with a charge."""
    c = plan.charge
    assert c is not None
    return build_network(
        plan.steps,
        ChargeAmounts(
            c.formula, c.mass_g, c.mass_u_g, c.amount_mol, c.amount_u_mol, c.water_mol_per_mol,
            c.purity, c.purity_u, c.water_u, c.free_water_g, c.free_water_u_g,
        ),
    )  # fmt: skip


def setup_for(made: Made, seed: int = 7) -> Setup:
    """What the estimator is told of a made-up run."""
    return Setup(made.plan, made.network, made.channels, Train(), 98.5, seed)


def make_run(seed: int, subset: str, plan: Plan | None = None, hours: float = 7.0) -> Made:
    """One run; everything about it follows from the seed."""
    plan = plan or parse_plan(bundled_text())
    network = network_of(plan)
    rng = np.random.default_rng(seed)
    times = np.arange(0.0, hours * 3600.0, STEP_S)
    late = float(rng.uniform(-120.0, 900.0))
    pot, extents = _course(plan, network, times, late, rng)
    said = _said(network, times, pot, extents, rng)
    channels = tuple(_SPECS[name] for name in SUBSETS[subset])
    return Made(plan, network, channels, times, said, extents, late)


def _course(
    plan: Plan, network: Network, times: _Array, late: float, rng: np.random.Generator
) -> tuple[_Array, _Array]:
    """Pot temperature (times,) and extents (times, steps)."""
    n = len(network.steps)
    e = np.array([s.e_kJ_mol + s.e_u_kJ_mol * rng.standard_normal() for s in network.steps])
    half = np.array([s.half_C + s.half_u_K * rng.standard_normal() for s in network.steps])
    models = [s.model for s in network.steps]
    models[network.default_done()] = str(rng.choice(_MODELS))
    e = np.clip(e, 60.0, 350.0)
    ln_a = np.array([float(ln_a_per_s(e[i], half[i], models[i])) for i in range(n)])[None]
    held_back, offset = rng.uniform(0.0, 12.0), rng.normal(0.0, 3.0)
    tau = rng.uniform(120.0, 400.0)
    points = profile_points(plan.profile)
    target = np.interp(times - max(late, 0.0), *points)
    target = target + offset * np.clip((target - 20.0) / 150.0, 0.0, 1.0)
    pot, extents = np.full(times.size, 20.0), np.zeros((times.size, n))
    speed, fastest = 0.0, 4e-4
    share = network.mass_loss_g / network.mass_loss_g.sum()
    for i in range(1, times.size):
        want = target[i] - held_back * speed / fastest
        pot[i] = pot[i - 1] + (want - pot[i - 1]) * STEP_S / tau
        edges = np.array([0.0, STEP_S])
        extents[i] = integrate(
            network, edges, pot[i : i + 1], ln_a, e[None], extents[i - 1][None], models
        )[1, 0]
        speed = float(share @ (extents[i] - extents[i - 1])) / STEP_S
    return pot, extents


def _lagged(values: _Array, tau_s: float) -> _Array:
    out = values.copy()
    for i in range(1, values.size):
        out[i] = out[i - 1] + (values[i] - out[i - 1]) * STEP_S / tau_s
    return out


def _said(
    network: Network, times: _Array, pot: _Array, extents: _Array, rng: np.random.Generator
) -> dict[str, _Array]:
    n = times.size
    amount = network.amount_mol * (1.0 + rng.normal(0.0, network.amount_u_mol / network.amount_mol))
    loss_g = amount * (network.mass_loss_g + rng.normal(0.0, 1.0) * network.mass_loss_u_g)
    rough = float(rng.choice([0.3, 1.0, 3.0]))
    mass = 640.0 - extents @ loss_g + rng.normal(0.0, 0.02 * rough, n)
    mass += np.cumsum(rng.normal(0.0, 3e-4 * rough, n)) + 0.04 * rough * (pot - 20.0) / 200.0
    if rng.random() < 0.4:
        mass[times > rng.uniform(0.2, 0.7) * times[-1]] += rng.normal(0.0, 1.5)
    litres = network.dry_gas_mol * amount * molar_volume_L_mol(98.5)
    passed = rng.uniform(0.2, 0.8, litres.size)
    outlet_mL = 1e3 * extents @ (litres * passed)
    outlet_mL += 600.0 * (1.0 - 293.15 / (_lagged(pot, 300.0) + 273.15))
    bubble_mL = 0.11 + rng.normal(0.0, 0.02)
    drift = 1.0 + 0.03 * np.cumsum(rng.normal(0.0, np.sqrt(STEP_S / 3600.0), n))
    made = np.maximum(np.diff(outlet_mL, prepend=0.0), 0.0) * drift
    flow = 60.0 / STEP_S * made * (1.0 + rng.normal(0.0, 0.05)) + rng.normal(0.0, 0.5 * rough, n)
    return {
        "pot": _lagged(pot, rng.uniform(15.0, 90.0)) + rng.normal(0, 1.5) + rng.normal(0, 0.1, n),
        "mantle": _lagged(pot, 60.0) + 28.0 + rng.normal(0.0, 0.5, n),
        "mass": np.round(mass, 2),
        "bubbles": np.cumsum(rng.poisson(made / bubble_mL)).astype(np.float64),
        "flow": flow,
    }
