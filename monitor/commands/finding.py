"""`rig` and `ports`: what is plugged in, what it says, what is wrong with it and what helps."""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from drivers.reading import ROLES
from monitor.analysis.channels import ne107_state
from monitor.commands.causes import Trouble, hints_of, shared_ports, troubles_of
from monitor.commands.following import answered
from monitor.commands.listening import Heard, hear
from monitor.commands.saying import UsageError, answer_json, complain, note, say
from monitor.commands.starting import load_rig
from monitor.plan.model import ChannelSpec, Rig

__all__ = ["ports", "rig"]

_CANNOT_OPEN = 3
_NOT_WELL = 1
_LISTEN_S = 5.0
_TRY_S = 2.0
"""How long each of the usual rates is listened to, before the right one gets its full time."""
_SHOWN_LINES = 8


@answered
def rig(arguments: argparse.Namespace) -> int:
    """Open every instrument, show what it says and what is wrong with it."""
    found = load_rig(arguments.rig)[0]
    if arguments.calibrate:
        from monitor.commands.calibrating import calibrate

        return calibrate(found, arguments)
    if arguments.touch:
        from monitor.commands.calibrating import touch

        return touch(found, arguments)
    if arguments.known:
        return _find_orders(found, arguments)
    return _look(found, arguments)


def _look(found: Rig, arguments: argparse.Namespace) -> int:
    from drivers.ports import list_ports

    heard, now_s = hear(found, arguments.seconds or _LISTEN_S)
    present, used = list_ports(), [spec.port for spec in found.instruments]
    shared = shared_ports(found)
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
            _show(one, troubles[one.spec.name], now_s)
        _show_troubles(shared)
        for hint in hints:
            say(f"note: {hint}")
    if any(not one.opened for one in heard):
        return _CANNOT_OPEN
    return _NOT_WELL if shared or any(troubles.values()) else 0


def _as_dict(heard: Heard, troubles: Sequence[Trouble], now_s: float) -> dict[str, Any]:
    return {
        "name": heard.spec.name,
        "driver": heard.spec.driver,
        "port": heard.spec.port,
        "open": heard.opened,
        "messages": heard.messages,
        "channels": [_channel_dict(heard, c, now_s) for c in heard.spec.channels],
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
    }


def _show(heard: Heard, troubles: Sequence[Trouble], now_s: float) -> None:
    opened = f"open, {heard.messages} messages" if heard.opened else "NOT OPEN"
    say(f"{heard.spec.name}  ({heard.spec.driver}, {heard.spec.port}): {opened}")
    for channel in heard.spec.channels:
        told = _channel_dict(heard, channel, now_s)
        if told["quality"] is None:
            value = "nothing yet"
        elif told["value"] is None:
            value = told["quality"]
        else:
            value = f"{told['value']:g} {told['unit']}"
        parts = [f"  {channel.name:<16} {channel.role:<24} {value:<16}"]
        parts += [f"{told['age_s']:.1f} s old"] if told["age_s"] is not None else []
        parts += [f"{told['rate_Hz']:g}/s"] if told["rate_Hz"] is not None else []
        parts += [f"noise {told['noise']:.2g} {told['unit']}"] if told["noise"] is not None else []
        say(", ".join([*parts, told["state"]]) if len(parts) > 1 else f"{parts[0]} {told['state']}")
    _show_troubles(troubles)


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
    from drivers.transport import LinkError
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


@answered
def ports(arguments: argparse.Namespace) -> int:
    """Show what is plugged in, or what one port says."""
    if arguments.listen is not None:
        return _listen(arguments)
    from drivers.ports import PortInfo, list_ports

    found = list_ports()
    if arguments.json:
        keys: Sequence[str] = PortInfo.__slots__
        answer_json({"format": 1, "ports": [{k: getattr(p, k) for k in keys} for p in found]})
        return 0
    for port in found:
        notes = [port.description, port.serial_number and f"serial number {port.serial_number}"]
        notes += [port.location and f"at {port.location}"]
        notes += [port.held_by and f"in use by {port.held_by}"]
        say(f"{port.url}\n  {'; '.join(note for note in notes if note) or port.device}")
    if not found:
        say("no serial port is plugged in; instruments on the network are named tcp://host:port")
    return 0


