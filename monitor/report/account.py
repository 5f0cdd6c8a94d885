"""Where the material went: what the plan's charge can leave, against what was weighed and caught.

Nothing here is measured: an account is a function of the plan, of what the rig showed and of what a
person measured afterwards. `expecting.py` says what the charge should leave, `checks.py` holds the
figures against each other.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from monitor.chemistry.formulas import molar_mass_g_mol
from monitor.chemistry.nitric_acid import percent_from_density
from monitor.plan.amounts import amounts_known
from monitor.plan.model import Plan
from monitor.report.checks import Measured, caught_of, checks_of
from monitor.report.content import Account, AccountRow
from monitor.report.expecting import Expected, Fractions, all_reacted, expected_of
from monitor.report.seen import BalanceSeen, OutletSeen
from monitor.wording.figures import Figure, total
from monitor.wording.measured import Result

__all__ = ["account_of"]

_UNTOLD = "The plan does not tell what the charge should leave: there is nothing to compare with."
_UNWEIGHED = (
    "The residue was not weighed, or nobody said what it weighed: a mark of the kind 'measured' "
    "says so, as in 'residue 18.02 g'."
)


def account_of(
    plan: Plan,
    fractions: Fractions,
    balances: Sequence[BalanceSeen] = (),
    outlets: Sequence[OutletSeen] = (),
    results: Sequence[Result] = (),
    given_L: Figure | None = None,
) -> Account:
    """The account of one run.

    `fractions` and `given_L`, gas without steam that has left the charge [L], are those of the last
    analysis. Of two `results` of the same thing the later one counts.
    """
    said = {(one.what, one.receiver): one for one in results}
    notes: list[str] = []
    told = bool(plan.steps) and amounts_known(plan)
    full = expected_of(plan, None) if told else None
    gone = expected_of(plan, fractions) if told and fractions else None
    gained = {name: one.figure for (what, name), one in said.items() if what == "gained"}
    residue = said[("residue", "")].figure if ("residue", "") in said else None
    acid = _acid(plan, said, _gains(plan, gained, balances), notes)
    measured = Measured(plan, _charge_g(plan), residue, gained, acid, tuple(balances))
    reacted = all_reacted(plan, fractions)
    reached = None if reacted else gone
    rows = [
        *_of_pot(measured, full, reached),
        *_of_receivers(measured),
        *_of_gas(given_L, outlets),
        *_of_nitrogen(gone or full, acid, _unmeasured(plan, said)),
    ]
    if not told:
        notes.append(_UNTOLD)
    elif residue is None:
        notes.append(_UNWEIGHED)
    checks = checks_of(measured, full, gone, reacted=reacted)
    return Account(tuple(rows), tuple(checks), tuple(notes))


def _charge_g(plan: Plan) -> Figure | None:
    """What was weighed in, with the water that wets it."""
    charge = plan.charge
    if charge is None or charge.mass_g is None:
        return None
    u = math.hypot(charge.mass_u_g, charge.free_water_u_g)
    return Figure(charge.mass_g + charge.free_water_g, u)


def _of_pot(
    measured: Measured, full: Expected | None, reached: Expected | None
) -> Iterator[AccountRow]:
    """`reached`: None where all has reacted."""
    group, charge, of = "pot", measured.charge, measured.plan.charge
    if charge is not None and of is not None:
        yield _row(group, "charge weighed in", charge, "g", f"plan: {of.formula or of.name}")
    if full is not None:
        how = f"plan; unsure mostly by {full.mostly}"
        yield _row(group, "residue, all reacted", full.residue, "g", how)
    if reached is not None:
        how = f"last analysis; unsure mostly by {reached.mostly}"
        yield _row(group, "residue, as far as the run went", reached.residue, "g", how)
    for one in measured.seen("pot_mass"):
        lost = one.change.scaled(-1.0)
        yield _row(group, "lost by the balance", lost, "g", _how(one))
        if charge is not None and not one.doubt:
            how = "charge less what was lost"
            yield _row(group, "residue by the balance", charge.less(lost), "g", how)
    if measured.residue is not None:
        yield _row(group, "residue, weighed", measured.residue, "g", "measured")
        if full is not None and full.residue.value > 2.0 * full.residue.u:
            share = measured.residue.share_of(full.residue)
            yield _row(group, "yield, weighed", share, "%", "of the residue, all reacted")


def _how(seen: BalanceSeen) -> str:
    """Whence a figure of the rig's own balance, with what was taken out of it."""
    steps = sum(abs(size_g) for _, size_g in seen.left_out)
    count = len(seen.left_out)
    out = f"; {count} step{'s'[: count > 1]}, {steps:.4g} g, left out" if count else ""
    return f"channel {seen.channel}{out}{_doubtful(seen.doubt)}"


def _doubtful(doubt: str) -> str:
    return f"; DOUBTFUL: {doubt}" if doubt else ""


