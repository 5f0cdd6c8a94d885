"""The tables of plan.toml, each read into its value."""

from __future__ import annotations

from monitor.chemistry.formulas import FormulaError, parse_formula, water_of
from monitor.plan.fields import Fields
from monitor.plan.model import Charge, Done, Limits, ProfileSegment, ReceiverSpec, Site

__all__ = [
    "COLDEST_C",
    "HOTTEST_C",
    "SLOWEST_K_PER_MIN",
    "START_C",
    "read_charge",
    "read_done",
    "read_limits",
    "read_profile",
    "read_receivers",
    "read_site",
    "read_stop_plan",
]

START_C = 20.0
"""Where a profile begins: the room, as long as nobody has measured it. [degC]"""

_MASS_U_SHARE = 0.01
_MOIST_U = 0.05
"""Moles of water per mole that a salt without water of crystallization may hold, standard
deviation: what it takes up from the air. From memory."""
HOTTEST_C, COLDEST_C = 1600.0, -100.0
"""Between these a pot temperature is taken for one. [degC]"""
SLOWEST_K_PER_MIN = 1e-3
"""Slower than this nothing is heated on a bench, and time runs out of numbers. [K/min]"""
_LONGEST_MIN = 30 * 24 * 60.0
_NOT_NEGATIVE = (0.0, 1e9)
_OWN_LINE = "your own line for what to do then"


def read_site(fields: Fields | None) -> Site:
    """[site]: an altitude or a pressure."""
    if fields is None:
        return Site()
    altitude = fields.number("altitude_m", "metres above sea level, -450 to 9000", (-450.0, 9000.0))
    pressure = fields.number(
        "pressure_kPa", "the air's pressure in kPa, 30 to 110 (1013 mbar is 101.3)", (30.0, 110.0)
    )
    if "altitude_m" in fields and "pressure_kPa" in fields:
        fields.problem("pressure_kPa", "a pressure beside an altitude", "one of the two alone")
    fields.finish()
    return Site(altitude, pressure)


def read_charge(fields: Fields | None) -> Charge | None:
    """[charge]: what is in the pot, and how much of it."""
    if fields is None:
        return None
    formula = _formula(fields)
    name = fields.text("name", "what the charge is called")
    if ("formula" in fields) == ("name" in fields):
        found = "both" if "name" in fields else "neither"
        fields.problem("formula", f"{found} of formula and name", "one of the two")
    mass = fields.number("mass_g", "grams, above 0", (0.0, 1e6), open_ends=(True, False))
    amount = fields.number("amount_mol", "moles, above 0", (0.0, 1e5), open_ends=(True, False))
    if "mass_g" in fields and "amount_mol" in fields:
        fields.problem("amount_mol", "an amount beside a mass", "one of the two alone")
    if "amount_mol" in fields and "formula" not in fields:
        fields.problem("amount_mol", "moles of a charge without formula", "mass_g in its place")
    if fields.source.is_new:
        _check_uncertainties(fields)
    plain = Charge()
    usual_u = plain.mass_u_g if mass is None else min(plain.mass_u_g, _MASS_U_SHARE * mass)
    charge = Charge(
        formula=formula,
        name=name,
        mass_g=mass,
        mass_u_g=_uncertainty(fields, "mass_u_g", usual_u, "grams", mass),
        amount_mol=amount,
        amount_u_mol=_amount_u(fields, amount),
        water_mol_per_mol=_water(fields),
        purity=_or(
            fields.number(
                "purity",
                "a mass fraction above 0, at most 1 (98.5 % is 0.985)",
                (0.0, 1.0),
                open_ends=(True, False),
            ),
            plain.purity,
        ),
        purity_u=_or(
            fields.number("purity_u", "a mass fraction, 0 to 0.5", (0.0, 0.5)), plain.purity_u
        ),
        water_u=_uncertainty(
            fields, "water_u", _usual_water_u(formula, plain), "mol of water per mol", 50.0
        ),
        free_water_g=_or(
            fields.number("free_water_g", "grams, 0 or more", _NOT_NEGATIVE), plain.free_water_g
        ),
        free_water_u_g=_uncertainty(fields, "free_water_u_g", plain.free_water_u_g, "grams", None),
    )
    fields.finish()
    return charge


