"""Foam: by a head as hot as the pot, else by a slug in the receiver while gas surges."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.analysis.channels import late_rate, slope_per_s
from monitor.analysis.conditions import Judged
from monitor.analysis.diagnosis.backflow import steady_rise
from monitor.analysis.diagnosis.rules import Rule, dead_band, remember_slowly
from monitor.analysis.diagnosis.silence import surged_s, watch_silence
from monitor.analysis.diagnosis.train import carries_over, charge_g
from monitor.analysis.view import View

__all__ = ["RULES"]

_POT, _HEAD, _CATCH = "pot_temperature", "head_temperature", "receiver_mass"

_STEAM_C = 104.0
"""Steam alone does not heat the head beyond this."""
_SLUG_S = 60.0
_SLUG = 0.015
"""Share of the charge that goes over within a minute: liquid, no vapour. Judgement."""
_BEYOND = 6.0
"""As many times the usual gain of the receiver."""
_HEATED_K_MIN = 1.5


def _runs(view: View) -> bool:
    return view.heating.began_s is not None and view.complete_s is None


def _foams(view: View) -> Iterator[Judged]:
    head, pot = view.live(_HEAD), view.live(_POT)
    if head is None or pot is None or head.value is None or pot.value is None:
        return
    before = head.at_or_before(view.now_s - 240.0)
    jumped = before is not None and head.value - before > 12.0
    close = head.value > _STEAM_C and head.value > pot.value - 8.0
    if dead_band(view, "foams", jumped and close, close):
        carries_over(view)
        why = f"head {head.value:.0f} degC, as hot as the pot ({pot.value:.0f} degC): carried over"
        yield Judged("foaming-over", why, head.name, on_delay_s=15.0)


def _carries_over(view: View) -> Iterator[Judged]:
    """The receiver gains a slug while gas surges; a boil that begins would hold the pot back."""
    catch = view.live(_CATCH)
    rate = late_rate(catch, view.now_s, _SLUG_S)
    watch_silence(view)
    if catch is None or rate is None:
        return
    gained, usual = rate * _SLUG_S, max(view.memory.get("catch-rate", rate), 0.0) * _SLUG_S
    much = max(_SLUG * charge_g(view), 12.0 * catch.noise())
    slug = gained > much and gained > _BEYOND * usual
    slug = slug and steady_rise(catch, view.now_s, 1.0, _SLUG_S)
    slug = slug and not _held_back(view) and not _is_heated(view)
    surges = view.now_s - surged_s(view) < 3.0 * _SLUG_S
    if dead_band(view, "carries-over", slug and surges, gained > 0.5 * much):
        carries_over(view)
        why = f"receiver heavier by {gained:.1f} g within a minute, while gas surges: foam carried"
        why += " over, or a surge of vapour"
        yield Judged("foaming-over", why, catch.name, on_delay_s=15.0)
    else:
        remember_slowly(view, "catch-rate", rate, 600.0)


def _held_back(view: View) -> bool:
    """The pot climbs far less than before: what boils takes up its heat."""
    pot = view.live(_POT)
    now = None if pot is None else slope_per_s(pot, view.now_s, 60.0)
    usual = None if pot is None else slope_per_s(pot, view.now_s, 300.0)
    return now is None or usual is None or (60.0 * usual > 0.5 and now < 0.5 * usual)


def _is_heated(view: View) -> bool:
    """Pot or mantle climb far faster than before: that drives more out by itself."""
    for role in (_POT, "mantle_temperature"):
        state = view.live(role)
        now = None if state is None else slope_per_s(state, view.now_s, 60.0)
        usual = None if state is None else slope_per_s(state, view.now_s, 400.0)
        if now is not None and usual is not None and 60.0 * (now - usual) > _HEATED_K_MIN:
            return True
    return False


def _no_head(view: View) -> bool:
    boils = view.boil_down is not None and view.boil_down.lasts
    return _runs(view) and view.live(_HEAD) is None and not boils


RULES = (
    Rule(
        ("foaming-over",), _foams, ((_HEAD, _POT),), matters=_runs, is_alternative=True
    ),
    Rule(
        ("foaming-over",), _carries_over,
        ((_POT, _CATCH, "bubble_count"), (_POT, _CATCH, "outlet_flow")), matters=_no_head,
        is_alternative=True,
    ),
)  # fmt: skip
