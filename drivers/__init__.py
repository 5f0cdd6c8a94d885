"""Instruments to readings. Knows nothing of chemistry and imports nothing of the monitor."""
