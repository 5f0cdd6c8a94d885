"""Chemistry against figures from outside this project; the source stands beside each."""

import math

import numpy as np
import pytest

from monitor.chemistry.absorption import (
    absorbed,
    no_oxidation_L2_mol2_s,
    no_oxidation_time_s,
)
from monitor.chemistry.atmosphere import (
    boiling_point_water_C,
    pressure_kPa,
    water_vapour_pressure_kPa,
)
from monitor.chemistry.bubbles import count_interval, tate_volume_mL
from monitor.chemistry.formulas import molar_mass_g_mol
from monitor.chemistry.gases import molar_volume_L_mol
from monitor.chemistry.heat import ICE_J_G, vaporisation_water_J_g
from monitor.chemistry.integration import draw_kinetics, integrate
from monitor.chemistry.kinetics import (
    g_alpha,
    ln_a_per_s,
    rate_constant_per_s,
    temperature_integral,
)
from monitor.chemistry.network import ChargeAmounts, build_network
from monitor.chemistry.nitric_acid import density_g_mL, molarity_mol_L, percent_from_density
from monitor.chemistry.no2 import (
    WILL_FREEZE_C,
    dew_point_C,
    dissociation,
    kp_bar,
    vapour_pressure_kPa,
)
from monitor.chemistry.sets import load_set
from monitor.chemistry.steps import StepSpec


@pytest.mark.parametrize(
    ("formula", "g_mol"),
    [
        # worked out by hand from CIAAW 2021 abridged standard atomic weights
        ("Mn(NO3)2·4H2O", 251.006),
        ("Mn(NO3)2·6H2O", 287.036),
        ("MnO2", 86.936),
        ("Mn2O3", 157.873),
        ("Cu(NO3)2·H2O", 205.569),
        ("Zn5(OH)8(NO3)2·2H2O", 622.994),
        ("CuO", 79.545),
    ],
)
def test_molar_masses(formula: str, g_mol: float) -> None:
    assert molar_mass_g_mol(formula) == pytest.approx(g_mol, abs=0.0011)


@pytest.mark.parametrize(
    ("name", "formula", "losses"),
    [
        # stoichiometry; the oxalate's three figures stand in every textbook of thermal analysis
        ("calcium-oxalate", "CaC2O4·H2O", [12.33, 19.17, 30.12]),
        ("manganese-nitrate", "Mn(NO3)2·4H2O", [21.531, 43.834, 3.187]),
        ("copper-sulfate", "CuSO4·5H2O", [14.431, 14.431, 7.215]),
        ("zinc-nitrate", "Zn(NO3)2·6H2O", [24.224, 32.280, 16.140]),
        ("magnesium-nitrate", "Mg(NO3)2·6H2O", [28.104, 14.052, 42.125]),
        ("copper-nitrate", "Cu(NO3)2·3H2O", [50.307, 50.307, 16.769]),
        ("sodium-hydrogen-carbonate", "NaHCO3", [36.916]),
        ("basic-copper-carbonate", "Cu2(OH)2CO3", [28.051]),
        ("calcium-carbonate", "CaCO3", [43.971]),
    ],
)
def test_losses_of_each_step(name: str, formula: str, losses: list[float]) -> None:
    network = build_network(load_set(name).steps_for(formula), ChargeAmounts(formula, mass_g=50.0))
    percent = 100.0 * network.mass_loss_g / network.molar_mass_g_mol
    assert percent == pytest.approx(losses, abs=0.002)


def test_gas_from_50_g_of_the_manganese_salt() -> None:
    steps = load_set("manganese-nitrate").steps_for("Mn(NO3)2·4H2O")
    network = build_network(steps, ChargeAmounts("Mn(NO3)2·4H2O", mass_g=50.0))
    moles = network.amount_mol * network.gas_mol[:2].sum(axis=0)
    # by hand: 50.000 / 251.006 mol, 2 NO2 and 4 H2O each, no oxygen
    assert dict(zip(network.species, moles.tolist(), strict=True)) == pytest.approx(
        {"H2O": 0.79679, "NO2": 0.39840, "O2": 0.0}, abs=5e-5
    )


