"""`python -m monitor.recorder.apprising NAME TEXT`: one notice by the notifier library Apprise.

The addresses stand in the environment variable NAME, one or more with spaces between; they hold
secrets, so nothing here prints them. It is a process of its own: whoever starts it bounds its time.
"""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Mapping, Sequence

__all__ = ["main"]

_TITLE = "mantlewatch"


def _notify(name: str, text: str, environment: Mapping[str, str]) -> str:
    """Hand `text` to every address; what went wrong, or nothing."""
    addresses = environment.get(name, "").split()
    if not addresses:
        return f"apprise_env = {name!r}: there is no such environment variable, or it is empty"
    try:
        import apprise
    except ImportError:
        return "the notifier library is not installed: pip install 'mantlewatch[notify]'"
    logging.getLogger("apprise").setLevel(logging.CRITICAL + 1)  # its words hold the addresses
    failed = []
    for number, address in enumerate(addresses, 1):
        one = apprise.Apprise()
        if not one.add(address):
            failed.append(f"address {number} of {name} is none that the notifier knows")
        elif not one.notify(body=text, title=_TITLE, body_format=apprise.NotifyFormat.TEXT):
            failed.append(f"address {number} of {name} ({one[0].service_name}) did not take it")
    return "; ".join(failed)


def main(arguments: Sequence[str] | None = None) -> int:
    """0 where every address took it, else 1 with the reasons on stderr."""
    words = sys.argv[1:] if arguments is None else arguments
    if len(words) != 2:
        print("usage: python -m monitor.recorder.apprising NAME TEXT", file=sys.stderr)
        return 2
    wrong = _notify(words[0], words[1], os.environ)
    if wrong:
        print(wrong, file=sys.stderr)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
