"""The command line: parse, call, print. A command's module is imported only when called."""

from __future__ import annotations

import argparse
import codecs
import contextlib
import errno
import importlib
import io
import math
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from monitor import __version__

__all__ = ["build_parser", "main"]

_NOT_SAFETY = (
    "mantlewatch observes only: it switches nothing and is not a safety system. "
    "Local rules, your own risk assessment and licensed practice come first."
)

_PLAN = "a plan file (TOML): what is in the pot, what should happen"
_RIG = "a rig file (TOML): which instrument gives which channel"
_JOURNAL = "the file of one run"

_TAKES_NO_MORE = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EBADF)
"""Full, too large, or its terminal is gone."""


def build_parser() -> argparse.ArgumentParser:
    """All commands with their options; `run` of each names the function that carries it out."""
    parser = argparse.ArgumentParser(
        prog="mantlewatch",
        description="Watches a charge on a heating mantle until its gas has gone, "
        "keeps the log, and warns.",
        epilog=_NOT_SAFETY,
    )
    parser.add_argument("--version", action="version", version=f"mantlewatch {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _add_live(commands)
    _add_plan(commands)
    _add_bench(commands)
    _add_journal(commands)
    _add_tables(commands)
    _add_learn(commands)
    return parser


_Commands = argparse._SubParsersAction  # argparse names no public type for this


def _command(
    commands: _Commands[argparse.ArgumentParser], name: str, does: str, run: str
) -> argparse.ArgumentParser:
    parser = commands.add_parser(name, help=does, description=does, epilog=_NOT_SAFETY)
    parser.add_argument("--json", action="store_true", help="print JSON for programs")
    parser.set_defaults(run=run)
    return parser


def _add_watching(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--plain", action="store_true", help="one line every few seconds, no dashboard"
    )
    parser.add_argument(
        "--every",
        type=_positive,
        default=10.0,
        metavar="S",
        help="with --plain: a line every S seconds of the run (default 10)",
    )


def _add_rehearsing(parser: argparse.ArgumentParser, speed: float) -> None:
    parser.add_argument(
        "--speed",
        type=_speed,
        default=speed,
        metavar="N",
        help=f"simulated seconds a second, 1 to 600 (default {speed:g})",
    )
    parser.add_argument(
        "--seed", type=int, default=1, metavar="N", help="seed of the simulated rig"
    )
    parser.add_argument("--out", type=Path, metavar="JOURNAL", help="where the journal goes")


def _add_live(commands: _Commands[argparse.ArgumentParser]) -> None:
    demo = _command(
        commands, "demo", "a rehearsal of the bundled plan, at speed", "monitor.commands.live:demo"
    )
    _add_rehearsing(demo, 60.0)
    _add_watching(demo)
    rehearse = _command(
        commands, "rehearse", "runs a plan on a simulated rig", "monitor.commands.live:rehearse"
    )
    rehearse.add_argument("plan", type=Path, metavar="PLAN", nargs="?", help=_PLAN)
    rehearse.add_argument(
        "--faults", action="store_true", help="list what can go wrong in a rehearsal"
    )
    rehearse.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="NAME@40min",
        help="something that goes wrong then (repeatable), to practise on",
    )
    rehearse.add_argument(
        "--instruments",
        metavar="SET",
        help="usual, flow-meter, twins, or every-kind (every protocol; needs --broker)",
    )
    rehearse.add_argument(
        "--broker", metavar="mqtt://HOST:PORT", help="an MQTT broker for simulated instruments"
    )
    _add_rehearsing(rehearse, 60.0)
    _add_watching(rehearse)
    run = _command(commands, "run", "records, analyses, warns", "monitor.commands.live:run")
    run.add_argument("plan", type=Path, metavar="PLAN", nargs="?", help=_PLAN)
    run.add_argument("--rig", type=Path, metavar="RIG", help=_RIG)
    run.add_argument("--out", type=Path, metavar="JOURNAL", help="where the journal goes")
    run.add_argument(
        "--resume", type=Path, metavar="JOURNAL", help="go on in a journal whose recorder has ended"
    )
    run.add_argument(
        "--all-the-same",
        action="store_true",
        help="record although the plan cannot work, cannot be read or is missing",
    )
    run.add_argument(
        "--no-checklist", action="store_true", help="without the questions before the run"
    )
    _add_watching(run)
    watch = _command(
        commands,
        "watch",
        "opens the dashboard on a run in progress or a finished one",
        "monitor.commands.live:watch",
    )
    watch.add_argument("journal", type=Path, metavar="JOURNAL", help=_JOURNAL)
    watch.add_argument(
        "--hold-C", type=_hold_C, metavar="C", help="what if the pot were held at C from now on"
    )
    _add_watching(watch)


