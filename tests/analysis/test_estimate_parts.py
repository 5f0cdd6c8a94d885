"""Parts of the estimator against what they must equal: models, integration, linear algebra."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.reading import Quality
from monitor.analysis.bins import BinStore
from monitor.analysis.estimate import climb
from monitor.analysis.estimate.ahead import _bent
from monitor.analysis.estimate.bands import band, remaining_band, weighted_quantiles
from monitor.analysis.estimate.course import _limit, rate_integrals, run_course
from monitor.analysis.estimate.estimator import _room
from monitor.analysis.estimate.evidence import _sees_done
from monitor.analysis.estimate.fit import _fitted, _priors
from monitor.analysis.estimate.grid import Grid, build_grid
from monitor.analysis.estimate.hearing import agreement, hear
from monitor.analysis.estimate.hiding import held_yet
from monitor.analysis.estimate.layout import kinetics, layout_of
from monitor.analysis.estimate.level import in_cells
from monitor.analysis.estimate.noise import (
    Differences,
    likely_noise,
    median_of_five,
    usual_noise,
)
from monitor.analysis.estimate.self_cooled import self_cooled
from monitor.analysis.estimate.shapes import (
    FAMILIES,
    GRAINS,
    PLANNED,
    RIVAL,
    Family,
    Shape,
    begins_at,
    conversion,
    converter,
    exponents,
    families_by,
    integral_at,
    shapes_of,
)
from monitor.analysis.estimate.signals import Signal, _between_digits
from monitor.chemistry.integration import integrate
from monitor.chemistry.kinetics import g_alpha, ln_a_per_s
from tests.analysis.estimate_runs import BUNDLED, plan_at, setup_of

_ONE = np.ones(1)


def _shape(model: str) -> Shape:
    a, n = exponents(model)
    return Shape(a * _ONE, n * _ONE, 0.0 * _ONE, _ONE, 0.0 * _ONE, _ONE < 0.0)


@pytest.mark.parametrize(
    ("model", "apart"),
    [
        ("F1", 1e-6), ("F1.5", 1e-6), ("F2", 1e-6), ("F3", 1e-6), ("A2", 1e-6), ("A3", 1e-6),
        ("A4", 1e-6), ("R2", 1e-6), ("R3", 1e-6), ("P2", 1e-5), ("P3", 1e-5), ("P4", 1e-5),
        ("D1", 1e-5), ("D3", 1e-6), ("D2", 0.015), ("D4", 0.015),
    ],
)  # fmt: skip
def test_one_formula_holds_the_models(model: str, apart: float) -> None:
    """Conversions of Vyazovkin et al. 2011, Table 1, each scaled to the same half."""
    alpha = np.linspace(0.02, 0.98, 49)
    g = g_alpha(model, alpha) / float(g_alpha(model, 0.5))
    shape = _shape(model)
    g = g * integral_at(0.5, shape)

    assert conversion(g[:, None], shape)[:, 0] == pytest.approx(alpha, abs=apart)


@pytest.mark.parametrize("model", ["D2", "D3", "D4"])
def test_no_law_of_diffusion_is_far_from_its_family(model: str) -> None:
    """The three of Vyazovkin et al. 2011, Table 1: each within one and a half of its spread."""
    family = next(f for f in FAMILIES if f.name == "diffusion")
    assert family.centre is not None
    away = (np.log(exponents(model)) - family.centre) / family.spread
    assert np.abs(away).max() < 1.5


@pytest.mark.parametrize("m", [0.2, 0.4, 0.6])
@pytest.mark.parametrize("n", [1.0, 1.1, 1.3])
def test_autocatalysis_is_held_by_the_family_of_nucleation(m: float, n: float) -> None:
    """f = alpha**m (1 - alpha)**n of Sestak and Berggren, Thermochim. Acta 3 (1971) 1.

    Within 0.015 of its conversion by a law within one and a half of the family's spread; how large
    the exponents are is from memory.
    """
    alpha = np.linspace(1e-6, 0.98, 100_001)
    slow = alpha**-m * (1.0 - alpha) ** -n
    g = np.append(0.0, np.cumsum(0.5 * (slow[1:] + slow[:-1]) * np.diff(alpha)))
    g += alpha[0] ** (1.0 - m) / (1.0 - m)
    at = np.linspace(0.02, 0.98, 49)
    scaled = np.interp(at, alpha, g) / np.interp(0.5, alpha, g)
    family = next(f for f in FAMILIES if f.name == "nucleation")
    z1, z2 = (z.ravel() for z in np.meshgrid(*[np.linspace(-1.5, 1.5, 16)] * 2))
    shape = shapes_of([(family, slice(0, z1.size))], (1.0, 1.0), z1, z2)
    got = conversion(scaled[:, None] * integral_at(0.5, shape), shape)
    assert np.abs(got - at[:, None]).max(axis=0).min() < 0.015


@pytest.mark.parametrize("planned", ["F1", "A2", "R3", "F0.5"])
def test_of_two_populations_each_goes_by_first_order(planned: str) -> None:
    """Parallel first-order reactions: V. Vand, Proc. Phys. Soc. 55 (1943) 222, from memory.

    Whatever the plan takes the step for: with nucleation in both, a quick and a slow one that die
    away were fitted worse than by an order of nearly three, whose end is days off.
    """
    family = next(f for f in FAMILIES if f.mixed and not f.cooled)
    z, g = np.array([-1.0, 0.0, 1.0]), np.array([0.1, 0.5, 1.0, 2.0, 5.0, 20.0])[:, None]
    shape = shapes_of([(family, slice(0, z.size))], exponents(planned), z, z)
    expected = 1.0 - (1.0 - shape.w) * np.exp(-g) - shape.w * np.exp(-shape.r * g)
    assert conversion(np.repeat(g, 3, axis=1), shape) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("cooling", [0.05, 0.5, 1.0, 2.0, 4.0])
def test_what_cools_itself_goes_as_slowly_as_it_is_cold(cooling: float) -> None:
    """Against its own equation, d alpha / dg = exp(-b rate) (1 - alpha), in small steps.

    b exp(-cooling) = cooling, so that it begins exp(-cooling) times as fast as at the wall.
    """
    b, left, g, dg = cooling * math.exp(cooling), 1.0, 0.0, 2e-3
    at, expected, rate = [], [], math.exp(-cooling)
    while g < 8.0:
        for _ in range(3):  # Newton, from the rate of the step before
            off = math.log(rate) + b * rate - math.log(left)
            rate *= math.exp(-off / (1.0 + b * rate))
        left -= dg * rate
        g += dg
        at.append(g)
        expected.append(1.0 - left)
    got = self_cooled(np.array([cooling]))(np.array(at)[:, None])[:, 0]
    assert got == pytest.approx(np.array(expected), abs=1e-3)
    assert got[24] / at[24] == pytest.approx(math.exp(-cooling), rel=0.05)


def test_of_a_charge_fed_with_heat_the_outer_part_goes_by_first_order() -> None:
    """The inner one by the same, cooled by what it takes up."""
    family = next(f for f in FAMILIES if f.cooled)
    z, g = np.array([-1.0, 0.0, 1.0]), np.array([0.1, 0.5, 1.0, 2.0, 5.0])[:, None]
    shape = shapes_of([(family, slice(0, z.size))], exponents("A2"), z, z)
    inner = self_cooled(shape.cooled)(np.repeat(g, 3, axis=1))
    assert np.all(inner < -np.expm1(-g))
    expected = (1.0 - shape.w) * -np.expm1(-g) + shape.w * inner
    assert conversion(np.repeat(g, 3, axis=1), shape) == pytest.approx(expected, abs=1e-4)


def test_second_order_is_met_by_its_own_name() -> None:
    """F2 of Vyazovkin et al. 2011, Table 1, whatever the plan names; within a spread or two of it.

    One law and no kind of laws: where nothing tells them apart it is no likelier than stated, and
    it is not asked for where only what receivers caught tells.
    """
    family = next(f for f in FAMILIES if f.name == "second order")
    z = np.array([-2.0, 0.0, 2.0])
    shape = shapes_of([(family, slice(0, 3))], exponents("A2"), z, z)
    g = np.geomspace(0.01, 1000.0, 50)
    got, second = conversion(g[:, None].repeat(3, axis=1), shape), g / (1.0 + g)
    assert got[:, 1] == pytest.approx(second, abs=1e-4)
    assert np.abs(got - second[:, None]).max() < 0.05
    by_weight, evenly = _priors(FAMILIES), _priors(FAMILIES, evenly=True)
    own = FAMILIES.index(family)
    assert by_weight[own] == pytest.approx(family.weight / sum(f.weight for f in FAMILIES))
    assert evenly[own] < by_weight[own]


@pytest.mark.parametrize(("model", "dimensions"), [("R2", 2), ("R3", 3)])
def test_contracting_grains_are_met_by_their_own_name(model: str, dimensions: int) -> None:
    """R2 and R3 of Vyazovkin et al. 2011, Table 1: alpha = 1 - (1 - k t)**dimensions, from memory.

    Each lies within a spread and a half of the family, and it holds both within 0.002.
    """
    family = next(f for f in FAMILIES if f.name == "contracting")
    z = np.linspace(-1.5, 1.5, 31)
    shape = shapes_of([(family, slice(0, z.size))], exponents("F1"), np.zeros(z.size), z)
    t = np.linspace(0.02, 0.98, 49)
    alpha = 1.0 - (1.0 - t) ** dimensions
    g = integral_at(0.5, shape) * t[:, None] / np.interp(0.5, alpha, t)
    apart = np.abs(conversion(g, shape) - alpha[:, None]).max(axis=0)
    assert apart.min() < 0.002
    assert exponents(model) == pytest.approx((1.0, 1.0 - 1.0 / dimensions))


def test_where_only_receivers_tell_no_law_is_asked_for_by_its_name() -> None:
    """What hangs on their walls has a tail of its own."""
    caught = _priors(FAMILIES, caught=True)
    assert [f.name for f, p in zip(FAMILIES, caught, strict=True) if p == 0.0] == [
        "second order", "contracting",
    ]  # fmt: skip


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.name)
@pytest.mark.parametrize("alpha", [0.05, 0.5, 0.95, 0.99])
def test_integral_and_conversion_undo_each_other(family: Family, alpha: float) -> None:
    """Mixtures of two populations included."""
    z = np.linspace(-2.0, 2.0, 5)
    shape = shapes_of([(family, slice(0, z.size))], (1.0, 1.0), z, z[::-1].copy())

    assert conversion(integral_at(alpha, shape)[None], shape)[0] == pytest.approx(alpha, abs=2e-4)


@pytest.mark.parametrize("begun", [0.1, 0.8, 0.95])
@pytest.mark.parametrize("bend", [-0.3, 0.0, 0.3])
def test_a_tail_of_another_order_takes_another_time(begun: float, bend: float) -> None:
    """From half on dx/dt = -x**(1 + bend), x of one there; before it is first order."""
    edges = np.geomspace(0.01, 100.0, 4000) - 0.01
    extent = 1.0 - (1.0 - begun) * np.exp(-edges)[:, None]
    got = _bent(edges, extent, _ONE, 0.99 * _ONE, bend * np.ones((1, 1)))[0]
    from_left = min(0.5, 1.0 - begun)
    x = 0.01 / from_left
    rest = -math.log(x) if bend == 0.0 else (x**-bend - 1.0) / bend
    assert got[0] == pytest.approx(math.log((1.0 - begun) / from_left) + rest, rel=0.01)


def test_what_has_long_been_over_is_over_without_a_warning() -> None:
    """However steep its law, and however much time it had."""
    none = np.zeros(3)
    a, n, one = np.array([4.0, 1.0, 0.5]), np.array([3.0, 1.0, 0.5]), np.ones(3)
    shape = Shape(a, n, none, one, none, one < 0.0)
    with np.errstate(all="raise"):
        gone = conversion(np.full((1, 3), 1e300), shape)
    assert gone[0].tolist() == [1.0, 1.0, 1.0]


def test_only_the_plans_own_model_is_taken_at_its_word() -> None:
    """Held back or not; a shape that was fitted to the course so far is extrapolated."""
    for law, expected in (("as planned", {"as planned", "held back"}), ("order", {"as planned"})):
        families = families_by(law, exponents("R2"))
        fitted = _fitted(families, [1] * len(families))
        at_its_word = {f.name for f, own in zip(families, fitted, strict=True) if not own}
        assert at_its_word == expected


@pytest.mark.parametrize("law", [*FAMILIES, *GRAINS], ids=lambda family: family.name)
def test_the_rival_may_go_by_any_law(law: Family) -> None:
    """It is as rare beside its law as it is beside the plan's."""
    families = families_by(law.name, exponents("R3"))
    rival = next(f for f in families if f.held)
    assert [f for f in families if not f.held] == [f for f in (*FAMILIES, *GRAINS) if not f.held]
    for name in ("centre", "spread", "mixed", "cooled", "by_plan", "halved"):
        assert getattr(rival, name) == getattr(law, name)
    assert rival.weight / law.weight == pytest.approx(RIVAL.weight / PLANNED.weight)
    assert families_by(PLANNED.name, exponents("R3")) == (*FAMILIES, *GRAINS)


