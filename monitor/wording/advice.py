"""What each alarm means in plain words, the usual first step, and what not to do.

The steps are common practice without a source, short enough for one row of a terminal, and worded
so that they never replace the person's own stop plan. Whatever asks for less heat also says that
the air path comes first: cutting the heat while a tube dips into liquid can itself pull the liquid
back.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["ADVICE", "MEDICAL", "Advice", "advice_for", "what_to_do"]

MEDICAL = "Medical advice even if well."
"""Belongs to every alarm after which somebody may have breathed nitrogen dioxide."""


@dataclass(frozen=True, slots=True)
class Advice:
    """Words for one alarm."""

    means: str
    """The hazard in plain words, without its value."""
    step: str = ""
    """Usual first step; shown only where the person's own plan has no line for this alarm."""
    do_not: str = ""
    """The one thing not to do; completes 'Do not ...'."""
    breathed: bool = False
    """Somebody may have breathed the gas: `MEDICAL` is always added."""


ADVICE: Mapping[str, Advice] = {
    "outlet-blocked": Advice(
        "the outlet may be blocked",
        "keep clear; let relief path work, heat off",
        "touch a joint",
    ),
    "gas-in-room": Advice(
        "nitrogen dioxide in the room",
        "leave, raise alarm",
        "go back in",
        breathed=True,
    ),
    "hood-airflow-lost": Advice(
        "the hood draws no air",
        "leave the area",
        "stand by it",
        breathed=True,
    ),
    "heater-stuck": Advice(
        "the heater may be stuck on",
        "off at the wall; air path if in reach",
        "trust its controller",
    ),
    "over-temperature": Advice(
        "hotter than your limit",
        "heat off from afar; air path if in reach",
        "throw water",
    ),
    "probe-slipped": Advice(
        "the pot probe may have slipped",
        "air path first, then heat low",
        "raise the set point",
    ),
    "suck-back": Advice(
        "liquid may be pulled back",
        "planned air path, stand back",
        "cut heat with a tip in liquid",
    ),
    "flask-broken": Advice(
        "the flask may be broken",
        "power off, leave",
        "lift it",
        breathed=True,
    ),
    "power-lost": Advice(
        "mains power may be lost",
        "hood off: leave; heater switched off; air path",
        "wait there",
    ),
    "coolant-above-line": Advice(
        "coolant too warm for the gas",
        "restore it; air path, then less heat",
        "cut heat dead",
    ),
    "coolant-warm": Advice(
        "the coolant is getting too warm",
        "restore it; air path, then less heat",
        "cut heat dead",
    ),
    "coolant-flow-lost": Advice(
        "the coolant may stand still",
        "restore gently; air path, then less heat",
        "shock hot glass",
    ),
    "ice-gone": Advice(
        "the ice may be used up",
        "renew the ice",
        "wait until the gas comes through",
    ),
    "coolant-freezing": Advice(
        "the condensate may freeze",
        "raise its set point by plan",
        "thaw with a flame",
    ),
    "bumping": Advice(
        "the pot is bumping",
        "sash down; air path, then less heat",
        "drop anything in",
    ),
    "foaming-over": Advice(
        "foam may be carried over",
        "air path, then less heat in steps",
        "add coolant instead",
    ),
    "receiver-boiling": Advice(
        "condensed gas boils off again",
        "keep it vented and cold by plan",
        "stopper or warm it",
    ),
    "near-dryness": Advice(
        "the pot is nearly dry",
        "air path, then less heat by plan",
        "add anything to it",
    ),
    "absorber-breakthrough": Advice(
        "the absorber may be spent",
        "air path, then less heat",
        "open",
        breathed=True,
    ),
    "leak-suspected": Advice(
        "a joint may leak",
        "look through the sash",
        "re-seat",
        breathed=True,
    ),
    "channel-silent": Advice(
        "an instrument says nothing",
        "look at the rig; check plug and cable",
        "trust its last value",
    ),
    "recorder-silent": Advice(
        "nothing is being recorded",
        "look at the rig itself",
        "trust this screen",
    ),
    "analysis-stopped": Advice(
        "readings are kept but not judged",
        "look at the rig itself",
        "wait for a warning from here",
    ),
    "disk-nearly-full": Advice(
        "little room is left for the journal",
        "make room on the disk",
        "delete the journal's files",
    ),
    "gas-after-complete": Advice(
        "gas comes again: not complete",
        "leave the train closed and cold",
        "open the train",
    ),
    "stalled": Advice(
        "it no longer goes on as it should",
        "look for the reason",
        "take it for done or jump the heat",
    ),
    "off-profile": Advice(
        "the pot is off its planned course",
        "compare controller and plan",
        "correct it by a large jump",
    ),
    "channel-frozen": Advice(
        "a channel repeats one value",
        "compare it with another instrument",
        "rely on it",
    ),
    "probe-open": Advice("a probe's lead may be broken", "check plug and lead", "rely on it"),
    "bad-values": Advice("an instrument sends what cannot be", "check it", "rely on it"),
    "unit-changed": Advice(
        "an instrument may have changed its unit", "look at its own display", "rely on it"
    ),
    "channels-disagree": Advice(
        "two channels contradict each other", "look at the rig itself", "pick the nicer one"
    ),
    "references-shifted": Advice(
        "all of one instrument's channels moved together", "check its supply", "rely on it"
    ),
    "counter-saturated": Advice(
        "the counter cannot count so fast", "take it as 'at least'", "read it as falling gas"
    ),
    "check-in-missed": Advice(
        "nobody at the bench has checked in", "call the named contact by plan", "assume all is well"
    ),
    "counter-reset": Advice("a counter began again"),
    "mass-step": Advice("a balance jumped"),
    "electrical-noise": Advice("electrical noise on several channels"),
    "host-slept": Advice("this computer slept"),
    "clock-stepped": Advice("the clock was set"),
    "heater-off": Advice("the heater seems off"),
    "crust-suspected": Advice("a crust may have formed"),
    "zero-tracking": Advice("a balance may hide a slow loss"),
}
"""Name of an alarm or finding -> its words."""


def advice_for(name: str) -> Advice:
    """Words for one alarm; a name that is not known speaks for itself."""
    return ADVICE.get(name) or Advice(name.replace("-", " "))


def what_to_do(name: str, own_plan: str = "") -> str:
    """The person's own line, the usual first step, medical advice, and one thing not to do.

    >>> what_to_do("gas-after-complete", "leave.")
    'Your plan: leave. Usual: leave the train closed and cold. Do NOT open the train.'
    """
    advice = advice_for(name)
    parts = (
        f"Your plan: {own_plan.rstrip('. ')}." if own_plan else "",
        f"Usual: {advice.step}." if advice.step else "",
        MEDICAL if advice.breathed else "",
        f"Do NOT {advice.do_not}." if advice.do_not else "",
    )
    return " ".join(part for part in parts if part)
