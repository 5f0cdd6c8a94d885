"""Gas train, acid, heat and ice of a plan, against figures from outside; source beside each."""

import numpy as np
import pytest

from monitor.chemistry.absorption import absorbed, no_oxidation_time_s, water_for_strength_g
from monitor.chemistry.bubbles import tip_pressure_kPa
from monitor.chemistry.gases import molar_volume_L_mol
from monitor.chemistry.heat import condenser_heat, ice_needed_g, kopp_J_mol_K
from monitor.chemistry.nitric_acid import density_g_mL, molarity_mol_L
from monitor.chemistry.no2 import condensed_fraction, dew_point_C, dimer_mol, dissociation
from monitor.plan.stages import absorbed_acid_mol, past_absorber, past_condenser, total

GAS = ("NO2", "O2")
PER_G = np.array([8.2782e-3, 2.0695e-3])
"""Moles of NO2 and O2 from one gram of Cu(NO3)2·3H2O, 241.599 g/mol, all nitrogen as NO2."""


@pytest.mark.parametrize(
    ("gas", "mmol", "mL"),
    [
        # worked out apart from this program, at 25 degC and 1 atm, for each gram of trihydrate
        (PER_G, 7.125, 174.3),
        (PER_G * [0.0, 1.0], 2.070, 50.6),  # NO2 all condensed
    ],
)
def test_gas_behind_the_condenser(gas, mmol, mL):
    passing = float(total(past_condenser(GAS, gas, 101.325, 25.0)))

    assert 1e3 * passing == pytest.approx(mmol, abs=0.005)
    assert 1e3 * passing * molar_volume_L_mol(101.325, 25.0) == pytest.approx(mL, abs=0.2)


@pytest.mark.parametrize(
    ("no2", "o2", "acid", "no", "o2_left"),
    [
        # textbook: 3 NO2 + H2O -> 2 HNO3 + NO; 4 NO2 + O2 + 2 H2O -> 4 HNO3
        (0.30, 0.0, 0.20, 0.10, 0.0),
        (0.30, 0.075, 0.30, 0.0, 0.0),
        (0.30, 0.100, 0.30, 0.0, 0.025),
        # half of the oxygen that it takes: by hand, 4 * 0.0375 whole, two thirds of the rest
        (0.30, 0.0375, 0.25, 0.05, 0.0),
    ],
)
def test_gas_behind_the_absorber(no2, o2, acid, no, o2_left):
    gas = np.array([no2, o2])
    passing = past_absorber(GAS, gas)

    assert float(absorbed_acid_mol(GAS, gas)) == pytest.approx(acid)
    assert float(passing["NO"]) == pytest.approx(no, abs=1e-12)
    assert float(passing["O2"]) == pytest.approx(o2_left, abs=1e-12)
    other = absorbed(no2, o2, 0.0, 100.0)  # the same by the chemistry's own bookkeeping
    assert (other.hno3_mol, other.no_mol) == pytest.approx((acid, no))


@pytest.mark.parametrize(
    ("no", "o2", "acid", "no_left"),
    # 4 NO + 3 O2 + 2 H2O -> 4 HNO3; with a third of that oxygen a third becomes acid
    [(0.4, 0.3, 0.4, 0.0), (0.4, 0.1, 0.4 / 3, 0.8 / 3), (0.4, 0.0, 0.0, 0.4)],
)
def test_nitric_oxide_goes_round_as_far_as_oxygen_takes_it(no, o2, acid, no_left):
    gas = np.array([no, o2])

    assert float(absorbed_acid_mol(("NO", "O2"), gas)) == pytest.approx(acid)
    assert float(past_absorber(("NO", "O2"), gas)["NO"]) == pytest.approx(no_left, abs=1e-12)


def test_acid_and_steam_alone_leave_no_gas():
    """2 Cu(NO3)2·3H2O -> Cu2(OH)3NO3 + 3 HNO3 + 3 H2O: nothing for a bubbler."""
    gas = np.array([3.0, 3.0])

    assert float(np.sum(total(past_condenser(("H2O", "HNO3"), gas, 101.325)))) == 0.0
    assert float(np.sum(total(past_absorber(("H2O", "HNO3"), gas)))) == 0.0


def test_water_for_a_strength_of_acid():
    """0.4 mol NO2 with its oxygen: 0.4 mol HNO3, 25.20 g, in 126.0 g of 20 % acid; 0.2 mol of
    water, 3.60 g, goes into it: by hand."""
    water_g = water_for_strength_g(0.4, 0.1, 0.0, 20.0)

    assert water_g == pytest.approx(0.4 * 63.012 / 0.20 * 0.80 + 0.2 * 18.015, rel=1e-4)
    assert absorbed(0.4, 0.1, 0.0, water_g).acid_percent == pytest.approx(20.0, abs=0.01)


@pytest.mark.parametrize(
    ("percent", "g_mL", "mol_L"),
    # Perry's, 6th ed. (5 and 10 % seen, 20 and 40 % within 0.0003 of a CRC table); 10 rho w/63.012
    [(5.0, 1.02563, 0.8138), (10.0, 1.0543, 1.6732), (20.0, 1.1150, 3.539), (40.0, 1.2463, 7.912)],
)
def test_acid_of_a_receiver(percent, g_mL, mol_L):
    assert density_g_mL(percent) == pytest.approx(g_mL, abs=2e-5)
    assert molarity_mol_L(percent) == pytest.approx(mol_L, rel=1e-4 + 5e-4 / mol_L)


