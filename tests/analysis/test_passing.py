"""What is expected to pass a train that keeps part of the gas."""

from __future__ import annotations

import pytest

from monitor.analysis.estimate.passing import Passing, passing_of
from monitor.plan.files import parse_plan
from tests.benchmarks.runs_made_up import network_of

_PLAN = """
format = 1
[run]
title = "what passes"
[charge]
formula = "{salt}"
amount_mol = 0.1
[[step]]
name = "oxide formation"
equation = "{equation}"
model = "F1"
e_kJ_mol = 120
e_u_kJ_mol = 15
half_C = 200
half_u_K = 8
[[profile]]
rate_K_per_min = 3
to_C = 220
hold_min = 60
[done]
fraction = 0.99
"""


def _passing(salt: str, equation: str) -> Passing:
    network = network_of(parse_plan(_PLAN.format(salt=salt, equation=equation)))
    return passing_of(network, network.dry_gas_mol * network.amount_mol)


def test_water_takes_oxygen_with_what_it_takes_of_nitrogen_dioxide() -> None:
    """4 NO2 + O2 + 2 H2O -> 4 HNO3: 0.30 mol NO2 takes 0.075 mol of oxygen (by stoichiometry).

    So of a salt that gives off both, all of the oxygen goes where all of the other does; of
    manganese nitrate, which gives off none, the same share passes as of the dioxide itself.
    """
    manganese = _passing("Mn(NO3)2", "Mn(NO3)2 -> MnO2 + 2 NO2")
    zinc = _passing("Zn(NO3)2", "2 Zn(NO3)2 -> 2 ZnO + 4 NO2 + O2")
    passes = manganese.outlet_mol[0] / 0.2
    taken_mol = 0.075 / 0.30 * (1.0 - passes) * 0.2
    oxygen_mol = zinc.outlet_mol[0] - manganese.outlet_mol[0]
    assert oxygen_mol == pytest.approx(0.96 * 0.05 - taken_mol, abs=1e-6)
    assert 0.0 < oxygen_mol < 0.05
    assert zinc.outlet_u_mol[0] > manganese.outlet_u_mol[0]
    assert zinc.inlet_mol[0] > zinc.outlet_mol[0]
    assert zinc.caught_g[0] == pytest.approx(manganese.caught_g[0], rel=0.05)
