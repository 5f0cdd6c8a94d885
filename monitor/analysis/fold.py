"""The fold: entries in, analysis lines out. Pure, deterministic, and cut anywhere it goes on.

A line comes at each multiple of 10 s of journal time that the entries pass, worked out from the
entries before the one that passed it, and at once where a class A alarm arises. Estimates are made
at multiples of 60 s and carried on between. In a silence of more than ten minutes lines come ever
more seldom, so that a gap of days costs little. Nothing here reads a clock or a file.
"""

from __future__ import annotations

import json
import math
import re
import zlib
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from drivers.reading import Quality
from monitor.analysis.amending import follow_rig
from monitor.analysis.bins import BinStore
from monitor.analysis.boil_down import follow_boil_down
from monitor.analysis.cadence import FIT_S, fit_every_s
from monitor.analysis.channels import ChannelState, first_live_of
from monitor.analysis.codec import from_data, to_data
from monitor.analysis.conditions import Needs
from monitor.analysis.coolant import limit_C, view_coolant
from monitor.analysis.cut_off import cut_off
from monitor.analysis.diagnosis import FAST, RULES, judge
from monitor.analysis.diagnosis.person import check_in_line
from monitor.analysis.estimate import (
    Circumstances,
    begin,
    carry,
    update,
)
from monitor.analysis.expected import notice_heating, refit_lateness, watch_profile
from monitor.analysis.fold_state import FoldState, note
from monitor.analysis.line import build_line, channel_lines, line_json, remaining_data, time_text
from monitor.analysis.setting import Setting, setting_of
from monitor.analysis.stalling import is_behind
from monitor.analysis.timed_hold import held_under, hold_left_s, say_hold, watch_hold
from monitor.analysis.told import told_left
from monitor.analysis.verdict import NO_PROBE, decide, distrusted
from monitor.analysis.verdict_state import Said, Verdict
from monitor.analysis.view import View
from monitor.entries import (
    BY_A_PERSON,
    Acknowledged,
    Amended,
    Body,
    Entry,
    InstrumentState,
    Mark,
    Readings,
    RunStarted,
    Shelved,
)
from monitor.plan.profile import segment_at

__all__ = ["VERSION", "Fold", "line_json"]

VERSION = "26"
"""Version of state and rules: a checkpoint of another one is folded anew."""

TICK_S = 10.0
_QUIET_S = 600.0
_FORESEEN_S = 3600.0
"""While nothing speaks the run is foreseen for so long; then the last estimate stands."""
_FAST_S = 1.0

_LATEST_S = 1e10
"""Beyond this (three centuries) a time is no time of a run."""

_HEAT_ON, _ENDED = "heat on", "run ended"
"""A mark of this kind, or of these words alone."""


