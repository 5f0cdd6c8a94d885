"""Reads plan.toml and rig.toml: every problem at once, each with its place and its cure."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from monitor.plan.boil_down import read_boil_down
from monitor.plan.checklist import read_checklist
from monitor.plan.fields import Fields, open_source
from monitor.plan.model import Plan, Rig
from monitor.plan.notice_table import read_notices
from monitor.plan.plan_tables import (
    read_charge,
    read_done,
    read_limits,
    read_profile,
    read_receivers,
    read_site,
    read_stop_plan,
)
from monitor.plan.problems import FileErrors, Problem
from monitor.plan.publish_table import read_publish
from monitor.plan.rig_tables import (
    DriverKeys,
    read_coolant,
    read_instruments,
    read_train,
    with_bubbles,
)
from monitor.plan.step_tables import check_steps, merge_steps, read_set, read_steps

__all__ = ["FileErrors", "Problem", "parse_plan", "parse_rig", "read_plan"]


def read_plan(path: Path, sets_folder: Path | None = None) -> Plan:
    """Read a plan from a file. Raises FileErrors, also where it cannot be opened."""
    return parse_plan(_text(path), str(path), sets_folder, is_new=True)


def _text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8")
    except OSError as error:
        problem = Problem(str(path), "", "", None, str(error.strerror), "a file that can be read")
        raise FileErrors([problem]) from error
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        problem = Problem(str(path), "", "", line, "not UTF-8", "TOML saved as UTF-8")
        raise FileErrors([problem]) from error


def parse_plan(
    text: str,
    file: str = "plan.toml",
    sets_folder: Path | None = None,
    *,
    is_new: bool = False,
) -> Plan:
    r"""Read a plan from its text.

    `sets_folder` holds reaction sets of the person's own. `is_new`: what would be passed over in a
    plan that a journal has held for long is refused too. Raises FileErrors with all problems.

    >>> parse_plan('format = 1\n[run]\ntitle = "Drying"\n[[profile]]\n'
    ...            'rate_K_per_min = 2\nto_C = 105\nhold_min = 60').profile[0].to_C
    105.0
    """
    source, top = open_source(text, file, is_new)
    title, bench, batch, unplanned = _run(top)
    charge = read_charge(top.table("charge"))
    before = len(source.problems)
    tables = top.tables("step")
    set_name, of_set = read_set(top.table("reactions"), sets_folder, charge, tables)
    own, places = read_steps(tables, of_set)
    steps = merge_steps(of_set, own)
    names = tuple(step.name for step in steps) if len(source.problems) == before else None
    profile = read_profile(top.tables("profile"))
    # An array without a table in it plans nothing.
    nothing: tuple[object, ...] = (None, []) if is_new else (None,)
    tried = (top.as_it_stands(key) for key in ("profile", "step", "reactions"))
    has_plan = any(value not in nothing for value in tried)
    if unplanned and has_plan:
        top.problem("run", "unplanned = true beside a profile or steps", "one of the two alone")
    if not unplanned and not has_plan:
        top.problem("", "neither a profile nor a step", "[[profile]], [[step]] or [reactions]")
    checklist = read_checklist(top.table("checklist"))
    plan = Plan(
        title=title,
        steps=steps,
        profile=profile,
        charge=charge,
        site=read_site(top.table("site")),
        receivers=read_receivers(top.tables("receiver")),
        done=read_done(top.table("done"), names),
        limits=read_limits(top.table("limits")),
        set_name=set_name,
        bench=bench,
        batch=batch,
        stop_plan=read_stop_plan(top.table("stop_plan")),
        checklist=checklist.ask,
        check_in_min=checklist.check_in_min,
        checklist_unread=checklist.unread,
        marks_unread=_marks(top),
        boil_down=read_boil_down(top.table("boil_down"), charge),
    )
    top.finish()
    if steps and not source.problems:
        check_steps(steps, charge, top, places)
    source.finish()
    return plan


def _marks(top: Fields) -> tuple[str, ...]:
    """[marks] is kept for later: its keys, so that a person is told that none is read."""
    if not (top.source.is_new or isinstance(top.as_it_stands("marks"), dict)):
        top.accept("marks")
        return ()
    fields = top.table("marks")
    return tuple(key for key, _ in fields.others() if key.isprintable()) if fields else ()


def _run(top: Fields) -> tuple[str, str | None, str | None, bool]:
    """Title, bench, batch, and whether nothing is planned: readings are recorded, not judged."""
    fields = top.table("run")
    if fields is None:
        if "run" not in top:
            top.problem("run", "there is no [run]", 'a table [run] with title = "..."')
        return "", None, None, False
    title = fields.text("title", "what this run is called", required=True) or ""
    bench = fields.text("bench", "where it is done")
    batch = fields.text("batch", "a word that runs of one batch share")
    unplanned = fields.flag("unplanned")
    fields.finish()
    return title, bench, batch, unplanned


def parse_rig(
    text: str,
    file: str = "rig.toml",
    drivers: Mapping[str, DriverKeys] | None = None,
    *,
    or_table: bool = False,
) -> Rig:
    """Read a rig from its text.

    `drivers` maps the name of each driver to the keys that it takes; without it, as for a rig that
    a journal holds, any driver and any key of an instrument is taken as it stands. `or_table`: an
    instrument may be a table handed in by an import. Raises FileErrors with all problems.

    >>> parse_rig("format = 1").channels()
    ()
    """
    source, top = open_source(text, file, is_new=drivers is not None)
    instruments = read_instruments(top.tables("instrument"), drivers, or_table)
    train = read_train(top.table("train"))
    rig = Rig(
        with_bubbles(instruments, train),
        train,
        read_coolant(top.table("coolant")),
        read_publish(top.table("publish")),
        read_notices(top.tables("notice")),
    )
    top.finish()
    source.finish()
    return rig