def _check_uncertainties(fields: Fields) -> None:
    """One of an amount that is not stated would count for nothing, and nobody would know."""
    if "amount_u_mol" in fields and "amount_mol" not in fields:
        cure = "mass_u_g, that of mass_g" if "mass_g" in fields else "amount_mol beside it"
        fields.problem("amount_u_mol", "an uncertainty without amount_mol, so of nothing", cure)
    if "mass_u_g" in fields and "amount_mol" in fields and "mass_g" not in fields:
        found = "an uncertainty of a mass beside amount_mol, so of nothing"
        fields.problem("mass_u_g", found, "amount_u_mol, that of amount_mol")


def _or(value: float | None, default: float) -> float:
    return default if value is None else value


def _usual_water_u(formula: str | None, plain: Charge) -> float:
    """A hydrate is rarely exactly its formula; a salt without such water is hardly off."""
    if formula is not None and not water_of(parse_formula(formula)):
        return min(_MOIST_U, plain.water_u)
    return plain.water_u


def _formula(fields: Fields) -> str | None:
    text = fields.text("formula", 'a formula such as "Mn(NO3)2·4H2O"')
    if text is None:
        return None
    try:
        parse_formula(text)
    except FormulaError as error:
        fields.problem("formula", str(error), "a formula such as Mn(NO3)2·4H2O")
        return None
    return text


def _uncertainty(fields: Fields, key: str, default: float, unit: str, below: float | None) -> float:
    """A standard uncertainty, 0 or more, and smaller than what it belongs to."""
    most = below if below is not None else 1e6
    says = f"a standard uncertainty in {unit}, 0 or more, below {most:.10g}"
    return _or(fields.number(key, says, (0.0, most), open_ends=(False, True)), default)


def _amount_u(fields: Fields, amount: float | None) -> float | None:
    value = fields.number(
        "amount_u_mol",
        "a standard uncertainty in mol, 0 or more, below the amount",
        (0.0, amount if amount is not None else 1e5),
        open_ends=(False, True),
    )
    return 0.01 * amount if value is None and amount is not None else value


def _water(fields: Fields) -> float | None:
    return fields.number("water_mol_per_mol", "mol of water per mol of salt, 0 to 50", (0.0, 50.0))


def read_profile(segments: list[Fields]) -> tuple[ProfileSegment, ...]:
    """[[profile]]: the segments, rates come out positive, the goal gives the direction."""
    read = []
    start_C = START_C
    for number, fields in enumerate(segments, start=1):
        segment = _segment(fields, number, start_C)
        fields.finish()
        if segment is not None:
            read.append(segment)
            start_C = segment.to_C
    return tuple(read)


def _segment(fields: Fields, number: int, start_C: float) -> ProfileSegment | None:
    label = fields.text("label", "a few words") or f"segment {number}"
    hold = fields.number("hold_min", "minutes, 0 to 43200", (0.0, _LONGEST_MIN))
    rate = fields.number("rate_K_per_min", "kelvins a minute, up to 500", (-500.0, 500.0))
    to_C = fields.number(
        "to_C", f"a pot temperature, {COLDEST_C:g} to {HOTTEST_C:g} degC",
        (COLDEST_C, HOTTEST_C),
    )  # fmt: skip
    if not fields.require("to_C", "the pot temperature to which this segment goes") or to_C is None:
        return None
    if to_C == start_C:
        _check_pure_hold(fields, to_C, hold)
        return ProfileSegment(label, to_C, abs(rate or 1.0), hold or 0.0)
    if not fields.require("rate_K_per_min", "how fast it goes there") or rate is None:
        return None
    _check_rate(fields, rate, start_C, to_C)
    return ProfileSegment(label, to_C, abs(rate) or 1.0, hold or 0.0)


def _check_pure_hold(fields: Fields, to_C: float, hold: float | None) -> None:
    if "hold_min" in fields and hold is None:
        return  # said already
    if not hold:
        found = f"it goes nowhere: the pot is at {to_C:g} degC already and no hold follows"
        fields.problem("to_C", found, "another to_C, or hold_min above 0")


def _check_rate(fields: Fields, rate: float, start_C: float, to_C: float) -> None:
    if rate == 0.0:
        found = f"rate 0, and yet it is to go from {start_C:g} to {to_C:g} degC"
        fields.problem("rate_K_per_min", found, "a rate above 0")
    elif abs(rate) < SLOWEST_K_PER_MIN and fields.source.is_new:
        found = f"found {rate:g}: from {start_C:g} to {to_C:g} degC that outlasts any run"
        fields.problem("rate_K_per_min", found, f"a rate of {SLOWEST_K_PER_MIN:g} K/min or more")
    elif rate < 0.0 and to_C > start_C:
        found = f"a falling rate, and yet it is to go up from {start_C:g} to {to_C:g} degC"
        fields.problem("rate_K_per_min", found, "a rate above 0, or a lower to_C")


