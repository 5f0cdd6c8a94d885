"""Imports run downwards only, as the picture in DEVELOPERS.md has it."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]

BELOW = {
    "drivers.reading": set(),
    "drivers": {"drivers.reading", "drivers"},
    "monitor.entries": {"drivers.reading"},
    "monitor.chemistry": {"monitor.chemistry"},
    "monitor.plan": {"monitor.plan", "monitor.chemistry", "drivers.reading"},
    "monitor.journal": {"monitor.journal", "monitor.entries", "drivers.reading"},
    "monitor.analysis": {
        "monitor.analysis",
        "monitor.plan",
        "monitor.chemistry",
        "monitor.entries",
        "drivers.reading",
    },
    "monitor.wording": {"monitor.wording"},
    "monitor.learning": {
        "monitor.learning",
        "monitor.analysis",
        "monitor.plan",
        "monitor.chemistry",
        "monitor.entries",
        "drivers.reading",
    },
    "monitor.rehearsal": {
        "monitor.rehearsal",
        "monitor.plan",
        "monitor.chemistry",
        "monitor.entries",
        "drivers.reading",
    },
    "monitor.exchange": {
        "monitor.exchange",
        "monitor.plan",
        "monitor.entries",
        "drivers.reading",
    },
    "monitor.recorder": {
        "monitor.recorder",
        "monitor.wording",
        "monitor.exchange",
        "monitor.journal",
        "monitor.analysis",
        "monitor.plan",
        "monitor.chemistry",
        "monitor.entries",
        "drivers",
        "drivers.reading",
    },
    "monitor.dashboard": {
        "monitor.dashboard",
        "monitor.wording",
        "monitor.journal",
        "monitor.analysis",
        "monitor.plan",
        "monitor.chemistry",
        "monitor.entries",
        "drivers.reading",
    },
    # The report says things in the words of the screen.
    "monitor.report": {
        "monitor.report",
        "monitor.wording",
        "monitor.dashboard",
        "monitor.journal",
        "monitor.analysis",
        "monitor.plan",
        "monitor.chemistry",
        "monitor.entries",
    },
}
"""Room -> the rooms that it may import. `monitor.cli` and `monitor.commands` may import all."""


def room_of(module: str) -> str | None:
    """The longest name in BELOW that the module is or lies in; None for libraries."""
    fits = [room for room in BELOW if module == room or module.startswith(room + ".")]
    return max(fits, key=len) if fits else None


def imported(path: Path) -> set[str]:
    """Every module that a file imports, at the top or inside a function."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            assert node.level == 0, f"{path}: relative import; write the whole name"
            found.add(node.module)
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def module_name(path: Path) -> str:
    parts = path.relative_to(TOP).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


FILES = [
    path
    for folder in ("monitor", "drivers")
    for path in sorted((TOP / folder).rglob("*.py"))
    if room_of(module_name(path)) is not None
]


def test_every_room_is_looked_at():
    """A room whose files had moved would pass unseen."""
    assert {room_of(module_name(path)) for path in FILES} == set(BELOW)


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(TOP)))
def test_imports_run_downwards(path):
    """No file reaches up or sideways."""
    room = room_of(module_name(path))
    reached = {room_of(name) for name in imported(path)} - {None}
    upward = {name for name in imported(path) if name.split(".")[0] == "monitor"} & {
        "monitor.cli",
        "monitor.commands",
    }

    assert reached <= BELOW[room]
    assert not upward


@pytest.mark.parametrize(
    ("module", "kept_out"),
    [
        ("monitor.chemistry", ("sqlite3", "textual", "asyncio", "serial")),
        ("monitor.wording.advice", ("sqlite3", "textual", "rich", "numpy")),
        ("monitor.analysis.fold", ("sqlite3", "textual", "serial", "pandas")),
        ("monitor.dashboard.app", ("monitor.analysis.estimate", "monitor.analysis.diagnosis")),
        ("monitor.cli", ("numpy", "pandas", "textual", "aiomqtt", "pymodbus", "serial")),
    ],
)
def test_a_fresh_interpreter_stays_clean(module, kept_out):
    """What is not needed is not even loaded: it costs start-up time, and tells of a wrong cut."""
    code = f"import sys, {module}; print([m for m in {kept_out!r} if m in sys.modules])"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=TOP, check=True
    )

    assert done.stdout.strip() == "[]"
