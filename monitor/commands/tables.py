"""`import` and `export`: readings between journals and tables."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator, Sequence
from itertools import islice
from pathlib import Path

from monitor.commands.following import answered, channel_roles, open_reader
from monitor.commands.new_files import expect_new, new_file, new_name
from monitor.commands.saying import UsageError, answer_json, complain, read_text, say
from monitor.commands.starting import journal_path, load_plan, load_rig, run_started
from monitor.entries import ClosedCleanly
from monitor.exchange.header import TableError, parse_map
from monitor.exchange.readings_in import (
    INSTRUMENT,
    Marks,
    Table,
    TimedBody,
    read_marks,
    read_table,
)

__all__ = ["export", "import_csv"]

_BATCH = 2000


@answered
def import_csv(arguments: argparse.Namespace) -> int:
    """Make a journal of a table, with its marks, and compute its analysis."""
    plan, plan_text = load_plan(arguments.plan)
    rig, rig_text = load_rig(arguments.rig, or_table=True) if arguments.rig else (None, "")
    if arguments.skip_rows < 0:
        raise UsageError(f"--skip-rows {arguments.skip_rows}: expected 0 or more")
    try:
        renamed = _renamed(arguments.map)
        table = read_table(
            read_text(arguments.csv, "table").splitlines(keepends=True),
            str(arguments.csv),
            renamed=renamed,
            skipped=frozenset(arguments.skip),
            skip_rows=arguments.skip_rows,
            rig=None if rig is None else {c.name: c.role for c in rig.channels()},
        )
        marks = Marks((), ())
        if arguments.marks:
            lines = read_text(arguments.marks, "marks").splitlines(keepends=True)
            marks = read_marks(lines, str(arguments.marks), table)
    except TableError as error:
        return complain(error.problems)
    start_utc_s = table.start_utc_s()
    path = journal_path(
        arguments.out, plan.title, time.time() if start_utc_s is None else start_utc_s
    )
    started = run_started(
        plan, plan_text, rig_text or _rig_of(table), utc_offset_s=table.utc_offset_s
    )
    entries = _write(path, started, table, marks.rows)
    complain((*table.notes, *marks.notes))
    if arguments.json:
        answer_json({"format": 1, "journal": str(path), "entries": entries})
    else:
        say(f"{path}: {entries} entries; look at it with: mantlewatch watch {path}")
    return 0


def _renamed(maps: Sequence[str]) -> dict[str, str]:
    """Header as found -> header in our form; TableError where one is to be two."""
    renamed: dict[str, str] = {}
    for theirs, ours in map(parse_map, maps):
        if renamed.setdefault(theirs, ours) != ours:
            raise TableError(
                [f"--map names {theirs!r} as {renamed[theirs]!r} and as {ours!r}; expected one"]
            )
    return renamed


def _rig_of(table: Table) -> str:
    """A rig file that states what the table itself tells: its channels and their roles."""
    from drivers.reading import ROLES

    lines = [
        "format = 1",
        "",
        "[[instrument]]",
        f'name = "{INSTRUMENT}"',
        'driver = "playback"',
        'port = "table"',
        "",
        "[instrument.channels]",
    ]
    lines += [
        f'"{c.name}" = {{ role = "{c.role}", unit = "{ROLES[c.role].unit}" }}'
        for c in table.columns
    ]
    return "\n".join(lines) + "\n"


def _write(path: Path, started: object, table: Table, marks: Sequence[TimedBody]) -> int:
    from monitor.entries import RunStarted
    from monitor.journal import Journal
    from monitor.recorder.analyser import catch_up

    assert isinstance(started, RunStarted)
    bodies = sorted([*table.rows, *marks], key=lambda body: body.elapsed_s)
    last = bodies[-1]
    journal = Journal.create(path, started, table.start_utc_s())
    try:
        for batch in _batches(bodies):
            journal.append([(b.elapsed_s, b.utc_s, b.body) for b in batch])
        journal.append([(last.elapsed_s, last.utc_s, ClosedCleanly("imported to the end"))])
    finally:
        journal.close()
    catch_up(path)
    return len(bodies) + 2


def _batches(bodies: Sequence[TimedBody]) -> Iterator[list[TimedBody]]:
    iterator = iter(bodies)
    while batch := list(islice(iterator, _BATCH)):
        yield batch


@answered
def export(arguments: argparse.Namespace) -> int:
    """Write readings, marks or a whole copy of a journal."""
    from monitor.exchange import readings_out
    from monitor.journal import copy_journal

    if arguments.json and not (arguments.out or arguments.marks or arguments.whole):
        raise UsageError(
            "export --json: it tells what was written, and nothing is without a file; "
            "name one with --out, --marks or --journal, or leave --json out for CSV"
        )
    for path, what, option in (
        (arguments.whole, "journal", "--journal"),
        (arguments.marks, "marks", "--marks"),
        (arguments.out, "readings", "--out"),
    ):
        if path is not None:
            expect_new(path, what, option)
    with open_reader(arguments.journal) as reader:
        start = reader.start()
        done: dict[str, object] = {"format": 1}
        if arguments.whole is not None:
            journal_path(arguments.whole, start.title, 0.0)
            copy_journal(arguments.journal, arguments.whole)
            done["journal"] = str(arguments.whole)
        if arguments.marks is not None:
            begin_s = readings_out.begin_utc_s(reader.entries(kinds=("readings",), limit=1))
            with new_file(arguments.marks, "marks", "--marks") as out:
                done["marks"] = readings_out.write_marks(
                    reader.entries(kinds=("mark",)), out, start.utc_offset_s, begin_s
                )
        if arguments.out is None and (arguments.whole or arguments.marks):
            return _told(arguments, done)
        roles = channel_roles(reader)
        readings = reader.entries(kinds=("readings",))
        if arguments.out is None:
            readings_out.write_csv(readings, roles, sys.stdout, start.utc_offset_s)
            return 0
        if arguments.out.suffix == ".parquet":
            try:
                with new_name(arguments.out, "readings"):
                    done["rows"] = readings_out.write_parquet(
                        readings, roles, arguments.out, start.utc_offset_s
                    )
            except ImportError as error:
                raise UsageError(
                    "Parquet needs pyarrow, which is not installed; "
                    "install mantlewatch[parquet] or export to a .csv file"
                ) from error
        else:
            with new_file(arguments.out, "readings") as out:
                done["rows"] = readings_out.write_csv(readings, roles, out, start.utc_offset_s)
        done["file"] = str(arguments.out)
        return _told(arguments, done)


def _told(arguments: argparse.Namespace, done: dict[str, object]) -> int:
    if arguments.json:
        answer_json(done)
    else:
        say(", ".join(f"{key}: {value}" for key, value in done.items() if key != "format"))
    return 0