# ---------------------------------------------------------------- NO2 and N2O4


@pytest.mark.parametrize(
    ("temp_C", "kPa"), [(0.0, 35.104), (10.0, 59.137), (20.0, 96.231), (21.1, 101.327)]
)
def test_vapour_pressure(temp_C: float, kPa: float) -> None:
    # Giauque & Kemp, J. Chem. Phys. 6 (1938) 40
    assert vapour_pressure_kPa(temp_C) == pytest.approx(kPa, rel=1e-3)


@pytest.mark.parametrize(
    ("temp_C", "kPa"), [(0.0, 35.12), (10.0, 59.06), (20.0, 95.92), (25.0, 120.80)]
)
def test_vapour_pressure_against_another_fit(temp_C: float, kPa: float) -> None:
    # the ChemSep correlation, ln(p/Pa) = 72.419 - 5432/T - 7.7259 ln T + 1.711e-5 T^2
    assert vapour_pressure_kPa(temp_C) == pytest.approx(kPa, rel=5e-3)


def test_solid_and_liquid_meet_at_the_triple_point() -> None:
    # Giauque & Kemp 1938: 261.90 K, 18.64 kPa
    above, below = vapour_pressure_kPa(WILL_FREEZE_C), vapour_pressure_kPa(WILL_FREEZE_C - 1e-6)
    assert above == pytest.approx(18.64, abs=0.03)
    assert below == pytest.approx(above, rel=1e-3)


def test_equilibrium() -> None:
    # NIST-JANAF 1998 through its Gibbs energies, 4.728 kJ/mol at 298.15 K
    assert kp_bar(25.0) == pytest.approx(math.exp(-4728.0 / 8.314462618 / 298.15), rel=2e-3)
    assert kp_bar(25.0) == pytest.approx(0.1452, rel=0.03)  # Harris & Churney, JCP 47 (1967) 1703
    assert dissociation(25.0, 101.325) == pytest.approx(0.188, abs=0.004)


def test_the_pair_of_species_at_saturation() -> None:
    # N2O4 alone at 10 degC: Poling, Prausnitz & O'Connell (2001), 45.08 kPa
    saturated, kp = vapour_pressure_kPa(10.0), 100.0 * kp_bar(10.0)
    no2 = (-kp + math.sqrt(kp**2 + 4.0 * kp * saturated)) / 2.0
    assert saturated - no2 == pytest.approx(45.077, rel=3e-3)


@pytest.mark.parametrize(
    ("kPa", "o2", "inert", "dew_C"),
    [
        # 21.15 degC measured (Merck Index, CRC); the rest worked out apart from Giauque & Kemp with
        # JANAF by the equation in the module, by another program
        (101.325, 0.0, 0.0, 21.10),
        (101.325, 0.25, 0.0, 13.53),
        (84.100, 0.0, 0.0, 17.16),
        (84.100, 0.25, 0.0, 9.74),
        (101.325, 0.25, 0.20, 9.00),
        (95.461, 0.0, 0.0, 19.83),
        (95.461, 0.25, 0.0, 12.31),
        (101.325, 0.0, 0.10, 18.86),
    ],
)
def test_dew_points(kPa: float, o2: float, inert: float, dew_C: float) -> None:
    assert dew_point_C(kPa, o2, inert) == pytest.approx(dew_C, abs=0.02)


def test_measured_boiling_point() -> None:
    assert dew_point_C(101.325) == pytest.approx(21.15, abs=0.1)  # Merck Index


@pytest.mark.parametrize(
    "bad", [(0.0, 0.0, 0.0), (101.0, -0.1, 0.0), (101.0, 0.0, 1.0), (math.nan, 0, 0)]
)
def test_dew_point_refuses_nonsense(bad: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="expected a pressure"):
        dew_point_C(*bad)