def test_a_law_that_an_amended_plan_no_longer_asks_for() -> None:
    """Of first order, grains of two sizes are two populations, and stand in the table already."""
    assert families_by(PLANNED.name, exponents("F1")) == FAMILIES
    assert families_by(GRAINS[0].name, exponents("F1")) == FAMILIES


@pytest.mark.parametrize(("planned", "dimensions"), [("R2", 2), ("R3", 3)])
@pytest.mark.parametrize("family", GRAINS, ids=lambda family: family.name)
def test_grains_of_several_sizes_go_by_the_plans_law(
    family: Family, planned: str, dimensions: int
) -> None:
    """Contracting disks and balls, alpha = 1 - (1 - t / radius)**d: Vyazovkin 2011, Table 1."""
    z, t = np.array([-1.0, 0.0, 1.0]), np.linspace(0.05, 3.0, 20)[:, None]
    shape = shapes_of([(family, slice(0, z.size))], exponents(planned), z, z)
    of = [1.0 - np.maximum(1.0 - t * r, 0.0) ** dimensions for r in (1.0, shape.r, 1.0 / shape.r)]
    second = 0.5 * (of[1] + of[2]) if family.halved else of[1]
    expected = (1.0 - shape.w) * of[0] + shape.w * second
    g = np.repeat(dimensions * t, 3, axis=1)
    assert conversion(g, shape) == pytest.approx(expected, abs=1e-6)
    for alpha in (0.01, 0.5, 0.9, 0.99):
        at = integral_at(alpha, shape)
        assert conversion(at[None], shape)[0] == pytest.approx(np.full(3, alpha), abs=1e-3)
        assert np.all(begins_at(alpha, shape) <= at * (1.0 + 1e-9))