class Fold:
    """The analysis of one run. Feed it every entry of the journal in order."""

    def __init__(self, start: RunStarted) -> None:
        """Begin. Raises FileErrors where the plan or rig in `start` cannot be read."""
        self._state = FoldState(start.plan_toml, start.rig_toml, start.seed, start.utc_offset_s)
        self._bins = BinStore()
        self._set_up()

    def _set_up(self) -> None:
        state = self._state
        self._setting: Setting = setting_of(state.plan_toml, state.rig_toml, state.seed)
        for name, (instrument, _) in self._setting.specs.items():
            self._channel(name, instrument.name)
        self._sort_by_role()

    def _sort_by_role(self) -> None:
        self._by_role: dict[str, list[ChannelState]] = {}
        self._speaking: list[str] = []
        self._wanted: dict[object, list[Needs]] = {}
        for channel in self._state.channels.values():
            self._by_role.setdefault(channel.role, []).append(channel)

    @property
    def bins(self) -> BinStore:
        """The thinned history of every channel, tares taken out; to be read, not changed."""
        return self._bins

    @property
    def heated_s(self) -> float | None:
        """When heating began; None: not yet."""
        return self._state.heating.began_s

    def step(self, entry: Entry) -> list[dict[str, Any]]:
        """Take in one entry; the analysis lines due now, in order."""
        state, now = self._state, self._time_of(entry)
        lines = []
        if now >= state.ticked_s + TICK_S:  # no line is due sooner
            lines = [self._tick(at) for at in self._due(now)]
        self._arrive(now, entry)
        if now - state.judged_s >= _FAST_S:
            state.judged_s = now
            if self._judge_fast(now):
                view = self._view(now)
                lines.append(self._line(now, view, self._said()))
        return lines

    def listen(self, entry: Entry) -> None:
        """Take in one entry and judge nothing: for who only asks for `bins` and `heated_s`."""
        now = self._time_of(entry)
        self._arrive(now, entry)
        self._bins.close_until(now)

    def _time_of(self, entry: Entry) -> float:
        """When an entry comes; one that lies before the last comes with that."""
        now = entry.elapsed_s
        if not self._state.now_s <= now <= _LATEST_S:  # false for NaN too
            return self._state.now_s
        return now

    def _arrive(self, now: float, entry: Entry) -> None:
        self._state.pass_to(now)
        if entry.utc_s is not None and math.isfinite(entry.utc_s):
            self._state.clock = (now, entry.utc_s)
        self._take(now, entry.body)

    def snapshot(self) -> bytes:
        """The whole state; `restore` goes on from it as if nothing had been between."""
        data = {"version": VERSION, "state": to_data(self._state), "bins": self._bins.snapshot()}
        return zlib.compress(json.dumps(data, separators=(",", ":")).encode(), 1)

    @classmethod
    def restore(cls, data: bytes) -> Fold:
        """The fold of which `snapshot` made `data`. Raises ValueError where it is another's."""
        try:
            said = json.loads(zlib.decompress(data))
            version = said["version"]
        except (zlib.error, ValueError, KeyError, TypeError) as error:
            raise ValueError(f"not a checkpoint of this analysis: {error}") from error
        if version != VERSION:
            raise ValueError(f"checkpoint of version {version!r}, expected {VERSION!r}")
        fold = cls.__new__(cls)
        try:
            fold._state = from_data(FoldState, said["state"])
            fold._bins = BinStore.restore(said["bins"])
            fold._set_up()
        except (KeyError, TypeError, AttributeError) as error:
            raise ValueError(f"a checkpoint that cannot be read: {error}") from error
        return fold

    def _due(self, now_s: float) -> list[float]:
        """Times of the lines that are due before an entry at `now_s`."""
        state = self._state
        due: list[float] = []
        at = state.ticked_s
        while True:
            quiet = max(at - state.now_s, 0.0)
            step = TICK_S if quiet < _QUIET_S else TICK_S * math.ceil(quiet / _QUIET_S)
            at = TICK_S * math.floor(at / TICK_S + 1e-9) + step
            if at > now_s:
                return due
            due.append(at)

    def _take(self, now: float, body: Body) -> None:
        if isinstance(body, Readings):
            self._take_readings(now, body)
            return
        if isinstance(body, BY_A_PERSON):
            self._state.happened.person_s = now
        if isinstance(body, Mark):
            self._take_mark(now, body)
        elif isinstance(body, Acknowledged):
            self._state.alarms.acknowledge(now, body)
        elif isinstance(body, Shelved):
            self._state.alarms.shelve(now, body)
        elif isinstance(body, Amended):
            self._amend(now, body)
        else:
            if isinstance(body, InstrumentState) and body.state == "tared":
                channels = self._state.channels.values()
                self._state.tares.told(c for c in channels if c.instrument == body.instrument)
            if isinstance(body, InstrumentState) and body.state == "connected":
                self._reconnected(body.instrument)
            note(self._state.happened, now, body)

    def _take_readings(self, now: float, body: Readings) -> None:
        state = self._state
        channels, add, tares = state.channels, self._bins.add, state.tares
        is_heated = state.heating.began_s is not None
        for reading in body.values:
            channel = channels.get(reading.channel)
            if channel is None:
                if reading.channel in state.taken_out:  # said before its instrument was told
                    continue
                channel = self._channel(reading.channel, body.instrument)
                if channel is None:
                    continue
            if not channel.take(now, reading):
                continue
            state.read_since_heavy, state.read_s = True, now
            level = channel.value if channel.unit != "g" else tares.level(channel, now)
            assert level is not None
            quality = Quality.AT_LEAST if channel.limited else reading.quality
            add(channel.name, channel.role, now, level, quality)
            if not is_heated and channel.role == "pot_temperature":
                notice_heating(state.heating, channel)

    def _channel(self, name: str, instrument: str) -> ChannelState | None:
        state = self._state
        if name in state.channels:
            return state.channels[name]
        channel = self._setting.channel(name, instrument)
        if channel is None:
            return None
        state.channels[name] = channel
        if hasattr(self, "_by_role"):
            self._by_role.setdefault(channel.role, []).append(channel)
        return channel

    def _take_mark(self, now: float, mark: Mark) -> None:
        state = self._state
        words = f"{mark.kind} {mark.text}".lower()
        state.happened.marks.append((words[:200], now))
        state.happened.trim()
        if "unit" in words:
            channels = state.channels.values()
            named = _named_in(words, {n for c in channels for n in (c.name, c.instrument) if n})
            for channel in channels:
                if channel.suspended and {channel.name, channel.instrument} & named:
                    channel.accept()
        alone = (mark.kind.strip().lower(), mark.text.strip().lower())
        if _HEAT_ON in alone:
            state.happened.ended_s = None
            if state.heating.began_s is None:
                state.heating.began_s = now
        elif _ENDED in alone:
            state.happened.ended_s = now

    def _reconnected(self, instrument: str) -> None:
        """What was still under way when its rig was amended has come: from now on it counts."""
        state = self._state
        of_it = [n for n in state.read_anew if state.channels[n].instrument == instrument]
        self._read_anew(of_it)
        state.read_anew = [n for n in state.read_anew if n not in of_it]

    def _read_anew(self, names: Iterable[str]) -> None:
        for name in names:
            self._state.channels[name].accept()
            self._state.boil_down.forget_level(name)

    def _amend(self, now: float, body: Amended) -> None:
        """Another plan or rig from now on; one that cannot be read leaves the old one in force."""
        state = self._state
        before, specs = (state.plan_toml, state.rig_toml), self._setting.specs
        old_profile = self._setting.plan.profile
        channels = dict(state.channels)
        state.plan_toml = state.plan_toml if body.plan_toml is None else body.plan_toml
        state.rig_toml = state.rig_toml if body.rig_toml is None else body.rig_toml
        state.happened.unread = ""
        try:
            self._set_up()
        except Exception as error:  # noqa: BLE001  no text that somebody sends ends an analysis
            state.plan_toml, state.rig_toml = before
            self._set_up()
            first = str(error).splitlines()[0] if str(error) else "unreadable"
            state.happened.unread = f"an amended plan or rig cannot be read, the old holds: {first}"
            return
        if before[1] != state.rig_toml:
            state.channels = channels
            named = self._setting.specs
            now_is = follow_rig(channels, self._bins, state.memory, specs, self._setting, now)
            waiting = [n for n in state.read_anew if n in named and n not in now_is.anew]
            state.read_anew = [*waiting, *now_is.anew]
            self._read_anew(now_is.anew)
            state.estimator = state.estimator.renamed(now_is.apart)
            state.taken_out = [n for n in (*state.taken_out, *now_is.gone) if n not in named]
            self._sort_by_role()
        if before[0] == state.plan_toml:
            return
        state.boil_down.is_past = state.boil_down.was_near = False
        state.hold = held_under(state.hold, old_profile, self._setting.plan.profile)
        if self._setting.setup is None:
            state.estimate, state.verdict = None, Verdict(word=state.verdict.word)
        else:
            state.estimator, state.estimate = begin(), None
            state.verdict.plan_anew()

    def _tick(self, at: float) -> dict[str, Any]:
        """Work out and return the line at a multiple of 10 s."""
        state, plan = self._state, self._setting.plan
        before_s, state.ticked_s = state.ticked_s, at
        pot = self._pot(at)
        pot_C = None if pot is None else pot.value
        # In a long silence ticks are rarer, and may pass a multiple over.
        every_s = self._fit_every_s(at, pot_C)
        # One that had begun and has no estimate was amended: nothing may be said of it before.
        anew = state.estimate is None and state.verdict.begun_s is not None
        is_heavy = anew or at // every_s > before_s // every_s
        self._bins.close_until(at)
        if pot is not None and (is_heavy or at // FIT_S > before_s // FIT_S):
            refit_lateness(state.heating, plan.profile, self._bins.channel(pot.name), at)
        follows_C = None if self._boils_down() or self._is_doubted(pot) else pot_C
        band = plan.limits.profile_band_K
        watch_profile(state.heating, plan.profile, follows_C, band, at)
        view = self._view(at)
        self._boil_down(view)
        if is_heavy and (state.read_since_heavy or at - state.read_s < _FORESEEN_S):
            state.estimated_C = pot_C
            self._estimate(view)
        else:
            is_heavy = False
        said = self._decide(view, pot_C, is_heavy)
        self._judge_all(view)
        return self._line(at, view, said)

    def _fit_every_s(self, at: float, pot_C: float | None) -> float:
        state, then_C = self._state, self._state.estimated_C
        return fit_every_s(
            state.verdict,
            state.estimate,
            state.heating,
            at,
            warmed_K=None if pot_C is None or then_C is None else pot_C - then_C,
            silent_s=at - state.read_s,
        )

    def _boil_down(self, view: View) -> None:
        state, expected = self._state, self._setting.boil_down
        state.boil_down_seen = None
        if expected is not None:
            out = distrusted(view, state.findings)
            state.boil_down_seen = follow_boil_down(state.boil_down, expected, view, out)
        if self._boils_down():
            state.heating.follows, state.heating.left_s = True, None
        view.boil_down = state.boil_down_seen

    def _boils_down(self) -> bool:
        """A boiling pot is as hot as what it holds allows; near the stop line heat is taken away.

        Neither is a departure from the profile.
        """
        seen = self._state.boil_down
        return seen.lasts or (seen.was_near and self._setting.network is None)

    def _estimate(self, view: View) -> None:
        state, setup = self._state, self._setting.setup
        state.read_since_heavy = False
        if setup is None:
            return
        out = distrusted(view, state.findings)
        for name, since_s in cut_off(view, state.findings.shown()).items():
            out[name] = min(since_s, out.get(name, since_s))
        about = Circumstances(
            now_s=view.now_s,
            heating_began_s=state.heating.began_s,
            late_s=state.heating.late_s,
            follows_profile=state.heating.goes_along(view.now_s)
            and (state.heating.follows or not state.verdict.unheated),
            unheated=state.verdict.unheated,
            is_off=not state.heating.follows or is_behind(state.heating, self._setting.plan.limits),
            lost_s=state.verdict.loss_s,
            distrusted=frozenset(out),
            distrusted_since_s=tuple(sorted(out.items())),
        )
        silent_s = view.now_s - state.read_s
        if silent_s <= max(FIT_S, state.hole_after_s()):
            state.estimator, state.estimate = update(state.estimator, self._bins, setup, about)
            view.estimate = state.estimate
            return
        # Silence tells nothing: what was known when it began is carried on as it was foreseen.
        then = replace(about, now_s=state.read_s)
        now, later = (
            update(state.estimator, self._bins, setup, then, ahead_s)[1]
            for ahead_s in (silent_s, silent_s + FIT_S)
        )
        state.estimate = replace(carry(now, silent_s), ahead=later.ahead)
        view.estimate = state.estimate

    def _decide(self, view: View, pot_C: float | None, is_heavy: bool) -> Said:
        state, plan = self._state, self._setting.plan
        if self._setting.network is None:
            watch_hold(
                state.hold, state.heating, plan.profile, pot_C, plan.limits.profile_band_K,
                view.now_s,
            )  # fmt: skip
            said = say_hold(state.hold, view)
        else:
            said = decide(state.verdict, view, state.findings, is_heavy)
        if state.happened.unread:
            said = replace(said, why=(*said.why, state.happened.unread))
        state.verdict.word, state.verdict.why = said.word, list(said.why)
        return said

    def _judge_all(self, view: View) -> None:
        state = self._state
        found, wanting, decided = judge(RULES, view)
        state.cannot_tell = wanting
        state.findings.update(view.now_s, found, decided)
        state.alarms.update(view.now_s, state.findings.shown())
        state.judged_s = view.now_s

    def _judge_fast(self, now: float) -> bool:
        """Class A and silence, between the ticks; True where a class A alarm has arisen."""
        state = self._state
        found, _, decided = judge(FAST, self._view(now, is_light=True))
        if state.findings.update(now, found, decided):
            return state.alarms.update(now, state.findings.shown())
        return False

    def _is_doubted(self, pot: ChannelState | None) -> bool:
        """Whether what a probe says is not taken for the pot's own temperature, as was found."""
        shown = self._state.findings.shown()
        return pot is not None and any(f.name in NO_PROBE and f.channel == pot.name for f in shown)

    def _pot(self, now_s: float) -> ChannelState | None:
        for channel in self._by_role.get("pot_temperature", ()):
            if channel.is_live(now_s):
                return channel
        return None

    def _view(self, now_s: float, is_light: bool = False) -> View:
        """The moment as rules and verdict see it; a light one carries nothing on."""
        state = self._state
        estimate = state.estimate
        if estimate is not None and now_s > estimate.at_s and not is_light:
            estimate = carry(estimate, now_s - estimate.at_s)
        complete_s = state.verdict.complete_s or state.hold.complete_s
        if not is_light:
            is_marked = state.happened.ended_s is not None
            state.limit_C = limit_C(self._setting, estimate, complete_s is not None, is_marked)
        limit = state.limit_C
        cold: tuple[ChannelState, ...] = ()
        if limit is not None:
            of = self._by_role.get
            cold = (*of("coolant_in_temperature", ()), *of("coolant_out_temperature", ()))
        known = first_live_of(self._by_role, now_s)
        speaking = [role for role, first in known.items() if first is not None]
        if speaking != self._speaking:
            self._speaking, self._wanted = speaking, {}
        return View(
            now_s=now_s,
            setting=self._setting,
            by_role=self._by_role,
            channels=state.channels,
            heating=state.heating,
            happened=state.happened,
            memory=state.memory,
            bins=self._bins,
            estimate=estimate,
            coolant=view_coolant(limit, cold, now_s, not is_light),
            complete_s=complete_s,
            boil_down=state.boil_down_seen,
            is_recorded=now_s - state.now_s <= state.hole_after_s(),
            resumed_s=state.resumed_s,
            known=known,
            wanted=self._wanted,
        )

    def _said(self) -> Said:
        """The verdict of the last tick."""
        verdict = self._state.verdict
        return Said(verdict.word, tuple(verdict.why), tuple(verdict.evidence), verdict.restart)

    def _line(self, at: float, view: View, said: Said) -> dict[str, Any]:
        state = self._state
        clock = state.clock
        utc = None if clock is None else clock[1] + (at - clock[0])
        return build_line(
            now_s=at,
            time=time_text(utc, state.utc_offset_s),
            said=said,
            setting=self._setting,
            estimate=view.estimate,
            remaining=self._remaining(view, said),
            heating=state.heating,
            coolant=view.coolant,
            findings=state.findings,
            alarms=state.alarms,
            cannot_tell=state.cannot_tell,
            stage=self._stage(view),
            channels=channel_lines(state.channels, at, distrusted(view, state.findings)),
            boil_down=view.boil_down,
            check_in=check_in_line(self._setting.plan.check_in_min, state.happened.person_s, at),
            extra_hold_s=self._extra_hold_s(at, said),
        )

    def _remaining(self, view: View, said: Said) -> dict[str, float | None] | int | None:
        if said.word == "complete":
            return 0
        if self._setting.network is not None:
            return remaining_data(told_left(view.estimate.remaining_s)) if view.estimate else None
        profile = self._setting.plan.profile
        left = hold_left_s(self._state.hold, self._state.heating, profile, view.now_s)
        return None if left is None else dict.fromkeys(("p05", "p50", "p95"), round(left, 0))

    def _extra_hold_s(self, at: float, said: Said) -> float | None:
        """What is left of the hold that the person adds after 'complete'; None where there is none.

        It changes no verdict.
        """
        added_s = 60.0 * self._setting.plan.done.extra_hold_min
        complete_s = self._state.verdict.complete_s or self._state.hold.complete_s
        if added_s <= 0.0 or said.word != "complete" or complete_s is None:
            return None
        return max(0.0, added_s - (at - complete_s))

    def _stage(self, view: View) -> str:
        if self._state.boil_down.lasts:
            return "boil-down"
        if view.complete_s is not None:
            return "after the end"
        if view.heating.began_s is None:
            return "before heating"
        profile = self._setting.plan.profile
        if not profile:
            return "heating"
        place = segment_at(profile, view.now_s - view.heating.began_s - view.heating.late_s)
        assert place is not None
        name = place.segment.label or f"segment {place.index + 1}"
        return f"{name}, {'hold' if place.holding else 'ramp'}"


def _named_in(words: str, names: set[str]) -> set[str]:
    """Those of `names` that stand in `words` (lower case) by themselves, the longest first.

    >>> sorted(_named_in("unit right pot 2", {"pot", "Pot 2", "board"}))
    ['Pot 2']
    """
    found = set()
    for name in sorted(names, key=len, reverse=True):
        words, n = re.subn(rf"(?<!\w){re.escape(name.lower())}(?!\w)", " ", words)
        if n:
            found.add(name)
    return found
