"""What rules remember: one dictionary for all of them, so no key may be two modules' own."""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import monitor.analysis

_KEEPERS = {"remember_slowly", "dead_band", "learned_ratio", "forget_ratio"}
"""They write under the key that they are given second."""


def _is_memory(node: ast.expr) -> bool:
    return getattr(node, "attr", getattr(node, "id", "")) == "memory"


def _written(tree: ast.AST) -> Iterator[str]:
    """Keys that a module writes, as far as they are spelled out."""
    for node in ast.walk(tree):
        keys: list[ast.expr] = []
        if isinstance(node, ast.Subscript) and isinstance(node.ctx, ast.Store):
            keys = [node.slice] if _is_memory(node.value) else []
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            keys = node.args[1:2] if node.func.id in _KEEPERS else []
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            sets = node.func.attr == "setdefault" and _is_memory(node.func.value)
            keys = node.args[:1] if sets else []
        for key in keys:
            if isinstance(key, ast.Constant) and isinstance(key.value, str):
                yield key.value


def test_what_one_module_remembers_no_other_writes_over() -> None:
    """Two rules once shared a name: the balance's was taken for the coolant's, and fell over it."""
    room = Path(monitor.analysis.__file__).parent
    by_key = defaultdict(set)
    for path in sorted(room.rglob("*.py")):
        for key in _written(ast.parse(path.read_text(encoding="utf-8"))):
            by_key[key].add(path.name)
    assert len(by_key) > 50
    assert {key: names for key, names in by_key.items() if len(names) > 1} == {}