def _add_plan(commands: _Commands[argparse.ArgumentParser]) -> None:
    plan = _command(
        commands,
        "plan",
        "checks a plan and prints what to expect",
        "monitor.commands.bench:plan",
    )
    plan.add_argument("plan", type=Path, metavar="PLAN", help=_PLAN)
    plan.add_argument("--hold-C", type=_hold_C, metavar="C", help="what if the last hold were at C")
    plan.add_argument("--rate", type=_positive, metavar="K", help="what if it ramped at K per min")
    plan.add_argument(
        "--hold-min", type=_positive, metavar="MIN", help="what if the last hold lasted MIN"
    )
    plan.add_argument("--rig", type=Path, metavar="RIG", help="judge it with this rig's parts")
    plan.add_argument("--coolant-C", type=float, metavar="C", help="what if the coolant were at C")
    plan.add_argument(
        "--plot", action="store_true", help="draw the expected course in the terminal"
    )
    plan.add_argument("--svg", type=Path, metavar="FILE", help="the same picture, to print")


def _add_bench(commands: _Commands[argparse.ArgumentParser]) -> None:
    rig = _command(
        commands,
        "rig",
        "opens every instrument, shows what it says and what is wrong with it",
        "monitor.commands.finding:rig",
    )
    rig.add_argument("rig", type=Path, metavar="RIG", help=_RIG)
    rig.add_argument(
        "--seconds", type=_positive, metavar="S", help="how long to listen (5; --touch: 60)"
    )
    what = rig.add_mutually_exclusive_group()
    what.add_argument(
        "--calibrate",
        action="store_true",
        help="two points, ice and boiling water: writes offset and gain into RIG",
    )
    what.add_argument(
        "--touch", action="store_true", help="warm one probe: tells which channel that is"
    )
    what.add_argument(
        "--bubble",
        metavar="CHANNEL=mL",
        help="let a known volume of gas through: writes what one bubble holds into RIG",
    )
    what.add_argument(
        "--known",
        action="append",
        metavar="CHANNEL=VALUE",
        help="Modbus: which type and order of bytes read as the display shows (repeatable)",
    )
    what.add_argument(
        "--alarm-test",
        action="store_true",
        help="try every way by which an alarm leaves the bench, with a test",
    )
    rig.add_argument(
        "--channel",
        action="append",
        metavar="NAME",
        help="with --calibrate: this one only (repeatable; all temperatures otherwise)",
    )
    rig.add_argument(
        "--pressure-kPa", type=_positive, metavar="P", help="with --calibrate: of the room's air"
    )
    ports = _command(
        commands,
        "ports",
        "what is plugged in, by its stable name",
        "monitor.commands.ports:ports",
    )
    ports.add_argument("--listen", metavar="PORT", help="show what that one says")
    ports.add_argument(
        "--ask", metavar="TEXT", help="with --listen: ask this once a second, as 'S\\r\\n'"
    )
    ports.add_argument("--seconds", type=_positive, metavar="S", help="how long to listen (5)")


