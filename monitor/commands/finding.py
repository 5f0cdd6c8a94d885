"""`rig`: what every instrument says, what is wrong with it and what helps."""

from __future__ import annotations

import argparse
import shutil
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from drivers.reading import ROLES, Quality
from monitor.analysis.channels import ne107_state
from monitor.commands.bubbling import rate_of, rate_text
from monitor.commands.causes import Trouble, hints_of, shared_ports, trouble_of, troubles_of
from monitor.commands.following import answered
from monitor.commands.listening import Heard, hear
from monitor.commands.saying import UsageError, answer_json, complain, say
from monitor.commands.starting import load_rig
from monitor.dashboard.words import clip, padded
from monitor.plan.bubble_volume import COUNTERS, volume_of
from monitor.plan.model import ChannelSpec, Rig

__all__ = ["rig"]

_CANNOT_OPEN = 3
_NOT_WELL = 1
_LISTEN_S = 5.0


@answered
def rig(arguments: argparse.Namespace) -> int:
    """Open every instrument, show what it says and what is wrong with it."""
    found = load_rig(arguments.rig)[0]
    if arguments.calibrate:
        from monitor.commands.calibrating import calibrate

        return calibrate(found, arguments)
    if arguments.touch:
        from monitor.commands.touching import touch

        return touch(found, arguments)
    if arguments.alarm_test:
        from monitor.commands.trying import alarm_test

        return alarm_test(found, arguments)
    if arguments.bubble:
        from monitor.commands.bubbling import bubble

        return bubble(found, arguments)
    if arguments.known:
        return _find_orders(found, arguments)
    return _look(found, arguments)


def _look(found: Rig, arguments: argparse.Namespace) -> int:
    from drivers.ports import list_ports

    live = _Live() if sys.stdout.isatty() and not arguments.json else None
    heard, now_s = hear(found, arguments.seconds or _LISTEN_S, live)
    if live is not None:
        live.wipe()
    present, used = list_ports(), [spec.port for spec in found.instruments]
    shared = [*shared_ports(found), *_broker_troubles(found)]
    troubles = {one.spec.name: troubles_of(one, present, used) for one in heard}
    hints = [hint for spec in found.instruments for hint in hints_of(spec, present)]
    if arguments.json:
        answer_json(
            {
                "format": 1,
                "instruments": [_as_dict(h, troubles[h.spec.name], now_s) for h in heard],
                "wrong": [_trouble_dict(t) for t in shared],
                "hints": hints,
            }
        )
    else:
        for one in heard:
            for line in _lines(one, now_s):
                say(line)
            _show_troubles(troubles[one.spec.name])
        _show_troubles(shared)
        for hint in hints:
            say(f"note: {hint}")
    if any(not one.opened for one in heard):
        return _CANNOT_OPEN
    return _NOT_WELL if shared or any(troubles.values()) else 0


def _broker_troubles(found: Rig) -> list[Trouble]:
    """Whether lines can be sent where [publish] says."""
    if found.publish is None:
        return []
    from monitor.recorder.broker import try_broker

    text = try_broker(found.publish)
    return [trouble_of(f"broker {found.publish.broker}: {text}")] if text else []


def _as_dict(heard: Heard, troubles: Sequence[Trouble], now_s: float) -> dict[str, Any]:
    return {
        "name": heard.spec.name,
        "driver": heard.spec.driver,
        "port": heard.spec.port,
        "open": heard.opened,
        "messages": heard.messages,
        "channels": [_channel_dict(heard, c, now_s) for c in heard.spec.channels],
        "remarks": heard.remarks,
        "wrong": [_trouble_dict(trouble) for trouble in troubles],
    }


def _trouble_dict(trouble: Trouble) -> dict[str, str]:
    return {"what": trouble.what, "cause": trouble.cause, "cure": trouble.cure}


def _channel_dict(heard: Heard, channel: ChannelSpec, now_s: float) -> dict[str, Any]:
    reading, state = heard.last.get(channel.name), heard.states[channel.name]
    rate = heard.rate_Hz(channel.name)
    return {
        "name": channel.name,
        "role": channel.role,
        "unit": ROLES[channel.role].unit,
        "value": None if reading is None else reading.value,
        "quality": None if reading is None else reading.quality.value,
        "age_s": None if reading is None else round(now_s - heard.times[channel.name][-1], 2),
        "rate_Hz": None if rate is None else float(f"{rate:.3g}"),
        "noise": float(f"{state.noise():.3g}") if state.noisy_n else None,
        "state": ne107_state(state, now_s),
        **(_bubbles_dict(heard, channel) if channel.role in COUNTERS else {}),
    }


def _bubbles_dict(heard: Heard, channel: ChannelSpec) -> dict[str, Any]:
    """How fast bubbles come, and how large one is."""
    rate = rate_of(heard, channel.name)
    per_s = None
    if rate is not None:
        digits = (float(f"{n:.3g}") for n in (rate.low, rate.middle, rate.high))
        per_s = dict(zip(("low", "middle", "high"), digits, strict=True))
    return {"bubbles_per_s": per_s, "bubble": asdict(volume_of(channel))}


