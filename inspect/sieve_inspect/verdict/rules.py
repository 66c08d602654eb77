"""The decision rules, in exact decimals.

    guard-band (ILAC-G8:09/2019, w = U, k = 2), for an upper limit TL:
        v ≤ TL − U pass · v ≤ TL conditional pass · v ≤ TL + U conditional fail · else fail
    simple:
        v ≤ TL pass · else fail

A value at the acceptance limit TL − U lies beyond TL with a probability of at most 2.28 %.
"""

from __future__ import annotations

import math
from decimal import Decimal

from sieve_inspect.verdict.model import OUTCOMES, worst

__all__ = ["NOT_JUDGED", "add", "decide", "exact"]

PASS, CONDITIONAL_PASS, CONDITIONAL_FAIL, FAIL = OUTCOMES
# What is not known has not been shown to conform, nor to fail.
NOT_JUDGED = CONDITIONAL_FAIL


def exact(value: float) -> Decimal:
    """A float as the decimal it is written as: 0.1 is 0.1, not 0.1000000000000000055."""
    return Decimal(repr(float(value)))


def add(a: float, b: float) -> float:
    """a + b without binary residue, so that 75 + 3.7 is the 78.7 of the table."""
    return float(exact(a) + exact(b))


def decide(
    value: float, expanded: float, low: float | None, high: float | None, rule: str
) -> str | None:
    """The outcome of a value with expanded uncertainty U between limits, lengths in one unit.

    None where the value or U is not a number, or U is negative: then nothing can be judged.
    """
    if not (math.isfinite(value) and math.isfinite(expanded) and expanded >= 0):
        return None
    band = Decimal(0) if rule == "simple" else exact(expanded)
    v = exact(value)
    beyond = []  # how far past each limit, negative inside
    if high is not None:
        beyond.append(v - exact(high))
    if low is not None:
        beyond.append(exact(low) - v)
    return worst(_side(excess, band) for excess in beyond)


def _side(excess: Decimal, band: Decimal) -> str:
    if excess <= -band:
        return PASS
    if excess <= 0:
        return CONDITIONAL_PASS
    return CONDITIONAL_FAIL if excess <= band else FAIL