def _add_journal(commands: _Commands[argparse.ArgumentParser]) -> None:
    mark = _command(commands, "mark", "appends a timed mark", "monitor.commands.journals:mark")
    mark.add_argument("journal", type=Path, metavar="JOURNAL", help=_JOURNAL)
    mark.add_argument("text", metavar="TEXT", help="what happened, in your own words")
    how = mark.add_mutually_exclusive_group()
    how.add_argument(
        "--kind",
        default="note",
        help="what sort of mark (default: note); 'measured' is a weight or titre for the report, "
        "as in 'residue 18.02 g'",
    )
    how.add_argument(
        "--corrects", type=int, metavar="ENTRY", help="what is right of an earlier entry, by number"
    )
    amend = _command(
        commands,
        "amend",
        "from now on another plan or rig; the old one stays in the journal",
        "monitor.commands.journals:amend",
    )
    amend.add_argument("journal", type=Path, metavar="JOURNAL", help=_JOURNAL)
    amend.add_argument("--plan", type=Path, metavar="PLAN", help=_PLAN)
    amend.add_argument("--rig", type=Path, metavar="RIG", help=_RIG)
    replay = _command(
        commands,
        "replay",
        "computes everything again from the readings",
        "monitor.commands.journals:replay",
    )
    replay.add_argument("journal", type=Path, metavar="JOURNAL", help=_JOURNAL)
    replay.add_argument(
        "--every", type=_positive, metavar="S", help="only lines at multiples of S seconds"
    )
    replay.add_argument(
        "--hold-C", type=_hold_C, metavar="C", help="beside each line: what if held at C from there"
    )
    report = _command(
        commands,
        "report",
        "the run on paper: one HTML file that needs nothing else",
        "monitor.commands.reporting:report",
    )
    report.add_argument("journal", type=Path, metavar="JOURNAL", help=_JOURNAL)
    report.add_argument(
        "--out", type=Path, metavar="FILE", help="where it goes (default: .html beside the journal)"
    )
    compare = _command(
        commands, "compare", "two runs side by side", "monitor.commands.comparing:compare"
    )
    compare.add_argument("first", type=Path, metavar="JOURNAL", help=_JOURNAL)
    compare.add_argument("second", type=Path, metavar="JOURNAL", help="that of another")
    compare.add_argument("--out", type=Path, metavar="FILE", help="as one HTML file, with courses")
    verify = _command(
        commands,
        "verify",
        "whole, unaltered, and what is missing",
        "monitor.commands.journals:verify",
    )
    verify.add_argument("journal", type=Path, metavar="JOURNAL", help=_JOURNAL)
    verify.add_argument("--head", metavar="HASH", help="proves the end too")


def _add_tables(commands: _Commands[argparse.ArgumentParser]) -> None:
    bring = _command(
        commands,
        "import",
        "makes a journal of somebody else's readings",
        "monitor.commands.tables:import_csv",
    )
    bring.add_argument("csv", type=Path, metavar="CSV", help="a table of readings")
    bring.add_argument("--plan", type=Path, metavar="PLAN", required=True, help=_PLAN)
    bring.add_argument("--out", type=Path, metavar="JOURNAL", help="where the journal goes")
    bring.add_argument("--rig", type=Path, metavar="RIG", help=_RIG)
    bring.add_argument("--marks", type=Path, metavar="FILE", help="timed marks: time, kind, text")
    bring.add_argument(
        "--map",
        action="append",
        default=[],
        metavar="'THEIRS=role [unit]'",
        help="names somebody else's header as a role (repeatable)",
    )
    bring.add_argument(
        "--skip", action="append", default=[], metavar="HEADER", help="leave that column out"
    )
    bring.add_argument(
        "--skip-rows", type=int, default=0, metavar="N", help="rows under the header to pass over"
    )
    out = _command(
        commands, "export", "readings as CSV or Parquet", "monitor.commands.tables:export"
    )
    out.add_argument("journal", type=Path, metavar="JOURNAL", help=_JOURNAL)
    out.add_argument(
        "--out",
        type=Path,
        metavar="FILE",
        help="Parquet where the name ends in .parquet, else CSV (default: CSV on the screen)",
    )
    out.add_argument("--marks", type=Path, metavar="FILE", help="the marks as a CSV of their own")
    out.add_argument(
        "--journal",
        dest="whole",
        type=Path,
        metavar="FILE",
        help="a whole copy of the journal, safe while the run goes on",
    )