@pytest.mark.parametrize(
    ("no_kPa", "temp_C", "seconds"),
    [
        # Atkinson et al. 2004 integrated apart from this program: 0.2 atm O2, nine tenths
        (10.1325, 25.0, 23.4),
        (1.01325, 25.0, 194.0),
        (0.101325, 25.0, 1906.0),
        (10.1325, 0.0, 16.7),
        (1.01325, 0.0, 138.0),
        (0.101325, 0.0, 1359.0),
    ],
)
def test_time_for_nitric_oxide_to_be_oxidised_again(no_kPa, temp_C, seconds):
    assert no_oxidation_time_s(no_kPa, 20.265, 0.9, temp_C) == pytest.approx(seconds, rel=0.01)


@pytest.mark.parametrize(
    ("depth_mm", "bore_mm", "Pa"),
    # Laplace 4 sigma / D with 72.75 mN/m: 73, 58, 49 Pa; 97.9 Pa for each cm of water at 20 degC
    [(0.0, 4.0, 73.0), (0.0, 5.0, 58.0), (0.0, 6.0, 48.5), (20.0, 5.0, 2 * 97.9 + 58.2)],
)
def test_pressure_to_pass_a_tip(depth_mm, bore_mm, Pa):
    assert 1e3 * tip_pressure_kPa(depth_mm, bore_mm) == pytest.approx(Pa, abs=0.4)


# ---------------------------------------------------------------- heat


def test_heat_of_vaporisation_of_the_real_gas():
    """38.12 kJ for each mole of N2O4 at 21.1 degC (Giauque & Kemp 1938, Merck Index): what the
    equilibrium gas gives off is what unpaired NO2 gives less what has paired already."""
    unpaired = condenser_heat(0.0, 0.0, 2.0, 21.1, 21.1, no2_condensed=1.0).total_J
    paired = (1.0 - dissociation(21.1, 101.325)) * 57_111.0

    assert unpaired - paired == pytest.approx(38_120.0, rel=0.005)


@pytest.mark.parametrize(
    ("from_C", "to_C", "kJ_mol"),
    [
        # IAPWS-IF97: enthalpy of saturated steam at 100 degC less that of water, 2675.6 kJ/kg less
        # 83.9 (20 degC) and 21.0 (5 degC), times 18.015
        (100.0, 20.0, 46.69),
        (100.0, 5.0, 47.82),
    ],
)
def test_heat_that_steam_gives_off(from_C, to_C, kJ_mol):
    heat = condenser_heat(1.0, 0.0, 0.0, from_C, to_C).total_J

    assert heat / 1e3 == pytest.approx(kJ_mol, rel=0.003)


def test_ice_for_a_kilojoule():
    """Heat of fusion 333.5 J/g (IAPWS); 10 W for an hour are 36 kJ."""
    assert ice_needed_g(333_500.0, 0.0, 1.0) == pytest.approx(1000.0, rel=1e-3)
    assert ice_needed_g(0.0, 10.0, 1.0) == pytest.approx(36_000.0 / 333.5, rel=1e-3)


@pytest.mark.parametrize(
    ("formula", "J_mol_K", "within"),
    [
        # CRC Handbook, molar heat capacity at 25 degC, from memory: Kopp's rule is within 15 %
        ("CaCO3", 83.5, 0.05),
        ("CuSO4·5H2O", 280.0, 0.15),
        ("NaHCO3", 87.6, 0.15),
        ("Mg(NO3)2", 141.9, 0.30),
    ],
)
def test_heat_capacity_by_kopp(formula, J_mol_K, within):
    solid, melt = kopp_J_mol_K(formula)

    assert solid == pytest.approx(J_mol_K, rel=within)
    assert melt > solid


@pytest.mark.parametrize(
    ("coolant_C", "kPa", "o2_per_no2", "inert_per_no2"),
    [
        (10.0, 101.325, 0.25, 0.0),
        (5.0, 84.1, 0.25, 0.0),
        (0.0, 101.325, 0.25, 0.3),
        (15.0, 96, 0.1, 0),
    ],
)
def test_share_condensed_leaves_a_gas_at_its_dew_point(coolant_C, kPa, o2_per_no2, inert_per_no2):
    """What stays gas after a share has become liquid has its dew point at the coolant (the dew
    points themselves stand in the tests of chemistry)."""

    share = condensed_fraction(coolant_C, kPa, o2_per_no2, inert_per_no2)
    left = 1.0 - share
    paired = float(dimer_mol(left, o2_per_no2 + inert_per_no2, coolant_C, kPa))
    inert_share = inert_per_no2 / (left - paired + o2_per_no2 + inert_per_no2)

    assert 0.0 < share < 1.0
    dew = dew_point_C(kPa, o2_per_no2 / left, inert_share)
    assert dew == pytest.approx(coolant_C, abs=0.02)
