"""What the recorder calls itself in entries; apart, so that whoever starts it loads no driver."""

from __future__ import annotations

__all__ = ["NAME", "started_by"]

NAME = "recorder"
"""Stands where an instrument's name would."""


def started_by(pid: int) -> str:
    """What a recorder says when it begins: by this it is told from one before it."""
    return f"process {pid}"