def read_receivers(tables: list[Fields]) -> tuple[ReceiverSpec, ...]:
    """[[receiver]]: the vessels, in the order in which the gas meets them."""
    read: list[ReceiverSpec] = []
    for number, fields in enumerate(tables, start=1):
        name = fields.text("name", "what this vessel is called") or f"receiver {number}"
        if name in {one.name for one in read}:
            fields.problem("name", f"{name!r} a second time", "a name of its own for each receiver")
        read.append(
            ReceiverSpec(
                name,
                _or(fields.number("water_g", "grams of water, 0 or more", _NOT_NEGATIVE), 0.0),
                _or(fields.number("tip_depth_mm", "millimetres, 0 to 1000", (0.0, 1000.0)), 0.0),
                fields.flag("in_ice"),
                fields.number("capacity_mL", "mL, above 0", (0.0, 1e6), open_ends=(True, False)),
            )
        )
        fields.finish()
    return tuple(read)


def read_done(fields: Fields | None, steps: tuple[str, ...] | None) -> Done:
    """[done]: when the run counts as done. `steps`: names of those there are; None: not known."""
    plain = Done()
    if fields is None:
        return plain
    step = fields.text("step", "the name of a step")
    if step is not None and steps is not None and step not in steps:
        found = f"{step!r} is no step of this plan"
        fields.problem("step", found, f"one of: {', '.join(steps) or '(the plan has no steps)'}")
        step = None
    done = Done(
        fraction=_or(_share(fields, "fraction"), plain.fraction),
        step=step,
        confidence=_or(_share(fields, "confidence"), plain.confidence),
        min_hold_min=_or(_minutes(fields, "min_hold_min"), plain.min_hold_min),
        patience_min=_or(_minutes(fields, "patience_min"), plain.patience_min),
        extra_hold_min=_or(_minutes(fields, "extra_hold_min"), plain.extra_hold_min),
    )
    fields.finish()
    return done


def _share(fields: Fields, key: str) -> float | None:
    says = "a share above 0 and below 1 (99 % is 0.99)"
    return fields.number(key, says, (0.0, 1.0), open_ends=(True, True))


def _minutes(fields: Fields, key: str) -> float | None:
    return fields.number(key, "minutes, 0 to 43200", (0.0, _LONGEST_MIN))


def read_limits(fields: Fields | None) -> Limits:
    """[limits]: the person's own."""
    plain = Limits()
    if fields is None:
        return plain
    says = f"degC, above 20, at most {HOTTEST_C:g}"
    hot = (START_C, HOTTEST_C)
    limits = Limits(
        mantle_C=fields.number("mantle_C", says, hot, open_ends=(True, False)),
        pot_C=fields.number("pot_C", says, hot, open_ends=(True, False)),
        coolant_margin_K=_or(
            fields.number("coolant_margin_K", "kelvins, 0 to 50", (0.0, 50.0)),
            plain.coolant_margin_K,
        ),
        profile_band_K=_or(
            fields.number(
                "profile_band_K", "kelvins, above 0, at most 300", (0.0, 300.0),
                open_ends=(True, False),
            ),
            plain.profile_band_K,
        ),
        room_no2_ppm=fields.number(
            "room_no2_ppm", "ppm, above 0, from the rules of the place", (0.0, 1000.0),
            open_ends=(True, False),
        ),
    )  # fmt: skip
    fields.finish()
    return limits


def read_stop_plan(fields: Fields | None) -> tuple[tuple[str, str], ...]:
    """[stop_plan]: name of a hazard -> the person's own line for it.

    What is no line is refused; in a plan that a journal holds it is left, as it was then.
    """
    if fields is None:
        return ()
    if not fields.source.is_new:
        return tuple(
            (key, value)
            for key, value in fields.others()
            if isinstance(value, str) and value.isprintable() and key.isprintable()
        )
    read = [(key, fields.text(key, _OWN_LINE)) for key, _ in tuple(fields.others())]
    return tuple((key, line) for key, line in read if line is not None)