def _of_receivers(measured: Measured) -> Iterator[AccountRow]:
    group = "receivers"
    for one in measured.seen("receiver_mass"):
        yield _row(group, "gained by the balance", one.change, "g", _how(one))
    for name, gained in measured.gained.items():
        of = f"receiver {name}" if name else "receiver"
        yield _row(group, f"{of} gained, weighed", gained, "g", "measured")
    if (caught := caught_of(measured)) is not None:
        how = f"of what the pot lost{caught.of}"
        yield _row(group, "caught, share", caught.share, "%", how)
        yield _row(group, "lost and not caught", caught.missing, "g", how)


def _of_gas(given_L: Figure | None, outlets: Sequence[OutletSeen]) -> Iterator[AccountRow]:
    """`given_L`: what has left the charge by the last analysis, steam left out. [L]"""
    group = "gas"
    if given_L is not None:
        yield _row(group, "given off, without steam", given_L, "L", "last analysis")
    for one in outlets:
        before = one.role == "inlet_bubble_count"
        what = "into the absorber" if before else "past the outlet"
        how = f"channel {one.channel}, {one.how}; the train's air is in it"
        yield _row(group, what, one.litres, "L", how + _doubtful(one.doubt))
        if given_L is not None and given_L.value > 0.0 and not one.doubt:
            share = one.litres.share_of(given_L)
            yield _row(group, f"{what}, share", share, "%", "of what was given off")


def _unmeasured(plan: Plan, said: Mapping[tuple[str, str], Result]) -> str:
    """Receivers in which nobody looked for acid, in words."""
    looked = {name for what, name in said if what in ("acid", "density")}
    names = [one.name for one in plan.receivers if one.name not in looked]
    return f"; not looked for in: {', '.join(names)}" if names else ""


def _of_nitrogen(
    expected: Expected | None, acid: Figure | None, unmeasured: str
) -> Iterator[AccountRow]:
    group = "nitrogen"
    if expected is None or expected.nitrogen_mol.value <= 0.0:
        return
    given = expected.nitrogen_mol
    yield _row(group, "given off by the charge", given, "mol", "plan, and how far the run went")
    if expected.acid_mol.value > 0.0:
        how = "all that water can hold without oxygen from outside"
        yield _row(group, "acid to expect at the most", expected.acid_mol, "mol", how)
    if acid is not None:
        yield _row(group, "found as acid", acid, "mol", f"measured{unmeasured}")
        yield _row(group, "found as acid, share", acid.share_of(given), "%", "of all given off")
        how = "went on as NO, stayed as dissolved oxides, or leaked: not told apart"
        yield _row(group, "not found as acid", given.less(acid), "mol", how + unmeasured)


def _gains(
    plan: Plan, gained: Mapping[str, Figure], balances: Sequence[BalanceSeen]
) -> Mapping[str, Figure]:
    """What each receiver gained [g]; with one receiver its balance may say so."""
    seen = [one for one in balances if one.role == "receiver_mass" and not one.doubt]
    if gained or len(seen) != 1 or len(plan.receivers) != 1:
        return gained
    return {plan.receivers[0].name: seen[0].change}


def _acid(
    plan: Plan,
    said: Mapping[tuple[str, str], Result],
    gained: Mapping[str, Figure],
    notes: list[str],
) -> Figure | None:
    """Acid in all receivers of which something was measured. [mol]"""
    found = {name: one.figure for (what, name), one in said.items() if what == "acid"}
    water_g = {one.name: one.water_g for one in plan.receivers}
    for (what, name), one in said.items():
        if what != "density" or name in found:
            continue
        if name not in gained or name not in water_g:
            notes.append(
                f"'{one.text}': how much acid that is needs what the receiver gained, and the "
                "water that the plan has in it."
            )
            continue
        try:
            found[name] = _by_density(one, gained[name], water_g[name])
        except ValueError as error:
            notes.append(f"'{one.text}': {error}")
    return total(found.values()) if found else None


def _by_density(result: Result, gained: Figure, water_g: float) -> Figure:
    """Moles of acid in a solution of known mass by its density. [mol]"""
    density = result.figure
    percent = percent_from_density(density.value, result.temp_C)
    # The slope towards water: there is always a row of the table below.
    below = percent_from_density(max(density.value - density.u, 0.0), result.temp_C)
    mass_g = water_g + gained.value
    if mass_g <= 0.0:
        raise ValueError("by the plan's water and what it gained the receiver holds nothing")
    moles = mass_g * percent / 100.0 / molar_mass_g_mol("HNO3")
    relative = math.hypot((percent - below) / percent if percent else 0.0, gained.u / mass_g)
    return Figure(moles, moles * relative)


def _row(group: str, what: str, figure: Figure, unit: str, how: str) -> AccountRow:
    return AccountRow(group, what, figure.value, figure.u, unit, how)
