"""`report`: one run on paper."""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import time
from pathlib import Path

from monitor.commands.following import answered
from monitor.commands.new_files import expect_new, new_file
from monitor.commands.saying import answer_json, expect_journal, note, say

__all__ = ["analyse", "report"]

_NOT_WELL = 1


@answered
def report(arguments: argparse.Namespace) -> int:
    """Write the report of one journal; 1 where that journal is not well."""
    from monitor.journal import is_recorded
    from monitor.report.gather import gather

    path: Path = arguments.journal
    expect_journal(path)
    out: Path | None = arguments.out
    if out is None and not arguments.json:
        out = path.with_name(f"{path.name.removesuffix('.run')}.html")
    if out is not None:
        expect_new(out, "report")
    recorded = is_recorded(path)
    if not recorded:
        analyse(path)
    found = gather(path, now_utc_s=time.time(), recorded=recorded)
    if out is not None:
        from monitor.report.page import html_of

        page = html_of(found)
        with new_file(out, "report") as file:
            file.write(page)
    if arguments.json:
        answer_json({"format": 1, **dataclasses.asdict(found)})
    else:
        for trouble in found.troubles:
            note(f"not well: {trouble}")
        say(f"the report is {out}" + ("" if found.state == "finished" else f" ({found.state})"))
    return _NOT_WELL if found.troubles else 0


def analyse(path: Path) -> None:
    """Lines for all that was recorded; what cannot be analysed is left for the report to say."""
    from monitor.journal import JournalError
    from monitor.recorder.analyser import catch_up

    with contextlib.suppress(JournalError, ValueError, OSError):
        catch_up(path)
