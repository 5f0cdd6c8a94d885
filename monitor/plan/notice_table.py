"""The tables [[notice]] of rig.toml: by which ways alarms leave the bench."""

from __future__ import annotations

from monitor.plan.fields import Fields, shown
from monitor.plan.model import Notice

__all__ = ["read_notices"]

_CLASSES = ("A", "B", "C")
_LONGEST_H = 30 * 24.0
_APPRISE = 'apprise_env = "NAME"'
_COMMAND = 'command = ["program", "argument", "{text}"]'


def read_notices(tables: list[Fields]) -> tuple[Notice, ...]:
    """[[notice]]: each one's own command, spoken words, or the notifier library."""
    read: list[Notice] = []
    for fields in tables:
        one = _notice(fields)
        if one.name and one.name in {other.name for other in read}:
            fields.problem("name", f"{one.name!r} a second time", "a name for each notice")
        read.append(one)
    return tuple(read)


def _notice(fields: Fields) -> Notice:
    name = fields.text("name", "what this way is called", required=True) or ""
    command = fields.texts("command", "a program and its arguments, {text} where the words go")
    fields.flag("speak")
    says = "the name of an environment variable that holds the addresses"
    apprise_env = fields.text("apprise_env", says)
    ways = ("command", "speak", "apprise_env")
    given = [key for key in ways if fields.as_it_stands(key) not in (None, False)]
    if len(given) > 1:
        fields.problem(given[1], f"{given[1]} beside {given[0]}", "one of them alone")
    elif not given:
        fields.problem("command", "no command", f"{_COMMAND}, speak = true, or {_APPRISE}")
    if apprise_env is not None and "://" in apprise_env:
        fields.problem("apprise_env", "an address in clear", says)
    every_h = fields.number(
        "test_every_h", "hours, above 0", (0.0, _LONGEST_H), open_ends=(True, False)
    )
    classes = _classes(fields)
    fields.finish()
    return Notice(name, command, classes, every_h, apprise_env)


def _classes(fields: Fields) -> tuple[str, ...]:
    if "classes" not in fields:
        return Notice("").classes
    says = 'classes of alarms, such as ["A", "B"]'
    classes = fields.texts("classes", says)
    for wrong in (one for one in classes if one not in _CLASSES):
        fields.problem("classes", f"found {shown(wrong)}", f"one of: {', '.join(_CLASSES)}")
    return classes