def _bubble_lines(heard: Heard, channel: ChannelSpec) -> Iterator[str]:
    rate, reading = rate_of(heard, channel.name), heard.last.get(channel.name)
    at_least = reading is not None and reading.quality is Quality.AT_LEAST
    if rate is not None:
        yield f"    {rate_text(rate, at_least)}"
    yield f"    {volume_of(channel).text()}"


def _lines(heard: Heard, now_s: float) -> list[str]:
    """What one instrument says, for people: a line for it and one for each channel."""
    opened = f"open, {heard.messages} messages" if heard.opened else "NOT OPEN"
    lines = [f"{heard.spec.name}  ({heard.spec.driver}, {heard.spec.port}): {opened}"]
    for channel in heard.spec.channels:
        told = _channel_dict(heard, channel, now_s)
        name = padded(channel.name, 16)
        parts = [f"  {name} {channel.role:<24} {_value_text(told):<16}"]
        parts += [f"{told['age_s']:.1f} s old"] if told["age_s"] is not None else []
        parts += [f"{told['rate_Hz']:g}/s"] if told["rate_Hz"] is not None else []
        parts += [f"noise {told['noise']:.2g} {told['unit']}"] if told["noise"] is not None else []
        lines.append(f"{parts[0]} {', '.join([*parts[1:], told['state']])}")
        lines += _bubble_lines(heard, channel) if channel.role in COUNTERS else ()
    return [*lines, *(f"  {remark}" for remark in heard.remarks[-3:])]


def _value_text(told: Mapping[str, Any]) -> str:
    if told["quality"] is None:
        return "nothing yet"
    if told["value"] is None:
        return str(told["quality"])
    return f"{told['value']:.8g}{'' if told['unit'] == '1' else ' ' + told['unit']}"


class _Live:
    """Draws the table over itself once a second; on a terminal that is large enough, else never."""

    def __init__(self) -> None:
        self._drawn = 0

    def __call__(self, heard: Sequence[Heard], now_s: float) -> None:
        size = shutil.get_terminal_size()
        lines = [line for one in heard for line in _lines(one, now_s)]
        if len(lines) < size.lines:
            self.wipe()
            for line in lines:
                say(clip(line, size.columns - 1))
            sys.stdout.flush()
            self._drawn = len(lines)

    def wipe(self) -> None:
        """Take away what was drawn."""
        if self._drawn:
            sys.stdout.write(f"\x1b[{self._drawn}F\x1b[J")
            self._drawn = 0


def _show_troubles(troubles: Sequence[Trouble]) -> None:
    for trouble in troubles:
        say(f"  ! {trouble.what}")
        if trouble.cause:
            say(f"    likely: {trouble.cause}")
        if trouble.cure:
            say(f"    do: {trouble.cure}")


def _find_orders(found: Rig, arguments: argparse.Namespace) -> int:
    """Which type and order of bytes read as the display shows, for channels on Modbus."""
    from drivers.modbus import NoAnswerError, RefusedError, fitting_types
    from drivers.protocol import SetupError
    from drivers.transport import AddressError, LinkError
    from monitor.recorder.instruments import setup_of

    answers: list[dict[str, Any]] = []
    for text in arguments.known:
        name, known = _known(text)
        for spec in found.instruments:
            if name in {c.name for c in spec.channels} and spec.driver == "modbus":
                break
        else:
            raise UsageError(f"--known {text}: {name!r} is no channel of a modbus instrument")
        try:
            fits = fitting_types(setup_of(spec), name, known)
        except (AddressError, SetupError) as error:
            raise UsageError(str(error)) from error
        except LinkError as error:
            complain([str(error)])
            return _CANNOT_OPEN
        except (NoAnswerError, RefusedError) as error:
            complain([f"channel {name!r}: {error}"])
            return _CANNOT_OPEN
        answers.append({"channel": name, "known": known, "fits": [list(fit) for fit in fits]})
    if arguments.json:
        answer_json({"format": 1, "orders": answers})
    else:
        for answer in answers:
            _show_orders(answer)
    return 0 if all(answer["fits"] for answer in answers) else _NOT_WELL


def _known(text: str) -> tuple[str, float]:
    name, _, number = text.rpartition("=")
    try:
        if name:
            return name.strip(), float(number)
    except ValueError:
        pass
    raise UsageError(f"--known {text}: expected CHANNEL=VALUE, the value as its display shows it")


def _show_orders(answer: dict[str, Any]) -> None:
    name, known = answer["channel"], answer["known"]
    if not answer["fits"]:
        say(f"{name}: nothing there reads as {known:g}; try address one lower, or another table")
        return
    if len(answer["fits"]) > 1:
        say(f"{name}: these read as {known:g}; try again at another value to tell them apart")
    else:
        say(f"{name}: this reads as {known:g}")
    for kind, order in answer["fits"]:
        say(f'  type = "{kind}", order = "{order}"')
