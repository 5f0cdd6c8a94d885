"""Mantlewatch: a run monitor for somebody who heats a hydrated salt until its gas has gone."""

__version__ = "0.1.0"
