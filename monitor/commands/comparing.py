"""`compare`: two runs side by side."""

from __future__ import annotations

import argparse
import dataclasses
import shutil
import time
from pathlib import Path

from monitor.commands.following import answered
from monitor.commands.new_files import expect_new, new_file
from monitor.commands.reporting import analyse
from monitor.commands.saying import UsageError, answer_json, expect_journal, note, say

__all__ = ["compare"]

_NOT_WELL = 1
_NARROWEST, _WIDEST = 80, 160


@answered
def compare(arguments: argparse.Namespace) -> int:
    """Lay two journals beside each other; 1 where one of them is not well."""
    from monitor.journal import is_recorded
    from monitor.report.comparing import compare_reports
    from monitor.report.comparing_page import comparison_html, comparison_text
    from monitor.report.gather import gather

    paths: list[Path] = [arguments.first, arguments.second]
    for path in paths:
        expect_journal(path)
    if paths[0].resolve() == paths[1].resolve():
        raise UsageError(f"compare: {paths[0]} twice; name two journals")
    out: Path | None = arguments.out
    if out is not None:
        expect_new(out, "compare")
    found = []
    for path in paths:
        recorded = is_recorded(path)
        if not recorded:
            analyse(path)
        found.append(gather(path, now_utc_s=time.time(), recorded=recorded))
    first, second = found
    rows = compare_reports(first, second)
    if out is not None:
        page = comparison_html(first, second, rows)
        with new_file(out, "compare") as file:
            file.write(page)
    for path, report in zip(paths, found, strict=True):
        for trouble in report.troubles:
            note(f"{path.name} is not well: {trouble}")
    if arguments.json:
        sides = (
            {"journal": path.name, "account": dataclasses.asdict(report.account)}
            for path, report in zip(paths, found, strict=True)
        )
        told = dict(zip(("first", "second"), sides, strict=True))
        answer_json({"format": 1, **told, "rows": [dataclasses.asdict(row) for row in rows]})
    elif out is not None:
        say(f"the comparison is {out}")
    else:
        columns = min(max(shutil.get_terminal_size((_NARROWEST, 24)).columns, _NARROWEST), _WIDEST)
        for line in comparison_text(first, second, rows, columns):
            say(line)
    return _NOT_WELL if any(report.troubles for report in found) else 0