def test_a_tail_that_never_ends_stays_so_and_one_that_has_ended_takes_no_time() -> None:
    """Whatever its order."""
    edges = np.array([0.0, 10.0, 20.0])
    extent = np.array([[0.7, 0.995], [0.75, 0.996], [0.78, 0.997]])
    got = _bent(edges, extent, np.ones(2), np.full(2, 0.99), np.array([[-0.3, 0.3], [0.0, -0.3]]))
    assert got.tolist() == [[math.inf, 0.0]] * 2


@pytest.mark.parametrize("rate_K_per_min", [1.0, 3.0, 8.0])
def test_course_agrees_with_the_chemistry(rate_K_per_min: float) -> None:
    """Two integrations written apart; cells here are up to 8 min wide, bins there 5 s."""
    setup = setup_of(plan_at(BUNDLED))
    layout = layout_of(setup.network, setup.plan.done)
    grid = build_grid(0.0, 4 * 3600.0)
    assert grid is not None
    middle = 0.5 * (grid.fine_s[1:] + grid.fine_s[:-1])
    temp_C = np.minimum(20.0 + rate_K_per_min / 60.0 * middle, 210.0)
    kin = kinetics(layout, np.zeros((1, layout.unknowns)), [(FAMILIES[0], slice(0, 1))])
    k_dt = rate_integrals(kin, temp_C, np.zeros_like(temp_C), np.diff(grid.fine_s), grid.first)
    course = run_course(layout, k_dt, kin.shapes)

    edges = np.arange(0.0, grid.edges_s[-1] + 1.0, 5.0)
    temp = np.minimum(20.0 + rate_K_per_min / 60.0 * (edges[1:] - 2.5), 210.0)
    steps = setup.network.steps
    e = np.array([[s.e_kJ_mol for s in steps]])
    ln_a = np.array([[float(ln_a_per_s(s.e_kJ_mol, s.half_C, s.model)) for s in steps]])
    exact = integrate(setup.network, edges, temp, ln_a, e)
    at = np.searchsorted(edges, grid.edges_s)

    assert course.alpha[:, 0] == pytest.approx(exact[at, 0], abs=0.02)
    # What hardly goes at all goes as little as it should.
    assert course.alpha[-1, 0, 2] == pytest.approx(exact[at[-1], 0, 2], rel=0.03)


