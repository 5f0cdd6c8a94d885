"""Serve a rehearsal's instruments: python -m monitor.rehearsal PLAN --speed 60."""

from __future__ import annotations

import argparse
import asyncio
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from monitor.plan.files import FileErrors, read_plan
from monitor.rehearsal.benches import USUAL, BenchError, instruments_of, refuse_unheard
from monitor.rehearsal.entries import Rehearsal
from monitor.rehearsal.faults import FaultError, Faults, playable
from monitor.rehearsal.serve import Pace, serve

__all__ = ["main"]


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m monitor.rehearsal",
        description="Serves the instruments of a simulated rig until standard input closes.",
    )
    parser.add_argument("plan", type=Path, metavar="PLAN")
    parser.add_argument("--speed", type=_speed, default=1.0, metavar="N")
    parser.add_argument("--seed", type=int, default=1, metavar="N")
    parser.add_argument("--fault", action="append", default=[], metavar="NAME@40min")
    parser.add_argument("--epoch", type=float, metavar="S", help="monotonic clock at time zero")
    parser.add_argument("--instruments", default=USUAL, metavar="SET")
    parser.add_argument("--broker", metavar="mqtt://HOST:PORT")
    parser.add_argument("--sets", type=Path, metavar="FOLDER", help="reaction sets of one's own")
    return parser


def _speed(text: str) -> float:
    speed = float(text)
    if not 0.1 <= speed <= 600.0:
        raise argparse.ArgumentTypeError(f"{text} is no speed; expected 0.1 to 600")
    return speed


def main(argv: Sequence[str] | None = None) -> int:
    """Serve; 0 when it ended as asked, 2 where something that was asked for cannot be had."""
    arguments = _parser().parse_args(argv)
    epoch_s = time.monotonic() if arguments.epoch is None else arguments.epoch
    pace = Pace(epoch_s, arguments.speed)
    try:
        run = _rehearsal(arguments)
        asyncio.run(serve(run, pace, lambda line: print(line, flush=True), arguments.broker))
    except FileErrors as errors:
        print(*errors.problems, sep="\n", file=sys.stderr)
        return 2
    except (FaultError, BenchError) as error:
        print(error, file=sys.stderr)
        return 2
    return 0


def _rehearsal(arguments: argparse.Namespace) -> Rehearsal:
    """What is to be played. Raises FileErrors, FaultError or BenchError."""
    plan = read_plan(arguments.plan, arguments.sets)
    instruments = instruments_of(arguments.instruments)
    faults = Faults(playable(text) for text in arguments.fault).all
    refuse_unheard(faults, instruments)
    if arguments.broker is not None and all(one.driver != "mqtt" for one in instruments):
        raise BenchError(
            f"broker {arguments.broker!r}: none of these instruments speaks through one; "
            "choose --instruments every-kind, or leave --broker out"
        )
    return Rehearsal(plan, arguments.seed, faults, instruments)


if __name__ == "__main__":
    sys.exit(main())
