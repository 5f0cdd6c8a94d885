"""Plan and rig texts that the tests bend."""

PLAN = """\
format = 1

[run]
title = "Test batch"
bench = "hood 2"

[site]
altitude_m = 320

[charge]
formula = "Mn(NO3)2·4H2O"
mass_g = 52.0
purity = 0.985

[reactions]
set = "manganese-nitrate"

[[step]]
name = "oxide formation"
equation = "Mn(NO3)2·H2O -> MnO2 + 2 NO2 + H2O"
model = "F1"
e_kJ_mol = 120
half_C = 205
half_u_K = 10

[[profile]]
label = "melt"
rate_K_per_min = 4
to_C = 120
hold_min = 20

[[profile]]
label = "decompose"
rate_K_per_min = 2
to_C = 205
hold_min = 90

[[receiver]]
name = "first"
in_ice = true

[done]
step = "oxide formation"

[limits]
mantle_C = 320
"""

ORE = """\
format = 1
[run]
title = "Ore"
[charge]
name = "a carbonate ore"
mass_g = 20.0
[[step]]
name = "drying"
mass_loss = 0.05
water = true
half_C = 110
[[step]]
name = "burning off"
mass_loss = 0.31
mass_loss_u = 0.03
gas_g_per_mol = 44
after = "drying"
half_C = 352
[[profile]]
rate_K_per_min = 5
to_C = 400
hold_min = 120
"""

HOLD = """\
format = 1
[run]
title = "Drying"
[[profile]]
rate_K_per_min = 2
to_C = 105
hold_min = 60
"""

RIG = """\
format = 1

[[instrument]]
name = "board"
driver = "line"
port = "serial:///dev/serial/by-id/usb-0001?baud=115200"
fields = "T,{pot},{coolant}"
stale_s = 5

[instrument.channels]
pot = { role = "pot_temperature", unit = "degC" }
coolant = { role = "coolant_out_temperature", unit = "degC", offset = -0.4 }

[[instrument]]
name = "counter"
driver = "line"
port = "tcp://127.0.0.1:4711"

[instrument.channels]
bubbles = { role = "bubble_count", unit = "1", bubble_mL = 0.11, ceiling_per_s = 10 }

[train]
tip_depth_mm = 20

[coolant]
kind = "ice bath"
ice_kg = 3.0
"""


def bent(text: str, old: str, new: str) -> str:
    """The text with one piece replaced, which has to be there."""
    assert old in text
    return text.replace(old, new, 1)


def line_of(text: str, piece: str) -> int:
    """The line, from 1, on which a piece first stands."""
    return text[: text.index(piece)].count("\n") + 1