# ---------------------------------------------------------------- air and water


@pytest.mark.parametrize(
    ("altitude_m", "kPa"),
    [
        (0, 101.325),
        (500, 95.4608),
        (1000, 89.8746),
        (1500, 84.5560),
        (2000, 79.4952),
        (3000, 70.1085),
    ],
)
def test_standard_atmosphere(altitude_m: float, kPa: float) -> None:
    # ISO 2533:1975, geopotential altitude
    assert pressure_kPa(altitude_m) == pytest.approx(kPa, abs=1e-3)


@pytest.mark.parametrize(
    ("temp_C", "kPa"),
    [(20.0, 2.3392), (25.0, 3.1698), (50.0, 12.352), (80.0, 47.416), (100.0, 101.418)],
)
def test_vapour_pressure_of_water(temp_C: float, kPa: float) -> None:
    # IAPWS SR1-86 (1992), table
    assert water_vapour_pressure_kPa(temp_C) == pytest.approx(kPa, rel=2e-4)


def test_water_boils() -> None:
    # IAPWS: 99.97 degC at 101.325 kPa; 94.98 degC at 84.556 kPa
    assert boiling_point_water_C(101.325) == pytest.approx(99.97, abs=0.01)
    assert boiling_point_water_C(84.556) == pytest.approx(94.98, abs=0.02)


def test_molar_volume() -> None:
    # CODATA 2018
    assert molar_volume_L_mol(101.325, 0.0) == pytest.approx(22.41396954, abs=1e-6)
    assert molar_volume_L_mol(100.0, 0.0) == pytest.approx(22.71095464, abs=1e-6)


# ---------------------------------------------------------------- kinetics


@pytest.mark.parametrize(
    ("x", "p"),
    [
        # the exponential integral: p(x) = exp(-x)/x - E1(x), by Abramowitz & Stegun table 5.1
        (5.0, math.exp(-5.0) / 5.0 - 1.148295591e-3),
        (10.0, math.exp(-10.0) / 10.0 - 4.156968930e-6),
    ],
)
def test_temperature_integral(x: float, p: float) -> None:
    assert float(temperature_integral(x)) == pytest.approx(p, rel=2e-4)


def test_sodium_hydrogen_carbonate_at_one_temperature() -> None:
    # Wu & Shih, Thermochim. Acta 223 (1993) 177: 105.8 kJ/mol, 6.7e12 a minute
    k = 60.0 * rate_constant_per_s(math.log(6.7e12 / 60.0), 105.8, np.array([100.0, 120.0]))
    assert k == pytest.approx([0.010379, 0.058825], rel=1e-4)


def _course(step: StepSpec, ln_a: float, e: float, rate: float, at: list[float]) -> list[float]:
    """Temperatures in K at which conversions are reached, heated from 250 K."""
    network = build_network([step], ChargeAmounts(mass_g=1.0))
    edges_K = np.linspace(250.0, 1150.0, 36_001)
    temp_C = 0.5 * (edges_K[1:] + edges_K[:-1]) - 273.15
    seconds = (edges_K - 250.0) / rate * 60.0
    x = integrate(network, seconds, temp_C, np.array([[ln_a]]), np.array([[e]]))[:, 0, 0]
    return [float(np.interp(a, x, edges_K)) for a in at]


