"""The lab's own kinetics from its finished runs: which runs inform, the joint fit, the set file."""

from monitor.learning.learned import Learned, LearnedStep, check_informs, learn
from monitor.learning.runs import FinishedRun, UninformativeError, read_run
from monitor.learning.set_file import set_text
from monitor.learning.together import why_not_with

__all__ = [
    "FinishedRun",
    "Learned",
    "LearnedStep",
    "UninformativeError",
    "check_informs",
    "learn",
    "read_run",
    "set_text",
    "why_not_with",
]
