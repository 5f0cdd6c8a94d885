"""What plan.toml and rig.toml say, as frozen values; `monitor.plan.files` reads them."""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.chemistry.steps import StepSpec

__all__ = [
    "BoilDown",
    "ChannelSpec",
    "Charge",
    "Coolant",
    "Done",
    "InstrumentSpec",
    "Limits",
    "Notice",
    "Plan",
    "ProfileSegment",
    "Publish",
    "ReceiverSpec",
    "Rig",
    "Site",
    "Train",
]


@dataclass(frozen=True, slots=True)
class Site:
    """Where the bench stands. At most one of the two is given; neither means sea level, wide."""

    altitude_m: float | None = None
    pressure_kPa: float | None = None


@dataclass(frozen=True, slots=True)
class Charge:
    """What is in the pot. Uncertainties are standard uncertainties.

    Either `formula` or `name`; either `mass_g` or (`amount_mol`, `water_mol_per_mol`).
    """

    formula: str | None = None
    name: str | None = None
    mass_g: float | None = None
    mass_u_g: float = 0.05
    amount_mol: float | None = None
    amount_u_mol: float | None = None
    water_mol_per_mol: float | None = None
    purity: float = 1.0
    purity_u: float = 0.01
    water_u: float = 0.15
    free_water_g: float = 0.0
    free_water_u_g: float = 0.0


@dataclass(frozen=True, slots=True)
class ProfileSegment:
    """One segment of the expected pot temperature: a ramp to `to_C`, then a hold."""

    label: str
    to_C: float
    rate_K_per_min: float
    hold_min: float = 0.0


@dataclass(frozen=True, slots=True)
class ReceiverSpec:
    """One vessel of the train, in the order in which the gas meets them."""

    name: str
    water_g: float = 0.0
    tip_depth_mm: float = 0.0
    in_ice: bool = False
    capacity_mL: float | None = None


@dataclass(frozen=True, slots=True)
class Done:
    """When the run counts as done."""

    fraction: float = 0.99
    step: str | None = None
    confidence: float = 0.95
    min_hold_min: float = 10.0
    patience_min: float = 240.0
    extra_hold_min: float = 0.0


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of the person's own. None: the program derives one, or judges none."""

    mantle_C: float | None = None
    pot_C: float | None = None
    coolant_margin_K: float = 3.0
    profile_band_K: float = 15.0
    room_no2_ppm: float | None = None


@dataclass(frozen=True, slots=True)
class BoilDown:
    """Where to stop boiling a solution down, in moles of water left for each mole of the salt."""

    stop_water_mol_per_mol: float
    dry_water_mol_per_mol: float | None = None
    """At which it is too late; None: the formula's own water, or 0 where the stop is below it."""
    residual_min: float = 4.0
    """It boils on for so long once the heat is off. From experience of cloth mantles, no source."""
    held_g: float = 3.0
    """Distillate that hangs in the condenser and is not weighed in the receiver."""
    held_u_g: float = 2.0


@dataclass(frozen=True, slots=True)
class Plan:
    """One plan, checked. `steps` is what holds: the set's, the plan's own by name over them."""

    title: str
    steps: tuple[StepSpec, ...] = ()
    profile: tuple[ProfileSegment, ...] = ()
    charge: Charge | None = None
    site: Site = field(default_factory=Site)
    receivers: tuple[ReceiverSpec, ...] = ()
    done: Done = field(default_factory=Done)
    limits: Limits = field(default_factory=Limits)
    set_name: str | None = None
    bench: str | None = None
    batch: str | None = None
    stop_plan: tuple[tuple[str, str], ...] = ()
    """Name of a hazard -> the person's own line for it."""
    checklist: tuple[str, ...] | None = None
    """Questions of the person's own before a run; None: the usual ones."""
    check_in_min: float | None = None
    """So often somebody at the bench has agreed to give a sign; None: no such thing was agreed."""
    checklist_unread: tuple[str, ...] = ()
    """Further keys of [checklist], which mean nothing here."""
    marks_unread: tuple[str, ...] = ()
    """Keys of [marks], a table that is kept for later: none means anything here."""
    boil_down: BoilDown | None = None