def _listen(arguments: argparse.Namespace) -> int:
    from drivers.guessing import framings, guess, is_legible
    from drivers.transport import AddressError, LinkError

    try:
        tried = len(list(framings(arguments.listen)))
        url, data = _best_heard(arguments, tried)
    except AddressError as error:
        return complain([str(error)])
    except LinkError as error:
        complain([str(error)])
        return _CANNOT_OPEN
    found = guess(data) if is_legible(data) else None
    if found is not None and arguments.ask:
        found = replace(found, keys=(*found.keys, f'ask = "{_toml(_question(arguments))}"'))
    _tell_heard(arguments, url, data, found)
    return 0


def _best_heard(arguments: argparse.Namespace, tried: int) -> tuple[str, bytes]:
    """The framing at which the port is legible, and what it said there in the full time."""
    from drivers.guessing import heard_at
    from drivers.transport import Link, open_link

    asking = _question(arguments).encode()

    def opened(url: str) -> Link:
        if tried > 1:
            note(f"listening at {url.partition('?')[2].replace('&', ', ') or url}")
        link = open_link(url)
        return _Asking(link, asking) if asking else link

    full_s = arguments.seconds or _LISTEN_S
    url, data = heard_at(
        arguments.listen, full_s if tried == 1 else min(_TRY_S, full_s), time.monotonic, opened
    )
    if tried > 1 and data:
        data = heard_at(url, full_s, time.monotonic, opened)[1]
    return url, data


class _Asking:
    """A link on which a question is asked once a second, for what speaks only when asked."""

    def __init__(self, link: Any, question: bytes) -> None:
        self._link, self._question = link, question
        self._next_s = 0.0

    def read(self, max_bytes: int, timeout_s: float) -> bytes:
        now_s = time.monotonic()
        if now_s >= self._next_s:
            self._next_s = now_s + 1.0
            self._link.write(self._question)
        data: bytes = self._link.read(max_bytes, timeout_s)
        return data

    def write(self, data: bytes) -> None:
        self._link.write(data)

    def close(self) -> None:
        self._link.close()


def _question(arguments: argparse.Namespace) -> str:
    r"""What to ask, with \r and \n as a person types them."""
    text: str = arguments.ask or ""
    return text.replace("\\r", "\r").replace("\\n", "\n")


def _toml(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return escaped.replace("\r", "\\r").replace("\n", "\\n")


def _tell_heard(arguments: argparse.Namespace, url: str, data: bytes, found: Any) -> None:
    from drivers.guessing import is_legible, stanza
    from drivers.protocol import printable

    lines = [line for line in data.replace(b"\r", b"\n").split(b"\n") if line.strip()]
    heard = [printable(line) for line in lines]
    piece = stanza(found, _stable(url)) if found is not None else None
    if arguments.json:
        shape = None if found is None else {"driver": found.driver, "shape": found.shape}
        answer_json(
            {
                "format": 1,
                "port": url,
                "heard": heard,
                "legible": is_legible(data),
                "guess": shape,
                "stanza": piece,
            }
        )
        return
    for line in heard[-_SHOWN_LINES:]:
        say(f"  {line}")
    if piece is not None:
        say(f"{url}: {found.shape}\n\nPaste this into rig.toml and put roles in place of '?':\n")
        say(piece)
    elif not data:
        say(
            f"{url}: nothing was said. Some instruments speak only when asked: switch sending on, "
            'or try --ask "S\\r\\n" with the question of its manual'
        )
    elif is_legible(data):
        say(
            f"{url}: text, but of no shape that is known or too few lines; listen longer: --seconds"
        )
    else:
        say(f"{url}: bytes that are no text at any usual rate; does it speak Modbus, or binary?")


def _stable(url: str) -> str:
    """The same address by the port's own name, which outlives a new start."""
    from drivers.ports import stable_url
    from drivers.transport import parse_address

    address = parse_address(url)
    if address.scheme != "serial":
        return url
    _, mark, framing = url.partition("?")
    return stable_url(address.path) + mark + framing
