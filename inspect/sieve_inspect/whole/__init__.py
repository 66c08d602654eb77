"""Whole cloths from large scans, in bands, fast; see `cloth` for how."""

from sieve_inspect.whole.cloth import (
    WholeView,
    find_whole,
    look_at_whole,
    measure_whole,
    misfit_if,
    misfit_under,
)
from sieve_inspect.whole.crew import Crew, load_ahead, piece
from sieve_inspect.whole.sample import Known
from sieve_inspect.whole.sheet import Sheet

__all__ = [
    "Crew",
    "Known",
    "Sheet",
    "WholeView",
    "find_whole",
    "load_ahead",
    "look_at_whole",
    "measure_whole",
    "misfit_if",
    "misfit_under",
    "piece",
]