@dataclass(frozen=True, slots=True)
class ChannelSpec:
    """One channel of an instrument. `options` holds the further keys of its driver."""

    name: str
    role: str
    unit: str
    """Unit in which the instrument speaks."""
    offset: float = 0.0
    """Added to the value in the instrument's unit, after `gain`."""
    gain: float = 1.0
    noise: float | None = None
    """Standard deviation in the instrument's unit; None: learned."""
    bubble_mL: float | None = None
    bubble_u_mL: float | None = None
    ceiling_per_s: float | None = None
    bore_mm: float | None = None
    """Of the tube that lets the bubbles go."""
    liquid: str = "water"
    """Into which it lets them go."""
    bubble_is_estimate: bool = False
    """`bubble_mL` follows from bore, liquid and depth; else the rig file states it."""
    options: tuple[tuple[str, object], ...] = ()


@dataclass(frozen=True, slots=True)
class InstrumentSpec:
    """One instrument: its driver, where it is plugged in, and its channels."""

    name: str
    driver: str
    port: str
    channels: tuple[ChannelSpec, ...]
    stale_s: float | None = None
    """None: three periods, as learned."""
    options: tuple[tuple[str, object], ...] = ()
    """Keys of the driver's own, such as `fields` or `pattern`."""


_DEAD_ML = 800.0
"""Half a litre of flask above the charge, the rest condenser, hoses and the heads of receivers: a
small bench. Judgement, rather large: what breathes in a train is then no sign of anything. [mL]"""


@dataclass(frozen=True, slots=True)
class Train:
    """What stands between pot and outlet; None is unknown."""

    tip_depth_mm: float | None = None
    dead_volume_mL: float | None = None
    absorber_water_g: float | None = None

    @property
    def dead_mL(self) -> float:
        """Gas from pot to outlet, as stated or as usual. [mL]"""
        return _DEAD_ML if self.dead_volume_mL is None else self.dead_volume_mL


@dataclass(frozen=True, slots=True)
class Coolant:
    """What feeds the condenser."""

    kind: str | None = None
    ice_kg: float | None = None


@dataclass(frozen=True, slots=True)
class Publish:
    """Where analysis lines and alarms are sent by MQTT. The password is in the environment."""

    broker: str
    """`mqtt://host:1883`, or `mqtts://host:8883` for an encrypted connection."""
    topic: str
    """Under which everything of this bench stands, without an end slash."""
    user: str | None = None
    password_env: str | None = None
    ca_file: str | None = None
    """File of a lab's own certificate authority; None: those that this computer knows."""


@dataclass(frozen=True, slots=True)
class Notice:
    """A way by which alarms leave the bench: one's own command, spoken words, or a notifier."""

    name: str
    command: tuple[str, ...] = ()
    """Program and arguments, `{text}` in them is replaced."""
    classes: tuple[str, ...] = ("A", "B")
    test_every_h: float | None = None
    """A sign of life so often, so that silence shows; None: never."""
    apprise_env: str | None = None
    """Environment variable with addresses for the notifier library. With neither this nor a
    command the words are spoken."""

    @property
    def how(self) -> str:
        """By what, in one word."""
        return "command" if self.command else "apprise" if self.apprise_env else "spoken"


@dataclass(frozen=True, slots=True)
class Rig:
    """One rig, checked. An empty one stands for readings imported without a rig file."""

    instruments: tuple[InstrumentSpec, ...] = ()
    train: Train = field(default_factory=Train)
    coolant: Coolant = field(default_factory=Coolant)
    publish: Publish | None = None
    notices: tuple[Notice, ...] = ()

    def channels(self) -> tuple[ChannelSpec, ...]:
        """All channels of all instruments, in the order of the file."""
        return tuple(c for i in self.instruments for c in i.channels)