@pytest.mark.parametrize("k_per_s", [1e-8, 1e-6, 1e-3, 0.1])
def test_a_first_order_step_follows_its_supply(k_per_s: float) -> None:
    """d alpha/dt = k (t/T - alpha) has the solution t/T - (1 - exp(-k t)) / (k T), by hand.

    Before it has begun, at 1e-5, nothing holds a step back.
    """
    cells, width_s = 40, 60.0
    t_s = np.arange(cells + 1) * width_s
    supplied = (t_s / t_s[-1])[:, None]
    g = (k_per_s * t_s)[:, None]
    one = np.ones(1)
    shape = Shape(one, one, np.zeros(1), one, np.zeros(1), one < 0.0, plain=True)
    _limit(g, np.full((cells, 1), k_per_s * width_s), supplied, shape, converter(shape))
    exact = (t_s + np.expm1(-k_per_s * t_s) / k_per_s) / t_s[-1]
    assert -np.expm1(-g[:, 0]) == pytest.approx(exact, rel=1e-6, abs=1e-5)


@given(
    st.lists(st.floats(-5.0, 5.0), min_size=8, max_size=8),
    st.floats(0.1, 3.0),
    st.floats(0.01, 1.0),
)
@settings(max_examples=30, deadline=None)
def test_marginal_likelihood_is_that_of_the_whole_gaussian(
    levels: list[float], walk: float, white: float
) -> None:
    """Differences, whitening and the small system together equal one dense normal density."""
    cells = 8
    alpha = np.linspace(0.0, 1.0, cells + 1)[:, None, None] ** np.array([[[1.0], [2.0], [3.0]]])
    columns = np.arange(cells, dtype=np.float64)[:, None] / cells
    level = np.array(levels)
    signal = Signal(
        "x", "pot_mass", level, np.ones(cells, dtype=bool), np.ones(cells),
        np.full(cells, white), np.full(cells, walk), columns, np.array([-1.0]),
        np.array([0.5]), 1, 1.0,
    )  # fmt: skip
    heard = hear(signal, cells + 1)
    assert heard is not None
    told = agreement(heard, alpha).log_likelihood

    difference = np.diff(np.eye(cells), axis=0)
    made = np.abs(difference @ level)
    smooth = np.median(
        np.lib.stride_tricks.sliding_window_view(np.pad(made, 2, mode="reflect"), 5), axis=1
    )
    noise = difference @ (white * np.eye(cells)) @ difference.T
    noise += np.diag(walk + (usual_noise("pot_mass").misfit * smooth) ** 2)
    dense = []
    for s in range(3):
        course = difference @ alpha[1:, s]
        drift = difference @ columns
        covariance = noise + 0.25 * course @ course.T + drift @ drift.T
        rest = difference @ level - course @ np.array([-1.0])
        _sign, log_det = np.linalg.slogdet(covariance)
        dense.append(-0.5 * (rest @ np.linalg.solve(covariance, rest) + log_det))

    assert np.diff(told) == pytest.approx(np.diff(dense), rel=1e-6, abs=1e-6)


