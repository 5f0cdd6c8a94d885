"""Plans and runs that several tests of the rehearsal share."""

from pathlib import Path

import monitor.plan
from monitor.plan.files import parse_plan
from monitor.rehearsal.entries import Rehearsal

BUNDLED = Path(monitor.plan.__file__).parent / "bundled" / "manganese-brown.toml"
BUNDLED_TEXT = BUNDLED.read_text(encoding="utf-8")

COPPER_TEXT = """
format = 1
[run]
title = "Copper black"
[site]
pressure_kPa = 95.461
[charge]
formula = "Cu(NO3)2·3H2O"
mass_g = 30.0
free_water_g = 6.0
[[step]]
name = "basic nitrate"
equation = "2 Cu(NO3)2·3H2O -> Cu2(OH)3NO3 + HNO3 + 2 NO2 + 1/2 O2 + 4 H2O"
half_C = 165
half_u_K = 10
e_kJ_mol = 100
e_u_kJ_mol = 10
[[step]]
name = "oxide"
equation = "Cu2(OH)3NO3 -> 2 CuO + NO2 + 1/4 O2 + 3/2 H2O"
half_C = 230
half_u_K = 10
e_kJ_mol = 140
e_u_kJ_mol = 10
model = "A2"
[[profile]]
rate_K_per_min = 5
to_C = 245
hold_min = 120
"""

REFLUX_TEXT = """
format = 1
[run]
title = "Warm soak"
[[profile]]
rate_K_per_min = 5
to_C = 80
hold_min = 15
"""

BINDER_TEXT = """
format = 1
[run]
title = "Binder"
[charge]
name = "clay body"
mass_g = 200
[[step]]
name = "drying"
mass_loss = 0.05
water = true
half_C = 120
half_u_K = 5
e_kJ_mol = 80
e_u_kJ_mol = 5
[[step]]
name = "binder off"
mass_loss = 0.20
after = "drying"
half_C = 300
half_u_K = 5
e_kJ_mol = 150
e_u_kJ_mol = 10
[[profile]]
rate_K_per_min = 5
to_C = 330
hold_min = 60
"""


def played(text, minutes, *faults, seed=1):
    """A rehearsal of that plan, moved on by so many minutes."""
    run = Rehearsal(parse_plan(text), seed, faults)
    run.advance(minutes * 60.0)
    return run
