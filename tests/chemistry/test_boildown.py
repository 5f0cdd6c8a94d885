"""Water left in a solution, held against bookkeeping by hand and against draws by chance."""

import math

import numpy as np
import pytest

from monitor.chemistry.boildown import (
    Solution,
    stop_band,
    time_to_stop_s,
    water_left,
    water_left_by_boiling,
)

WATER = 18.015
MN4 = 251.006  # Mn(NO3)2·4H2O, CIAAW 2021 by hand
WEIGHED = Solution(0.2, 0.002, 0.2 * MN4, 4.0, 0.15, 100.0, 0.5)


@pytest.mark.parametrize(
    ("gone_g", "held_g", "left"),
    [
        # bookkeeping: 0.2 mol with 4 waters each and 100 g; grams of water over 18.015 over 0.2
        (0.0, 0.0, 4.0 + 100.0 / WATER / 0.2),
        (50.0, 0.0, 4.0 + 50.0 / WATER / 0.2),
        (97.0, 3.0, 4.0),
        (100.0 + 0.8 * WATER, 0.0, 0.0),
        (120.0, 0.0, 4.0 - 20.0 / WATER / 0.2),
    ],
)
def test_water_left(gone_g, held_g, left):
    assert water_left(WEIGHED, gone_g, 0.0, held_g).mol_per_mol == pytest.approx(left, abs=1e-9)


@pytest.mark.parametrize("gone_g", [10.0, 80.0, 105.0])
def test_its_uncertainty_is_that_of_draws(gone_g):
    """Monte Carlo (JCGM 101:2008): mass, own water, free water and distillate drawn apart."""
    rng = np.random.default_rng(1)
    n = 200_000
    own = rng.normal(4.0, 0.15, n)
    pure_g = rng.normal(0.2 * MN4, 0.01 * 0.2 * MN4, n)
    moles = pure_g / (MN4 + (own - 4.0) * WATER)
    free, gone = rng.normal(100.0, 0.5, n), rng.normal(gone_g, 0.4, n)
    drawn = own + (free - gone) / WATER / moles
    told = water_left(WEIGHED, gone_g, 0.4)

    assert told.u == pytest.approx(np.std(drawn), rel=0.02)
    assert told.mol_per_mol == pytest.approx(np.mean(drawn), abs=0.02)
    assert told.interval()[0] == pytest.approx(np.quantile(drawn, 0.05), abs=0.03)


def test_known_moles_leave_the_hydrate_uncertain():
    """Where the moles are known and not the mass, water of the hydrate counts in full."""
    known = Solution(0.2, 0.0, None, 4.0, 0.15, 100.0, 0.0)

    assert water_left(known, 100.0).u == pytest.approx(0.15)


def test_the_stop_line_and_its_band():
    """At the stop so much water is left, at the band's ends that less 1.645 u."""
    band = stop_band(WEIGHED, 5.0, 4.0)
    u_g = water_left(WEIGHED, band.stop_g).u * WATER * 0.2

    assert water_left(WEIGHED, band.stop_g).mol_per_mol == pytest.approx(5.0)
    assert water_left(WEIGHED, band.dry_g).mol_per_mol == pytest.approx(4.0)
    assert (band.latest_g - band.earliest_g) == pytest.approx(2 * 1.645 * u_g)
    assert band.earliest_g < band.stop_g < band.latest_g
    assert band.certain


@pytest.mark.parametrize("free_u_g", [0.1, 5.0])
def test_a_charge_too_uncertain_has_no_certain_stop(free_u_g):
    """One mole a mole above dryness is 3.6 g here: 5 g of doubt is too much for it."""
    solution = Solution(0.2, 0.0, 0.2 * MN4, 4.0, 0.0, 100.0, free_u_g)

    assert stop_band(solution, 5.0, 4.0).certain == (free_u_g < 1.0)


@pytest.mark.parametrize(("stop", "dry"), [(40.0, 0.0), (5.0, 5.0), (5.0, -1.0), (math.nan, 0.0)])
def test_lines_out_of_order_are_refused(stop, dry):
    with pytest.raises(ValueError, match="expected dry from 0 up"):
        stop_band(WEIGHED, stop, dry)


@pytest.mark.parametrize(
    ("left_g", "rate", "residual", "minutes"),
    [
        (20.0, 2.0, 0.0, 10.0),
        (20.0, 2.0, 4.0, 8.0),
        (3.0, 2.0, 4.0, 0.0),
        (-1.0, 2.0, 0.0, 0.0),
        (20.0, 0.0, 4.0, math.inf),
    ],
)
def test_when_to_take_the_heat_away(left_g, rate, residual, minutes):
    """What boils on afterwards is half the rate for as long."""
    assert time_to_stop_s(left_g, rate, residual) / 60.0 == pytest.approx(minutes)


@pytest.mark.parametrize("bad", [math.nan, -1.0, math.inf])
@pytest.mark.parametrize("key", ["gone_g", "gone_u_g", "held_g", "held_u_g"])
def test_no_grams_are_refused(key, bad):
    with pytest.raises(ValueError, match="expected"):
        water_left(WEIGHED, **{"gone_g": 1.0} | {key: bad})


@pytest.mark.parametrize(
    ("percent", "g_mol", "boils_C"),
    [
        # calcium chloride under 1 atm, handbook tables of boiling points (from memory)
        (30.0, 110.98, 110.0),
        (40.0, 110.98, 120.0),
        (50.0, 110.98, 130.0),
        # magnesium chloride, the same
        (30.0, 95.21, 115.6),
    ],
)
def test_boiling_point_tells_the_water_within_its_wide_uncertainty(percent, g_mol, boils_C):
    """Water per mole of salt from its mass fraction; two standard uncertainties hold it."""
    there = (100.0 - percent) / WATER / (percent / g_mol)
    told = water_left_by_boiling(boils_C, 101.325)

    assert abs(told.mol_per_mol - there) < 2.0 * told.u
    assert told.u >= 3.0


def test_boiling_hotter_leaves_less_water():
    """And the same solution boils cooler higher up."""
    left = [water_left_by_boiling(c, 101.325).mol_per_mol for c in (102.0, 110.0, 130.0, 160.0)]

    assert left == sorted(left, reverse=True)
    assert (
        water_left_by_boiling(115.0, 84.0).mol_per_mol
        < water_left_by_boiling(115.0, 101.325).mol_per_mol
    )


@pytest.mark.parametrize("boils_C", [99.0, 60.0, 300.0, math.nan])
def test_what_boils_like_water_tells_nothing(boils_C):
    with pytest.raises(ValueError, match=r"boils no lower|expected"):
        water_left_by_boiling(boils_C, 101.325)