@pytest.mark.parametrize(
    ("model", "ln_a", "e", "rate", "at", "kelvin", "within"),
    [
        # Wu & Shih 1993 by numerical quadrature, 5 K/min
        ("F1", math.log(6.7e12 / 60), 105.8, 5.0, [0.1, 0.5, 0.9, 0.99],
         [390.35, 412.82, 428.51, 438.10], 0.05),
        # Cheng et al., Acta Phys.-Chim. Sin. 9 (1993) 675, calcium oxalate's water, 10 K/min
        ("A3", math.log(5.58e8 / 60), 85.15, 10.0, [0.1, 0.5, 0.9],
         [474.31, 487.31, 495.96], 0.05),
        # Crystals 10 (2020) 849, calcium carbonate in argon, 10 K/min
        ("R2", math.log(1.13e11), 235.78, 10.0, [0.1, 0.5, 0.9], [849.25, 893.25, 916.25], 0.2),
    ],
)  # fmt: skip
def test_published_triplets(
    model: str, ln_a: float, e: float, rate: float, at: list[float], kelvin: list[float],
    within: float,
) -> None:  # fmt: skip
    step = StepSpec("one", mass_loss=0.4, model=model)
    assert _course(step, ln_a, e, rate, at) == pytest.approx(kelvin, abs=within)


def test_half_temperature_gives_the_pre_exponential_factor() -> None:
    # worked by quadrature: F1, 120 kJ/mol, half gone at 205 degC at 5 K/min
    assert float(ln_a_per_s(120.0, 205.0, "F1")) == pytest.approx(24.633, abs=0.005)
    found = _course(StepSpec("one", mass_loss=0.4), 24.633, 120.0, 5.0, [0.1, 0.9, 0.99])
    assert np.array(found) - 273.15 == pytest.approx([178.5, 223.5, 234.9], abs=0.3)


def test_published_magnesium_triplets() -> None:
    # Zhang, Chen & Dong, Thermochim. Acta (2021) 178951, read as first order at 5 K/min
    for e, a, half_C in ((80.0, 2.5e9, 83.2), (137.0, 1.5e11, 252.5), (227.0, 8.8e15, 373.1)):
        half = _course(StepSpec("one", mass_loss=0.2), math.log(a), e, 5.0, [0.5])[0]
        assert half - 273.15 == pytest.approx(half_C, abs=0.3)


def test_two_manganese_steps_at_180_C_for_20_minutes() -> None:
    # closed form of A -> B -> C: MnO2 0.5827, residual 52.92 %
    steps = load_set("manganese-nitrate").steps_for("Mn(NO3)2·4H2O")
    network = build_network(steps, ChargeAmounts("Mn(NO3)2·4H2O", mass_g=50.0))
    ln_a, e = draw_kinetics(network, np.zeros((1, 6)))
    assert rate_constant_per_s(ln_a[0, :2], e[0, :2], 180.0) == pytest.approx(
        [0.10497, 7.342e-4], rel=2e-3
    )
    x = integrate(network, np.linspace(0.0, 1200.0, 401), np.full(400, 180.0), ln_a, e)[-1, 0]
    residual = 1.0 - float(x @ network.mass_loss_g) / network.molar_mass_g_mol
    assert x[1] == pytest.approx(0.5827, abs=5e-4)
    assert residual == pytest.approx(0.5292, abs=5e-4)


@pytest.mark.parametrize(
    ("model", "at_half"),
    [
        # Vyazovkin et al., Thermochim. Acta 520 (2011) 1, Table 1, at alpha = 0.5
        ("F1", math.log(2.0)),
        ("A2", math.log(2.0) ** 0.5),
        ("A3", math.log(2.0) ** (1 / 3)),
        ("A4", math.log(2.0) ** 0.25),
        ("R2", 1.0 - 0.5**0.5),
        ("R3", 1.0 - 0.5 ** (1 / 3)),
        ("D1", 0.25),
        ("D2", 0.5 * math.log(0.5) + 0.5),
        ("D3", (1.0 - 0.5 ** (1 / 3)) ** 2),
        ("D4", 1.0 - 1.0 / 3.0 - 0.5 ** (2 / 3)),
        ("P2", 0.5**0.5),
        ("P3", 0.5 ** (1 / 3)),
        ("P4", 0.5**0.25),
        ("F2", 1.0),
    ],
)
def test_reaction_models(model: str, at_half: float) -> None:
    assert float(g_alpha(model, 0.5)) == pytest.approx(at_half, rel=1e-9)


# ---------------------------------------------------------------- acid, absorption, bubbles, heat


