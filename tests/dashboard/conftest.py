"""Journals and a clock that tests of the screen share."""

import pytest

from monitor.dashboard.follower import Follower
from tests.dashboard.making import START_UTC_S


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self):
        self.monotonic_s = 100.0
        self.wall_utc_s = START_UTC_S + 6000.0

    def move(self, seconds):
        self.monotonic_s += seconds
        self.wall_utc_s += seconds


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def follow(clock):
    """Open a journal with the standing clock; closed again behind the test."""
    opened = []

    def open_(path, **options):
        follower = Follower(
            path,
            monotonic_s=lambda: clock.monotonic_s,
            wall_utc_s=lambda: clock.wall_utc_s,
            **options,
        )
        opened.append(follower)
        return follower

    yield open_
    for follower in opened:
        follower.close()
