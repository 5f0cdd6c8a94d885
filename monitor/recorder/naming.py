"""What the recorder calls itself in entries; apart, so that whoever starts it loads no driver."""

from __future__ import annotations

__all__ = ["MOVED_HERE", "NAME", "started_by"]

NAME = "recorder"
"""Stands where an instrument's name would."""

MOVED_HERE = "moved-here"
"""State that it tells where it goes on in this file, because another is gone."""


def started_by(pid: int) -> str:
    """What a recorder says when it begins: by this it is told from one before it."""
    return f"process {pid}"
