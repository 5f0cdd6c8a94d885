"""What a bubble holds where nobody has measured it: physics, whatever the charge and the plan."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from drivers.reading import Quality
from monitor.analysis.bins import BinStore
from monitor.analysis.estimate.gas import outlet_count
from monitor.analysis.estimate.grid import build_grid
from monitor.analysis.estimate.layout import layout_of
from monitor.analysis.estimate.level import About
from monitor.plan.model import Train
from tests.analysis.estimate_runs import BUNDLED, plan_at, setup_of

_MOLAR_ML = 24_055.0


def _by_tate_mL(tip_mm: float) -> float:
    """Of a bubble that leaves a tip slowly: pi d sigma / (rho g); T. Tate (1864), Phil. Mag. 27.

    Water at 20 degC: 0.0728 N/m, 998 kg/m3 (handbook values).
    """
    return 1e6 * math.pi * 1e-3 * tip_mm * 0.0728 / (998.0 * 9.81)


@pytest.mark.parametrize("tip_mm", [2.0, 4.0, 6.0, 10.0, 16.0])
@pytest.mark.parametrize("times", [0.2, 1.0, 5.0], ids=["little", "as planned", "much"])
def test_counts_of_any_tip_lie_within_two_standard_deviations(tip_mm: float, times: float) -> None:
    """Of what is expected of the step that gives the gas; a larger charge has no larger bubbles.

    They had been taken to be such that half of all steps' gas, rivals counted twice, is twenty
    thousand: four times too large for a charge of 65 g of a copper salt, and the likelier rival of
    two was the one that gives more gas.
    """
    plan = plan_at(BUNDLED)
    charge = plan.charge
    assert charge is not None
    plan = dataclasses.replace(
        plan, charge=dataclasses.replace(charge, mass_g=times * charge.mass_g)
    )
    setup = setup_of(plan)
    layout = layout_of(setup.network, setup.plan.done)
    bins = BinStore()
    for t in np.arange(0.0, 3600.0, 10.0).tolist():
        bins.add("counter", "bubble_count", t, t, Quality.GOOD)
    bins.close_until(3600.0)
    grid = build_grid(0.0, 3600.0)
    assert grid is not None
    about = About(grid, layout, {}, Train(), np.full(grid.edges_s.size, 190.0), _MOLAR_ML, None)
    channel = bins.channel("counter")
    signal = outlet_count(about, channel, np.ones(len(channel), dtype=bool), ())
    assert signal is not None
    step = layout.done
    passes_mL = float(layout.passing.outlet_mol[step]) * _MOLAR_ML
    counts = passes_mL / _by_tate_mL(tip_mm) / signal.unit
    assert abs(counts - signal.share[step]) <= 2.0 * signal.share_u[step]