def _bench_of_differences(misfit: float, walk: float, seed: int) -> tuple[Differences, np.ndarray]:
    """120 minutes of a step that dies away, strayed from by known amounts."""
    rows, usual = 120, 3e-5
    random = np.random.default_rng(seed)
    made = np.linspace(2.0, 0.0, rows) / rows
    course = np.append(0.0, np.cumsum(made))
    plain = np.diff(np.eye(rows + 1), axis=0)
    y = made + random.normal(0.0, misfit * made) + random.normal(0.0, walk * usual, rows)
    seen = Differences(
        y, plain, np.arange(rows)[:, None] * 1e-6, np.full(rows, usual**2), made**2,
        np.full(rows, 1e-12), np.zeros(rows - 1),
    )  # fmt: skip
    return seen, course


@pytest.mark.parametrize(
    ("misfit", "walk", "found"),
    [(0.005, 1.0, (0.0, 0.01)), (0.04, 1.0, (0.03, 0.05)), (0.15, 1.0, (0.12, 0.17))],
)
def test_how_wrong_the_kinetics_are_is_read_from_the_residuals(
    misfit: float, walk: float, found: tuple[float, float]
) -> None:
    """A model that is true shows in residuals that are small; one that is not, in large ones."""
    seen, course = _bench_of_differences(misfit, walk, 7)

    assert found[0] <= likely_noise(seen, seen.plain @ course)[0][0] <= found[1]


