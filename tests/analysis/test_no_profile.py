"""Plans that say less: no profile, moles in place of grams, a flow meter in place of a counter."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from drivers.reading import Reading
from monitor.analysis.diagnosis.train import _blocked_by_pressure, charge_g, main_step_runs
from monitor.analysis.estimate import Band
from monitor.analysis.setting import setting_of
from monitor.analysis.verdict_state import is_alone
from tests.analysis.runs import POT_RIG, RIG, STEP_PLAN, folded, names, said
from tests.analysis.test_stalling import pot_at
from tests.analysis.test_verdict import CRAWLS, GOING_ON, Bench

NO_PROFILE = STEP_PLAN.replace("[[profile]]\nrate_K_per_min = 4\nto_C = 190\nhold_min = 90\n", "")
POT_ALONE = POT_RIG[: POT_RIG.index("mantle =")]


def hot(rig: str, **temps_C: float) -> list[dict[str, Any]]:
    """Two minutes at such temperatures, by a plan with a limit for its mantle, 330 degC, alone."""
    bodies = [(float(t), said(**temps_C)) for t in range(120)]
    return folded(bodies, NO_PROFILE, rig)


def test_a_mantle_is_held_against_its_own_limit_where_the_pot_has_none() -> None:
    """Without a profile nothing says how hot the pot may get; the person's word on the mantle
    stands all the same."""
    assert "over-temperature" in names(hot(POT_RIG, pot=180.0, mantle=340.0))
    assert "over-temperature" not in names(hot(POT_RIG, pot=180.0, mantle=320.0))


def test_a_limit_of_which_no_probe_speaks_is_not_kept_silently() -> None:
    untold = {one["name"]: one["needs"] for one in hot(POT_ALONE, pot=180.0)[-1]["cannot_tell"]}
    assert untold["over-temperature"] == ["mantle_temperature"]


def test_the_step_of_done_is_known_without_a_profile() -> None:
    """Else ratios between channels would never be judged, and nobody told."""
    bench = Bench()
    bench.setting = setting_of(NO_PROFILE, RIG, 7)
    going = replace(GOING_ON, steps=(Band(0.99, 1.0, 1.0), GOING_ON.done_fraction, None))

    view = bench.view(going)

    assert bench.setting.course.done_step == "oxide formation"
    assert is_alone(view, 0.95)
    assert main_step_runs(replace(view, estimate=replace(going, steps=going.steps[:2])))


@pytest.mark.parametrize(
    ("charge", "grams"),
    [
        ("mass_g = 50.0", 50.0),
        # 54.938 + 2 x 62.005 + 4 x 18.015 g/mol (standard atomic weights, IUPAC 2021)
        ("amount_mol = 2.0\nwater_mol_per_mol = 4", 502.0),
    ],
)
def test_a_charge_told_in_moles_is_as_heavy_as_it_is(charge: str, grams: float) -> None:
    """Shares of it are what a flask loses, or a receiver gives back, in a fault."""
    bench = Bench()
    bench.setting = setting_of(STEP_PLAN.replace("mass_g = 50.0", charge), RIG, 7)
    assert charge_g(bench.view(GOING_ON)) == pytest.approx(grams, rel=1e-3)


@pytest.mark.parametrize(("K_per_min", "stalls"), [(4.0, False), (0.5, False), (0.0, True)])
def test_a_pot_on_its_way_up_is_not_stalled_for_being_cold(K_per_min: float, stalls: bool) -> None:
    """Cold is where it stays, and where nothing says where that will be, no word says so."""
    bench = Bench()
    bench.setting = setting_of(NO_PROFILE, RIG, 7)
    bench.heating.off_K, bench.pot_K_per_min = None, K_per_min
    bench.pot_C = 44.0
    pot_at(bench, bench.pot_C, K_per_min, minutes=15)
    far = replace(CRAWLS, p_beyond_patience=1.0, p_beyond_patience_frozen=1.0)
    words = []
    for _ in range(30):
        pot_at(bench, bench.pot_C, K_per_min, minutes=1)
        words.append(bench.minute(far).word)

    assert ("stalled" in words) is stalls
    if stalls:
        assert bench.verdict.why[0].endswith(" at 44 degC: too cold")
        assert "profile" not in bench.verdict.why[0]


@pytest.mark.parametrize(("role", "unit"), [("bubble_count", "bubbles/s"), ("outlet_flow", "mL/s")])
def test_what_comes_out_is_said_in_what_counts_it(role: str, unit: str) -> None:
    """60 mL/min are 1 mL a second, and no bubble."""
    bench = Bench(("train_pressure", role))
    gauge, counter = bench.states["train_pressure"], bench.states[role]
    why: list[str] = []
    for second in range(240):
        bench.now_s += 1.0
        blocked_s = max(second - 200, 0)
        flow = 0.0 if blocked_s else 60.0
        gauge.take(bench.now_s, Reading("p", 0.2 + 0.1 * blocked_s + 1e-3 * (second % 3)))
        came = flow if role == "outlet_flow" else float(min(second, 200))
        counter.take(bench.now_s, Reading("gas", came))
        why += [one.why for one in _blocked_by_pressure(bench.view(GOING_ON), gauge)]
    assert why
    assert all(unit in one for one in why)
