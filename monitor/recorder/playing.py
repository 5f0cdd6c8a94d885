"""The driver `playback`: a table of readings or a journal, opened as an instrument.

`drivers.playback` keeps the time, `monitor.exchange.playing` reads the rows; here is what belongs
to files, and to the recording that goes on. A recording that is resumed, or whose rig is amended,
plays on from where its own time stands: what was played is in the journal and never said twice,
what fell into the gap stays there as with any instrument that spoke to nobody.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Final
from urllib.parse import unquote, urlsplit

from drivers.catalogue import DriverInfo, Key
from drivers.playback import Moment, PlaybackSession, speed_from
from drivers.protocol import BadInput, Clock, InstrumentSetup, SetupError, Values, reading_of
from drivers.transport import LinkError, PortMissingError, PortPermissionError
from monitor.entries import Body, Entry, InstrumentState
from monitor.plan.files import FileErrors, parse_rig
from monitor.recorder.instruments import setup_of

if TYPE_CHECKING:
    from monitor.exchange.playing import JournalRows, TableRows, Wanted
    from monitor.journal import Reader

__all__ = ["PLAYBACK", "Playing", "is_connection", "open_playback"]

_DATABASE: Final = b"SQLite format 3\0"
_LONGEST_LINE: Final = 65536
"""Bytes of one row; a file without line ends is not read into memory as a whole."""


def open_playback(
    setup: InstrumentSetup, clock: Clock, begun_s: float | None = None
) -> PlaybackSession:
    """Open the file that `setup.port` names, played from its beginning now.

    `begun_s`: it was begun before, at that time of the clock. Raises SetupError or LinkError.
    """
    speed = speed_from(setup.options)
    path = path_of(setup)
    file = _opened(path)
    try:
        is_journal = file.read(len(_DATABASE)) == _DATABASE
    except OSError as error:
        file.close()
        raise LinkError(f"{path}: {error.strerror or error}") from error
    if is_journal:
        file.close()
        return _of_journal(setup, path, clock, speed, begun_s)
    file.seek(0)
    return _of_table(setup, path, file, clock, speed, begun_s)


def path_of(setup: InstrumentSetup) -> Path:
    """The file of a port `file:///path`; SetupError says what is missing where it is none."""
    parts = urlsplit(setup.port)
    if parts.scheme != "file":
        raise SetupError(
            f"instrument {setup.name!r} has no file to play: its readings were handed in by an "
            'import. Write port = "file:///path/of/readings.csv" (or of a .run journal), or the '
            "driver and port of a real instrument"
        )
    if parts.netloc not in ("", "localhost") or not parts.path.startswith("/"):
        raise SetupError(
            f"{setup.port}: expected file:// and the whole path, three slashes in all: "
            "file:///home/me/readings.csv"
        )
    return Path(unquote(setup.port.partition("://")[2].removeprefix("localhost")))


def _opened(path: Path) -> BinaryIO:
    try:
        if not stat.S_ISREG(path.stat().st_mode):  # a pipe would keep us waiting for ever
            raise SetupError(f"{path}: no file; expected a table of readings or a journal")
        return path.open("rb")
    except FileNotFoundError as error:
        raise PortMissingError(f"{path}: there is no such file") from error
    except PermissionError as error:
        raise PortPermissionError(f"{path}: this user may not read it") from error
    except OSError as error:
        raise LinkError(f"{path}: {error.strerror or error}") from error


def _of_table(
    setup: InstrumentSetup,
    path: Path,
    file: BinaryIO,
    clock: Clock,
    speed: float,
    begun_s: float | None,
) -> PlaybackSession:
    from monitor.exchange.playing import TableRows

    time = setup.options.get("time")
    with _refusing(path, file.close):
        rows = TableRows(_lines(file, path), _wanted(setup), path.name, time)
        return PlaybackSession(
            _moments(rows, setup),
            clock,
            speed,
            begun_s,
            file.close,
            lambda: f"{path.name}: {_end_of(rows)}",
        )


def _end_of(rows: TableRows) -> str:
    text = f"played to its end, line {rows.line}"
    return f"{text}; rows that could not be read: {rows.unreadable}" if rows.unreadable else text


@contextlib.contextmanager
def _refusing(path: Path, close: Callable[[], None]) -> Iterator[None]:
    """What cannot be played is let go of, and refused for good where its content is the reason."""
    from monitor.exchange.header import TableError
    from monitor.journal import JournalError

    try:
        yield
    except BaseException as error:
        close()
        if isinstance(error, TableError):  # its sentences name the file each
            told = [problem.removeprefix(f"{path.name}: ") for problem in error.problems]
            raise SetupError(f"{path.name}: {'; '.join(told)}") from error
        if isinstance(error, JournalError):
            raise SetupError(str(error)) from error
        raise


def _lines(file: BinaryIO, path: Path) -> Iterator[str]:
    """Lines with their ends; of one without end in reach the beginning, without an end."""
    while True:
        try:
            line = file.readline(_LONGEST_LINE)
            rest = line
            while len(rest) == _LONGEST_LINE and not rest.endswith(b"\n"):
                rest = file.readline(_LONGEST_LINE)
        except OSError as error:
            raise LinkError(f"{path}: {error.strerror or error}") from error
        if not line:
            return
        yield line.decode("utf-8", "replace")


def _of_journal(
    setup: InstrumentSetup, path: Path, clock: Clock, speed: float, begun_s: float | None
) -> PlaybackSession:
    from monitor.exchange.playing import JournalRows
    from monitor.journal import JournalError, Reader, is_recorded

    try:
        reader = Reader(path)
    except JournalError as error:
        raise SetupError(str(error)) from error

    def ending() -> str:
        text = f"{path.name}: played to its end, {rows.last_s:.1f} s into that run"
        return f"{text}, which is still being recorded" if is_recorded(path) else text

    with _refusing(path, reader.close):
        rows = JournalRows(_entries(reader), _roles(reader), _wanted(setup), path.name)
        return PlaybackSession(_moments(rows, setup), clock, speed, begun_s, reader.close, ending)


def _entries(reader: Reader) -> Iterator[Entry]:
    """A journal that is torn in its middle does not mend by being opened again."""
    from monitor.journal import JournalError

    try:
        yield from reader.entries(kinds=("readings",))
    except JournalError as error:
        raise SetupError(str(error)) from error


def _roles(reader: Reader) -> Mapping[str, str]:
    """Channel -> role, by the rig the run began with and every amended one."""
    texts = [text for _, text in reader.rig_texts()]
    try:
        return {c.name: c.role for text in texts if text for c in parse_rig(text).channels()}
    except FileErrors as error:
        raise SetupError(f"{reader.path}: its rig cannot be read: {error}") from error


def _wanted(setup: InstrumentSetup) -> list[Wanted]:
    from monitor.exchange.playing import Wanted

    return [Wanted(c.name, c.role, c.unit, c.options.get("column")) for c in setup.channels]


def _moments(rows: TableRows | JournalRows, setup: InstrumentSetup) -> Iterator[Moment]:
    from monitor.exchange.playing import Row

    channels = {channel.name: channel for channel in setup.channels}
    for row in rows:
        if isinstance(row, Row):
            readings = tuple(reading_of(channels[n], raw, quality) for n, raw, quality in row.said)
            yield Moment(row.at_s, Values(readings))
        else:
            yield Moment(None, BadInput(row.text))


class Playing:
    """Opens files for one recording, and knows since when each has been played in it."""

    def __init__(self, recorded: Path) -> None:
        """`recorded`: the journal that is being written."""
        self._recorded = recorded
        self._begun_s: dict[tuple[str, str, float], float] = {}

    def __call__(self, setup: InstrumentSetup, clock: Clock) -> PlaybackSession:
        """Open it, or play on where its time stands. Raises SetupError or LinkError."""
        path = path_of(setup)
        if path.exists() and os.path.samefile(path, self._recorded):
            raise SetupError(f"{path}: this run's own journal; it would play its own echo")
        key = (setup.name, setup.port, speed_from(setup.options))
        begun_s = self._begun_s.get(key)
        session = open_playback(
            setup, clock, self._begun_before(key) if begun_s is None else begun_s
        )
        self._begun_s[key] = session.begun_s
        return session

    def _begun_before(self, key: tuple[str, str, float]) -> float | None:
        """When a recorder before this one opened the same file at the same speed, or None."""
        from monitor.journal import Reader

        with Reader(self._recorded) as reader:
            since = None
            for seq, text in reader.rig_texts():
                is_ours = key in _keys(text)
                since = None if not is_ours else seq if since is None else since
            if since is None:
                return None
            for entry in reader.entries(after_seq=since, kinds=("instrument",)):
                if is_connection(entry.body, key[0]):
                    return entry.elapsed_s
        return None


def is_connection(body: Body, instrument: str) -> bool:
    """Whether this entry says that `instrument` was reached."""
    return isinstance(body, InstrumentState) and (body.instrument, body.state) == (
        instrument,
        "connected",
    )


def _keys(rig_toml: str) -> set[tuple[str, str, float]]:
    """What tells one playing from another, for each that a rig holds."""
    found = set()
    with contextlib.suppress(FileErrors, SetupError):  # a rig that was never used
        for spec in parse_rig(rig_toml).instruments if rig_toml.strip() else ():
            if spec.driver == PLAYBACK.name:
                setup = setup_of(spec)
                found.add((setup.name, setup.port, speed_from(setup.options)))
    return found


PLAYBACK: Final = DriverInfo(
    "playback",
    "a table of readings (CSV) or the journal of another run, played again as an instrument",
    open_playback,
    keys={
        "speed": Key("number", "seconds of the record played in one second (1)"),
        "time": Key("text", "header of a table's column of seconds, if not elapsed [s] or time"),
    },
    channel_keys={
        "column": Key("text", "header of its column, or its channel in the journal"),
    },
    schemes=("file",),
)
