"""`python -m tests.benchmarks [NAME...] [OPTIONS]`: measure, print figures.

A benchmark is a module of this folder with a `main(argv) -> int`; the first line of its docstring
says what it measures. Without a name all run, but those that say ON_REQUEST.
"""

from __future__ import annotations

import importlib
import pkgutil
import sys
from collections.abc import Mapping, Sequence
from types import ModuleType

import tests.benchmarks


def _table() -> Mapping[str, ModuleType]:
    names = [m.name for m in pkgutil.iter_modules(tests.benchmarks.__path__)]
    modules = {
        name: importlib.import_module(f"tests.benchmarks.{name}")
        for name in names
        if name != "__main__"
    }
    return {name: module for name, module in modules.items() if hasattr(module, "main")}


def main(words: Sequence[str]) -> int:
    """Run the benchmarks named before the first option; options go to each of them."""
    table = _table()
    first = next((n for n, word in enumerate(words) if word.startswith("-")), len(words))
    named, options = words[:first], words[first:]
    unknown = [name for name in named if name not in table]
    if unknown or (options == ["--help"] and not named):
        for name, module in table.items():
            on_request = " (on request)" if getattr(module, "ON_REQUEST", False) else ""
            print(f"{name:10} {(module.__doc__ or '').splitlines()[0]}{on_request}")
        return 2 if unknown else 0
    chosen = named or [n for n, m in table.items() if not getattr(m, "ON_REQUEST", False)]
    worst = 0
    for name in chosen:
        print(f"== {name}", flush=True)
        worst = max(worst, table[name].main(list(options)))
    return worst


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
