"""Watches a charge on a heating mantle until its gas has gone, keeps the log, and warns."""

import os

__version__ = "0.1.0"

# Before numpy is loaded. The matrices here are small: more threads cost more than they bring, and
# how a sum is split among them would show in its last bit.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