@pytest.mark.parametrize(
    ("percent", "temp_C", "g_mL"),
    [
        # Perry's Chemical Engineers' Handbook, 6th ed.
        (10.0, 0.0, 1.0606),
        (10.0, 20.0, 1.0543),
        (10.0, 50.0, 1.0403),
        (30.0, 20.0, 1.1800),
        (68.0, 20.0, 1.4048),
        # water: IAPWS-95
        (0.0, 20.0, 0.99820),
    ],
)
def test_density_of_nitric_acid(percent: float, temp_C: float, g_mL: float) -> None:
    assert density_g_mL(percent, temp_C) == pytest.approx(g_mL, abs=2e-5)


def test_density_of_six_molal_acid_at_25_C() -> None:
    # a published table by molality: 6.0 mol/kg, 1.15873 g/mL; our table within 0.2 %
    percent = 100.0 * 6.0 * 0.063012 / (1.0 + 6.0 * 0.063012)
    assert density_g_mL(percent, 25.0) == pytest.approx(1.15873, rel=2e-3)


def test_strength_from_density() -> None:
    # linear between 12 and 13 % of Perry's table
    assert percent_from_density(1.0690) == pytest.approx(12.483, abs=0.005)
    assert molarity_mol_L(30.0) == pytest.approx(5.618, rel=5e-4)
    for outside in (0.9, 1.6):
        with pytest.raises(ValueError, match="none of nitric acid"):
            percent_from_density(outside)


def test_absorption_stoichiometry() -> None:
    # textbook: 3 NO2 + H2O -> 2 HNO3 + NO, and 4 NO2 + O2 + 2 H2O -> 4 HNO3
    alone = absorbed(0.30, 0.0, 0.0, 100.0)
    assert (alone.hno3_mol, alone.no_mol) == pytest.approx((0.20, 0.10))
    whole = absorbed(0.30, 0.075, 0.0, 100.0)
    assert (whole.hno3_mol, whole.no_mol, whole.o2_left_mol) == pytest.approx((0.30, 0.0, 0.0))
    assert whole.silent
    assert not alone.silent
    # what comes in is what the receiver gains
    assert whole.receiver_g == pytest.approx(100.0 + 0.30 * 46.005 + 0.075 * 31.998, abs=2e-3)


def test_nitric_oxide_from_50_g_of_the_manganese_salt() -> None:
    # by hand: 0.39840 mol NO2 leave a third as NO; 0.13280 mol, 3.194 L at 20 degC, 101.325 kPa
    got = absorbed(0.39840, 0.0, 0.0, 150.0)
    assert got.no_mol * molar_volume_L_mol(101.325) == pytest.approx(3.194, abs=0.005)


def test_oxidation_of_nitric_oxide() -> None:
    # Atkinson et al., Atmos. Chem. Phys. 4 (2004) 1461: 3.3e-39 exp(530/T) cm6 s-1
    assert no_oxidation_L2_mol2_s(25.0) == pytest.approx(7080.0, rel=5e-3)
    assert no_oxidation_L2_mol2_s(0.0) / no_oxidation_L2_mol2_s(25.0) == pytest.approx(
        1.177, rel=2e-3
    )
    # integrated by hand: 0.1 atm each at 25 degC, 5.03 and 61.7 s
    assert no_oxidation_time_s(10.1325, 10.1325, 0.5, 25.0) == pytest.approx(5.03, rel=0.01)
    assert no_oxidation_time_s(10.1325, 10.1325, 0.9, 25.0) == pytest.approx(61.7, rel=0.01)
    assert no_oxidation_time_s(10.0, 2.0, 0.9, 25.0) == math.inf


