"""Loaded before any test module."""

import monitor  # noqa: F401  it has to be there before numpy, whose threads it sets