def test_one_jump_is_no_misfit() -> None:
    """A hose pulls once by a tenth of the whole: what was learned stays about what it was."""
    seen, course = _bench_of_differences(0.01, 1.0, 3)
    seen.y[60] += 0.1

    assert likely_noise(seen, seen.plain @ course)[0][0] < 0.02


@given(st.lists(st.floats(-1e6, 1e6), min_size=3, max_size=30))
def test_median_of_five_is_that_of_sorting(values: list[float]) -> None:
    """For any values, alone and as columns; mirrored at both ends."""
    padded = np.pad(np.array(values), 2, mode="reflect")
    expected = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)

    assert median_of_five(np.array(values)).tolist() == expected.tolist()
    both = np.stack([values, values[::-1]], axis=1)
    assert median_of_five(both)[:, 1].tolist() == expected[::-1].tolist()


@given(st.lists(st.floats(0.0, 1e6), min_size=2, max_size=40))
def test_quantiles_lie_among_the_draws_in_order(values: list[float]) -> None:
    """For any cloud."""
    found = band(np.array(values), np.ones(len(values)))

    assert min(values) <= found.p05 <= found.p50 <= found.p95 <= max(values)


def test_times_without_an_end_come_out_as_none() -> None:
    """Once a quantile reaches the draws that never end, or lies beyond a week."""
    never = np.array([10.0, 20.0, np.inf, np.inf])
    found = remaining_band(never, np.ones(4))

    assert (found.p05, found.p95) == (10.0, None)
    assert remaining_band(np.full(3, 8 * 86400.0), np.ones(3)).p50 is None
    assert np.isinf(weighted_quantiles(np.full(3, np.inf), np.ones(3))).all()