@pytest.mark.parametrize("fraction", [0.0, 1e-9, 0.5, 0.9, 0.999])
@pytest.mark.parametrize("excess", [0.0, 1e-15, 1e-12, 1e-9, 1e-8, 1e-7, 1e-5, 1e-3, 0.03, 1.0])
def test_oxidation_of_nitric_oxide_with_hardly_any_oxygen_to_spare(
    excess: float, fraction: float
) -> None:
    """Against the integral itself, by Gauss and Legendre's rule in the logarithm of [NO]."""
    no = 10.0 / (8.314462618 * 298.15)  # mol/L
    spare = no * excess
    nodes, weights = np.polynomial.legendre.leggauss(60)
    width = -math.log1p(-fraction)
    u = no * np.exp(-0.5 * width * (nodes + 1.0))
    wanted = 0.5 * width * float(weights @ (1.0 / (u * (u + spare)))) / no_oxidation_L2_mol2_s(25.0)

    found = no_oxidation_time_s(10.0, 5.0 * (1.0 + excess), fraction, 25.0)
    assert found == pytest.approx(wanted, rel=1e-6)


@pytest.mark.parametrize(
    ("n", "low", "high"),
    [
        # Garwood, Biometrika 28 (1936) 437
        (0, 0.0, 3.689),
        (1, 0.0253, 5.572),
        (5, 1.623, 11.668),
        (10, 4.795, 18.390),
        (100, 81.36, 121.63),
    ],
)
def test_counting_interval(n: int, low: float, high: float) -> None:
    assert count_interval(n) == pytest.approx((low, high), abs=0.006)


def test_bubbles_by_tate() -> None:
    # pi D sigma / (rho g) with water's 72.75 mN/m (IAPWS) by hand
    for bore, microlitres in ((4.0, 93.4), (5.0, 116.7), (6.0, 140.1)):
        assert 1e3 * tate_volume_mL(bore) == pytest.approx(microlitres, abs=0.5)


@pytest.mark.parametrize(
    ("temp_C", "J_g"), [(20.0, 2453.5), (40.0, 2406.0), (100.0, 2256.4), (120.0, 2202.1)]
)
def test_heat_of_vaporisation(temp_C: float, J_g: float) -> None:
    # IAPWS-IF97 saturation table
    assert vaporisation_water_J_g(temp_C) == pytest.approx(J_g, rel=5e-4)


def test_heat_of_fusion_of_ice() -> None:
    # IAPWS: 333.4 to 333.6 J/g
    assert pytest.approx(333.5, abs=0.2) == ICE_J_G


# ---------------------------------------------------------------- ICTAC simulated data


@pytest.mark.parametrize(
    ("rate", "kelvin"),
    [
        # Brown et al., Thermochim. Acta 355 (2000) 125: two parallel F1 steps, integrated exactly
        (1.0, [346.14, 354.66, 367.43, 379.64, 389.73, 396.88, 400.41]),
        (8.0, [370.86, 380.11, 393.49, 405.51, 415.01, 421.95, 425.56]),
    ],
)
def test_ictac_two_parallel_steps(rate: float, kelvin: list[float]) -> None:
    halves = [StepSpec("one", mass_loss=0.5), StepSpec("other", mass_loss=0.5)]
    network = build_network(halves, ChargeAmounts(mass_g=1.0))
    edges_K = np.linspace(250.0, 480.0, 23_001)
    seconds = (edges_K - 250.0) / rate * 60.0
    temps = 0.5 * (edges_K[1:] + edges_K[:-1]) - 273.15
    ln_a = np.array([[math.log(1e10 / 60.0), math.log(1e15 / 60.0)]])
    x = integrate(network, seconds, temps, ln_a, np.array([[80.0, 120.0]]))[:, 0].mean(axis=1)
    at = [0.05, 0.10, 0.25, 0.50, 0.75, 0.90, 0.95]
    assert np.interp(at, x, edges_K) == pytest.approx(kelvin, abs=0.02)


