"""Plans of the made-up runs: nitrates, carbonates, an oxalate, a charge known by its losses alone.

Figures are invented, for measuring only; they are no instruction. Priors of most plans are as
narrow as those of somebody with runs of their own, two are as wide as the built-in sets'.
"""

from __future__ import annotations

from pathlib import Path

import monitor.plan

__all__ = ["PLANS"]

_HEAD = """format = 1
[run]
title = "{title}"
[site]
altitude_m = 240
[done]
fraction = 0.99
{done}[limits]
mantle_C = {mantle}
profile_band_K = 15
"""


def _profile(*segments: tuple[float, float, float]) -> str:
    return "".join(
        f"[[profile]]\nrate_K_per_min = {rate}\nto_C = {to}\nhold_min = {hold}\n"
        for rate, to, hold in segments
    )


def _own(**steps: tuple[float, float, float | None]) -> str:
    """Priors of a lab's own: name -> spread of E, spread of half_C, half_C where it differs."""
    out = ""
    for name, (e_u, half_u, half) in steps.items():
        words = name.replace("_", " ")
        out += f'[[step]]\nname = "{words}"\ne_u_kJ_mol = {e_u}\nhalf_u_K = {half_u}\n'
        out += "" if half is None else f"half_C = {half}\n"
    return out


def _salt(title: str, formula: str, mass_g: float, set_name: str, rest: str, mantle: float,
          done: str = "") -> str:  # fmt: skip
    charge = f'[charge]\nformula = "{formula}"\nmass_g = {mass_g}\npurity = 0.985\n'
    reactions = f'[reactions]\nset = "{set_name}"\n'
    head = _HEAD.format(title=title, mantle=mantle, done=f'step = "{done}"\n' if done else "")
    return head + charge + reactions + rest


_LOSSES = (
    _HEAD.format(title="Binder", mantle=620, done="")
    + """[charge]
name = "pressed parts with binder"
mass_g = 40.0
[[step]]
name = "drying"
mass_loss = 0.09
mass_loss_u = 0.01
water = true
model = "F1"
e_kJ_mol = 70
e_u_kJ_mol = 10
half_C = 120
half_u_K = 8
[[step]]
name = "binder off"
mass_loss = 0.24
mass_loss_u = 0.02
gas_g_per_mol = 44
after = "drying"
model = "F1"
e_kJ_mol = 180
e_u_kJ_mol = 20
half_C = 352
half_u_K = 8
"""
    + _profile((5, 140, 20), (3, 345, 90))
)

PLANS: dict[str, str] = {
    "manganese": (Path(monitor.plan.__file__).parent / "bundled" / "manganese-brown.toml")
    .read_text(encoding="utf-8"),
    "copper": _salt(
        "Copper oxide", "Cu(NO3)2·3H2O", 48.0, "copper-nitrate",
        _own(basic_nitrate_by_water=(15, 8, None), basic_nitrate_without_water=(15, 8, None),
             oxide_formation=(18, 8, None))
        + _profile((4, 120, 15), (2, 180, 40), (2, 243, 90)), 400,
    ),
    "nickel": _salt(
        "Nickel oxide", "Ni(NO3)2·6H2O", 58.0, "nickel-nitrate",
        _own(water_off=(12, 10, None), oxide_formation=(15, 12, None))
        + _profile((4, 150, 30), (2, 278, 100)), 440,
    ),
    "cobalt": _salt(
        "Cobalt oxide", "Co(NO3)2·6H2O", 58.0, "cobalt-nitrate",
        _profile((4, 130, 25), (2, 240, 100)), 400,
    ),
    "zinc": _salt(
        "Zinc oxide", "Zn(NO3)2·6H2O", 60.0, "zinc-nitrate",
        _own(water_off=(12, 10, None), basic_nitrate_formation=(18, 8, None),
             oxide_formation=(18, 9, None))
        + _profile((4, 120, 20), (2, 185, 30), (2, 245, 90)), 400,
    ),
    "oxalate": _salt(
        "Calcium oxide", "CaC2O4·H2O", 30.0, "calcium-oxalate",
        _own(water_off=(8, 8, None), carbonate_formation=(15, 8, None),
             oxide_formation=(20, 10, None))
        + _profile((10, 210, 20), (8, 480, 25), (6, 628, 90)), 950,
    ),
    "bicarbonate": _salt(
        "Soda", "NaHCO3", 30.0, "sodium-hydrogen-carbonate", _profile((3, 137, 80)), 260,
    ),
    "malachite": _salt(
        "Copper oxide from carbonate", "Cu2(OH)2CO3", 40.0, "basic-copper-carbonate",
        _own(oxide_formation=(20, 10, None)) + _profile((4, 305, 100)), 480,
    ),
    "losses": _LOSSES,
}  # fmt: skip
"""Name -> plan.toml."""