@pytest.mark.parametrize("hours", [0.1, 1.0, 5.0, 24.0, 90.0])
def test_cells_cover_the_run_without_gap(hours: float) -> None:
    """However long the run, cells meet, end at now, and stay a few hundred."""
    grid = build_grid(30.0, 30.0 + 3600.0 * hours)
    assert grid is not None

    assert (np.diff(grid.edges_s) > 0.0).all()
    assert (grid.edges_s[0], grid.edges_s[-1]) == (0.0, 60.0 * ((30.0 + 3600.0 * hours) // 60.0))
    assert np.isin(grid.edges_s, grid.fine_s).all()
    assert grid.cells < 500


@pytest.mark.parametrize(
    ("role", "share", "sees"),
    [
        ("receiver_mass", 0.3, True),
        ("receiver_mass", 0.02, False),  # it keeps a thirtieth of what the last step gives
        ("pot_mass", -0.7, True),
        ("bubble_count", 0.02, False),
        ("bubble_count", 0.05, True),  # the receivers take up nearly all of it
        ("outlet_flow", 0.5, True),
    ],
)
def test_a_channel_that_sees_next_to_nothing_of_the_last_step_is_no_evidence(
    role: str, share: float, sees: bool
) -> None:
    """By mass the last step is seven tenths of all, by gas all."""
    layout = SimpleNamespace(
        loss_g=np.array([3.0, 7.0]), gas_mol=np.array([0.0, 1.0]), volumes=True, done=1
    )
    one = SimpleNamespace(signal=SimpleNamespace(role=role))
    assert _sees_done(SimpleNamespace(layout=layout), one, np.array([0.3, share])) is sees


@pytest.mark.parametrize(
    ("roles", "rooms"),
    [
        (["pot_mass"], [1.0]),
        (["bubble_count"], [1.0]),
        (["bubble_count", "receiver_mass"], [2.0, 2.0]),
        (["pot_mass", "bubble_count", "receiver_mass"], [1.0, 6.0, 6.0]),
    ],
)
def test_a_balance_under_the_pot_is_not_blurred_by_what_stands_beside_it(
    roles: list[str], rooms: list[float]
) -> None:
    """Others share the room for what the kinetics get wrong; beside a balance they weigh less."""
    nothing = np.zeros(1)
    signals = [
        Signal(
            role, role, nothing, nothing > 0, nothing, nothing, nothing, nothing[:, None],
            nothing, nothing, 0, 1.0,
        )
        for role in roles
    ]  # fmt: skip
    assert [_room(one, signals) for one in signals] == rooms


def test_about_a_sharp_moment_cells_stay_narrow_however_old() -> None:
    """A rate that drops within a minute must not look like the bend of a curve five hours later."""
    plain, sharp = build_grid(0.0, 36_000.0), build_grid(0.0, 36_000.0, (9_030.0,))
    assert plain is not None
    assert sharp is not None
    near = sharp.edges_s[np.abs(sharp.edges_s - 9_000.0) <= 300.0]
    assert np.diff(near).max() <= 120.0
    assert np.diff(plain.edges_s[np.abs(plain.edges_s - 9_000.0) <= 600.0]).max() >= 480.0
    assert set(plain.edges_s) <= set(sharp.edges_s)
    assert set(sharp.edges_s) <= set(sharp.fine_s)
    assert sharp.cells <= plain.cells + 7


def test_what_stands_between_two_digits_of_a_balance_is_one_reading() -> None:
    """Ten minutes on one digit of 1 g say no more than one; so does the minute of the change.

    Where the digit of now begins is known, where it ends is not.
    """
    store = BinStore()
    for second in range(0, 1320, 10):
        value = 100.0 if second < 630 else 99.0
        store.add("scale", "pot_mass", float(second), value, Quality.GOOD)
    store.close_until(1320.0)
    edges = np.arange(0.0, 1321.0, 60.0)
    grid = Grid(edges, edges, np.arange(edges.size - 1))
    channel = store.channel("scale")
    cells = in_cells(grid, channel, np.ones(len(channel), dtype=bool))
    assert cells is not None
    variance = 12.0 * _between_digits(channel, cells)  # of an even spread over a digit: 1/12
    assert variance == pytest.approx([10.0] * 10 + [1.0] + [33.0] * 11)


def test_a_balance_that_noise_turns_over_hides_nothing_between_its_digits() -> None:
    """Its scatter says what it knows."""
    store = BinStore()
    for second in range(0, 600, 10):
        store.add("scale", "pot_mass", float(second), 100.0 - second // 10 % 2, Quality.GOOD)
    store.close_until(600.0)
    edges = np.arange(0.0, 601.0, 60.0)
    channel = store.channel("scale")
    cells = in_cells(
        Grid(edges, edges, np.arange(edges.size - 1)), channel, np.ones(len(channel), dtype=bool)
    )
    assert cells is not None
    assert not _between_digits(channel, cells).any()


def test_an_earlier_step_leaves_its_tail_as_uncertain_as_its_body() -> None:
    """Two steps on a balance: while the first dies away, what it brought before makes the room."""
    cells = 16
    level = -np.minimum(0.1 * np.arange(cells), 0.8)
    signal = Signal(
        "mass", "pot_mass", level, np.ones(cells, dtype=bool), np.ones(cells),
        np.full(cells, 1e-12), np.full(cells, 1e-12), np.zeros((cells, 1)), -np.ones(2),
        np.full(2, 0.1), 1, 1.0,
    )  # fmt: skip
    heard = hear(signal, cells + 1, by_done=np.zeros(cells))
    assert heard is not None
    misfit = np.sqrt(heard.misfit)
    usual = usual_noise("pot_mass").misfit
    stands = np.flatnonzero(np.abs(heard.seen.y) < 1e-9)
    assert misfit[stands[0]] == pytest.approx(usual * 0.1)
    assert misfit[stands[-1]] < 0.01 * usual
    done = hear(signal, cells + 1, by_done=np.ones(cells))
    assert done is not None
    assert done.misfit[stands[-1]] < 1e-9


@pytest.mark.parametrize(("role", "given"), [("pot_mass", [False, False, True]),
                                             ("bubble_count", [False, True, True])])  # fmt: skip
def test_what_a_balance_has_seen_end_is_held_back_no_more(role: str, given: list[bool]) -> None:
    """Draws: one that goes on, one held back that is over, one held back at half of the step."""
    past = SimpleNamespace(
        heard=[SimpleNamespace(signal=SimpleNamespace(role=role))],
        layout=SimpleNamespace(done_group=(0,), fraction=0.99, amount_told=True),
    )
    alpha = np.array([[[0.5], [0.995], [0.5]]])
    cloud = SimpleNamespace(pace=np.array([1.0, 0.1, 0.1]), course=SimpleNamespace(alpha=alpha))
    assert held_yet(past, cloud).tolist() == given  # type: ignore[arg-type]


def test_where_nothing_is_measured_shapes_count_more_evenly() -> None:
    """Trust in the plan's model rests on what would contradict it soon."""
    usual, evenly = _priors(FAMILIES), _priors(FAMILIES, evenly=True)
    assert usual.sum() == pytest.approx(1.0)
    assert evenly.sum() == pytest.approx(1.0)
    assert evenly[0] == evenly.max()
    assert evenly[0] < 0.7 * usual[0]


def test_only_a_family_that_gained_much_takes_another_step(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The second step begins where the first has led, and its curvature counts."""
    asked = []

    def step(
        _past: object, centres: np.ndarray, families: list[Family]
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        asked.append([f.name for f in families])
        gained = np.array([10.0 if f is FAMILIES[1] else 0.5 for f in families])
        hessian = np.tile(np.eye(2) / len(asked) ** 2, (len(families), 1, 1))
        return centres + 1.0, hessian, gained

    monkeypatch.setattr(climb, "_one_step", step)
    reached, roots = climb.improve(None, np.zeros((3, 2)), FAMILIES[:3])  # type: ignore[arg-type]
    assert asked == [[f.name for f in FAMILIES[:3]], [FAMILIES[1].name]]
    assert reached[:, 0].tolist() == [1.0, 2.0, 1.0]
    assert roots[:, 0, 0].tolist() == [1.0, 2.0, 1.0]
