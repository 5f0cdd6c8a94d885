"""Figures of an account held against each other: what agrees, what differs, and what that means.

What is more than two standard uncertainties apart differs (JCGM 100:2008, coverage factor 2).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from monitor.plan.model import Plan
from monitor.report.content import Check
from monitor.report.expecting import Expected
from monitor.report.seen import BalanceSeen
from monitor.wording.figures import Figure, total

__all__ = ["Caught", "Measured", "caught_of", "checks_of"]

_SURE = 2.0
_AGREES, _DIFFERS = "agrees", "differs"

_TOO_MUCH = (
    "more than the charge can leave: look for a measuring error before believing in a good yield "
    "(not all reacted, residue moist or still warm on the pan, flask or tare, charge weighed in)"
)
_TOO_LITTLE = (
    "less than the charge should leave: spattered, carried over or left in the flask, more water "
    "in the charge than told, or a weighing"
)
_TWO_WEIGHINGS = "one of the two weighings, the charge, or a step on the balance is not as told"
_LOST_MORE = "more was lost than the steps give: more water or charge than told, or carried over"
_LOST_LESS = "less was lost than the steps give: less charge than told, or the balance"
_CAUGHT_MORE = (
    "the receivers gained more than the pot lost: oxygen or moisture of the air taken up, ice "
    "water outside, or a weighing"
)
_CAUGHT_LESS = (
    "the rest went past the receivers as gas, through a leak before them, or wets the train"
)
_ELSEWHERE = ", or is in a receiver that stands on no balance"
_HELD_LESS = (
    "less than stood on the balance: liquid lost on the way to the scale, a weight before the run "
    "that is not as told, or a step on the balance"
)
_HELD_MORE = (
    "more than the balance showed: ice water outside, a weight before the run that is not as told, "
    "or a step on the balance"
)


@dataclass(frozen=True, slots=True)
class Measured:
    """What was measured of one run, by the rig and by hand. Masses in g."""

    plan: Plan
    charge: Figure | None
    residue: Figure | None
    """Weighed by hand."""
    gained: Mapping[str, Figure]
    """Of each receiver that was weighed by hand."""
    acid_mol: Figure | None
    balances: tuple[BalanceSeen, ...] = ()

    def seen(self, role: str, *, sound: bool = False) -> list[BalanceSeen]:
        """Balances of a role; `sound`: those that nothing speaks against."""
        return [one for one in self.balances if one.role == role and not (sound and one.doubt)]


def checks_of(
    measured: Measured, full: Expected | None, gone: Expected | None, *, reacted: bool
) -> Iterator[Check]:
    """All that can be held against each other. `full`: all reacted; `gone`: as far as it went.

    `reacted`: by the last analysis the two are the same.
    """
    if gone is None or reacted:
        yield from _residue(measured, full, "all reacted")
    else:
        yield from _residue(measured, gone, "as far as the run went")
    if gone is not None:
        for one in measured.seen("pot_mass", sound=True):
            name = f"loss on balance {one.channel} against the analysis"
            lost = one.change.scaled(-1.0)
            yield _compared(name, lost, gone.loss, _LOST_MORE, _LOST_LESS)
    yield from _caught(measured, gone or full)
    yield from _receivers_twice(measured)
    yield from _found_as_acid(measured.acid_mol, gone or full)


def _residue(measured: Measured, expected: Expected | None, how: str) -> Iterator[Check]:
    residue, charge = measured.residue, measured.charge
    if residue is None:
        return
    if charge is not None and residue.value > charge.value:
        text = "the residue is heavier than the charge: weighed with the flask, or mistaken"
        yield Check("residue against the charge", text, _DIFFERS)
        return
    if expected is not None:
        name = f"residue against the plan, {how}"
        yield _compared(name, residue, expected.residue, _TOO_MUCH, _TOO_LITTLE)
    if charge is None:
        return
    for one in measured.seen("pot_mass", sound=True):
        left = charge.less(one.change.scaled(-1.0))
        name = f"residue weighed against balance {one.channel}"
        yield _compared(name, residue, left, _TWO_WEIGHINGS, _TWO_WEIGHINGS)


@dataclass(frozen=True, slots=True)
class Caught:
    """What the receivers gained of what the pot lost, each by hand where it was weighed."""

    share: Figure
    """[%]"""
    missing: Figure
    """Lost by the pot and gained by no receiver. [g]"""
    of: str
    """Of which receivers, or by which weighing, where that is not all of them by hand."""
    others: bool | None
    """Whether receivers are left that were not weighed; None: nobody tells what stood on the
    balance."""


def caught_of(measured: Measured) -> Caught | None:
    """None where not both were weighed."""
    lost, gained = _lost(measured), _gained(measured)
    if lost is None or gained is None or lost.value <= 0.0:
        return None
    caught, of, others = gained
    return Caught(caught.share_of(lost), lost.less(caught), of, others)


def _caught(measured: Measured, expected: Expected | None) -> Iterator[Check]:
    caught = caught_of(measured)
    if caught is None:
        return
    name, missing = "receivers against the pot", caught.missing
    text = f"{caught.share.text('%')} of what the pot lost was caught{caught.of}"
    if missing.value < -_SURE * missing.u:
        yield Check(name, f"{text}; {_CAUGHT_MORE}", _DIFFERS)
        return
    text = f"{text}; not found again: {missing.text('g')}"
    if expected is not None and not caught.others:
        over = missing.less(expected.passes_g)
        if over.value > _SURE * over.u:
            passes = f"water holds all but {expected.passes_g.text('g')} at best"
            where = _CAUGHT_LESS if caught.others is False else f"{_CAUGHT_LESS}{_ELSEWHERE}"
            yield Check(name, f"{text}; {passes}: {where}", _DIFFERS)
            return
    yield Check(name, text, _AGREES)


def _receivers_twice(measured: Measured) -> Iterator[Check]:
    """Receivers weighed by hand against their balances, where all of them were weighed.

    Which of several stand on one balance nobody tells: then only less than it shows contradicts it.
    """
    by_rig = measured.seen("receiver_mass", sound=True)
    names = {one.name for one in measured.plan.receivers}
    if not by_rig or not names or not names <= set(measured.gained):
        return
    held, shown = total(measured.gained.values()), total(one.change for one in by_rig)
    off = held.less(shown)
    if len(by_rig) == len(names) or off.value < -_SURE * off.u:
        of = ", ".join(one.channel for one in by_rig)
        name = f"receivers weighed against balance {of}"
        yield _compared(name, held, shown, _HELD_MORE, _HELD_LESS)


def _lost(measured: Measured) -> Figure | None:
    residue, charge = measured.residue, measured.charge
    if residue is not None and charge is not None and residue.value <= charge.value:
        return charge.less(residue)
    sound = measured.seen("pot_mass", sound=True)
    return sound[0].change.scaled(-1.0) if sound else None


def _gained(measured: Measured) -> tuple[Figure, str, bool | None] | None:
    """By hand where all receivers were weighed, else by the rig's balances; of which; `others`."""
    names = {one.name for one in measured.plan.receivers}
    by_rig = [one.change for one in measured.seen("receiver_mass", sound=True)]
    by_hand = list(measured.gained.values())
    if by_hand and names <= set(measured.gained):
        return total(by_hand), "", False
    if by_rig:
        return total(by_rig), ", by the balance", None if len(by_rig) < len(names) else False
    if by_hand:
        return total(by_hand), f", in {', '.join(measured.gained)} alone", True
    return None


def _found_as_acid(acid: Figure | None, expected: Expected | None) -> Iterator[Check]:
    if acid is None or expected is None or expected.nitrogen_mol.value <= 0.0:
        return
    given, most = expected.nitrogen_mol, expected.acid_mol
    name = "acid against the nitrogen given off"
    over, beyond = acid.less(given), acid.less(most)
    if over.value > _SURE * over.u:
        text = "more acid than the charge holds nitrogen: titre, volume or charge is not as told"
        yield Check(name, text, _DIFFERS)
    elif beyond.value > _SURE * beyond.u:
        text = "more than without oxygen from outside: the train drew air, or had it in it"
        yield Check(name, text, _AGREES)
    else:
        yield Check(name, f"{acid.share_of(given).text('%')} of it found as acid", _AGREES)


def _compared(name: str, found: Figure, expected: Figure, above: str, below: str) -> Check:
    """Whether two masses agree within twice their uncertainty, and what it means if not."""
    off, words = found.less(expected), f"{found.text('g')} for {expected.text('g')}"
    if abs(off.value) <= _SURE * off.u:
        return Check(name, words, _AGREES)
    return Check(name, f"{words}; {above if off.value > 0.0 else below}", _DIFFERS)