def _add_learn(commands: _Commands[argparse.ArgumentParser]) -> None:
    learn = _command(
        commands,
        "learn",
        "the lab's own kinetics from its finished runs, as a reaction set",
        "monitor.commands.learning:learn",
    )
    learn.add_argument("journal", type=Path, metavar="JOURNAL", nargs="+", help=_JOURNAL)
    learn.add_argument("--out", type=Path, metavar="FILE", help="where the set goes (.toml)")
    learn.add_argument(
        "--name",
        metavar="NAME",
        help="the set's name (default own-runs), in the folder that MANTLEWATCH_SETS names",
    )
    learn.add_argument("--rehearsals", action="store_true", help="take simulated runs too")


def _positive(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0.0 < value < 1e9:
        raise argparse.ArgumentTypeError(f"{text!r} is no number above 0")
    return value


def _hold_C(text: str) -> float:
    """A temperature that a plan may hold too. [degC]"""
    from monitor.plan.plan_tables import COLDEST_C, HOTTEST_C

    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not COLDEST_C <= value <= HOTTEST_C:
        raise argparse.ArgumentTypeError(
            f"{text!r}: expected a temperature of {COLDEST_C:g} to {HOTTEST_C:g} degC"
        )
    return value


def _speed(text: str) -> float:
    value = _positive(text)
    if not 1.0 <= value <= 600.0:
        raise argparse.ArgumentTypeError(f"{text!r}: the speed goes from 1 to 600")
    return value


def main(argv: Sequence[str] | None = None) -> int:
    """Carry out one command; returns its exit code (0 well, 1 not well, 2 wrong use, 3 no port)."""
    _settle_output()
    try:
        try:
            arguments = build_parser().parse_args(argv)
        finally:
            sys.stdout.flush()  # its help
        module, function = arguments.run.split(":")
        code = getattr(importlib.import_module(module), function)(arguments)
        sys.stdout.flush()
    except BrokenPipeError:  # the reader of a pipe has gone: no fault of this command
        _drop_output()
        return 0
    except OSError as error:
        if error.filename is not None:  # a name that is too long, a folder that may not be read
            print(f"mantlewatch: {error.filename!r}: {error.strerror}", file=sys.stderr)
            return 2
        if error.errno not in _TAKES_NO_MORE:
            raise  # what is left names no file and means that a device is full: it came of printing
        _drop_output()
        with contextlib.suppress(OSError):  # that of errors may have gone with it
            why = error.strerror or error
            print(f"mantlewatch: the output takes no more: {why}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130
    return int(code)


def _settle_output() -> None:
    """See to it that no letter ends the program, nor an output that was closed from the first."""
    if sys.stdout is None:
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
    codecs.register_error("mantlewatch", _escaped)
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="mantlewatch")


def _escaped(error: UnicodeError) -> tuple[str, int]:
    """Letters that an output has not, each in the escape that JSON has too."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    units = error.object[error.start : error.end].encode("utf-16-be", "surrogatepass")
    pairs = (units[at : at + 2].hex() for at in range(0, len(units), 2))
    return "".join(f"\\u{pair}" for pair in pairs), error.end


def _drop_output() -> None:
    """What could not be written would be tried once more when the program ends."""
    with contextlib.suppress(OSError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


if __name__ == "__main__":
    sys.exit(main())