FORMED_KJ_MOL = {
    # NBS tables (Wagman et al., J. Phys. Chem. Ref. Data 11, suppl. 2, 1982)
    "Ni(NO3)2·6H2O": -2211.7, "Co(NO3)2·6H2O": -2211.2, "Zn(NO3)2·6H2O": -2306.6,
    "Mg(NO3)2·6H2O": -2613.3, "Al(NO3)3·9H2O": -3757.1, "Fe(NO3)3·9H2O": -3285.3,
    "Cu(NO3)2·3H2O": -1217.1, "CuSO4·5H2O": -2279.7, "CaC2O4·H2O": -1674.9,
    "Cu2(OH)2CO3": -1051.4,
    # CRC Handbook of Chemistry and Physics, Standard Thermodynamic Properties
    "NiO": -239.7, "Co3O4": -891.0, "ZnO": -350.5, "MgO": -601.6, "Al2O3": -1675.7,
    "Fe2O3": -824.2, "CuO": -157.3, "CuSO4": -771.4, "CaCO3": -1207.6, "CaO": -634.9,
    "CaC2O4": -1360.6, "H2O": -241.8, "CO2": -393.5, "CO": -110.5, "NO2": 33.2, "O2": 0.0,
    "HNO3": -133.9,
}  # fmt: skip
"""Standard enthalpies of formation at 25 degC, gases as gases. From memory."""


@pytest.mark.parametrize(
    ("of", "steps", "charge", "makes"),
    [
        ("nickel-nitrate", None, "Ni(NO3)2·6H2O", {"NiO": 1, "NO2": 2, "O2": 0.5, "H2O": 6}),
        ("cobalt-nitrate", None, "Co(NO3)2·6H2O",
         {"Co3O4": 1 / 3, "NO2": 2, "O2": 1 / 3, "H2O": 6}),
        ("zinc-nitrate", None, "Zn(NO3)2·6H2O", {"ZnO": 1, "NO2": 2, "O2": 0.5, "H2O": 6}),
        ("magnesium-nitrate", None, "Mg(NO3)2·6H2O", {"MgO": 1, "NO2": 2, "O2": 0.5, "H2O": 6}),
        ("copper-nitrate", (1, 2), "Cu(NO3)2·3H2O", {"CuO": 1, "NO2": 2, "O2": 0.5, "H2O": 3}),
        ("aluminium-nitrate", (0,), "Al(NO3)3·9H2O", {"Al2O3": 0.5, "HNO3": 3, "H2O": 7.5}),
        ("aluminium-nitrate", (1,), "Al(NO3)3·9H2O",
         {"Al2O3": 0.5, "NO2": 3, "O2": 0.75, "H2O": 9}),
        ("iron-nitrate", (0,), "Fe(NO3)3·9H2O", {"Fe2O3": 0.5, "HNO3": 3, "H2O": 7.5}),
        ("iron-nitrate", (1,), "Fe(NO3)3·9H2O", {"Fe2O3": 0.5, "NO2": 3, "O2": 0.75, "H2O": 9}),
        ("copper-sulfate", None, "CuSO4·5H2O", {"CuSO4": 1, "H2O": 5}),
        ("calcium-oxalate", (0,), "CaC2O4·H2O", {"CaC2O4": 1, "H2O": 1}),
        ("calcium-oxalate", (1,), "CaC2O4", {"CaCO3": 1, "CO": 1}),
        ("calcium-oxalate", (2,), "CaCO3", {"CaO": 1, "CO2": 1}),
        ("basic-copper-carbonate", None, "Cu2(OH)2CO3", {"CuO": 2, "CO2": 1, "H2O": 1}),
    ],
)  # fmt: skip
def test_heats_of_the_sets_by_hess(
    of: str, steps: tuple[int, ...] | None, charge: str, makes: dict[str, float]
) -> None:
    found = load_set(of).steps_for("CaC2O4·H2O" if of == "calcium-oxalate" else charge)
    stated = sum(found[i].dh_kJ_mol or math.nan for i in steps or range(len(found)))
    formed = sum(n * FORMED_KJ_MOL[name] for name, n in makes.items())
    assert stated == pytest.approx(formed - FORMED_KJ_MOL[charge], abs=5.0)
