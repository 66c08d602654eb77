"""The decision rules, in exact decimals where a limit is judged.

    guard-band (ILAC-G8:09/2019, w = r U, U = 2u, r = 1 unless said), for an upper limit TL:
        v ≤ TL − w pass · v ≤ TL conditional pass · v ≤ TL + w conditional fail · else fail
    simple (w = 0):
        v ≤ TL pass · else fail
    probability (JCGM 106:2012 clause 7), P the probability that the true value conforms:
        P ≥ p pass · inside TL conditional pass · 1 − P ≥ p fail · else conditional fail

A value at the acceptance limit TL − U lies beyond TL with a probability of at most 2.28 %.
A rule is written `guard-band`, `guard-band:0.83`, `simple`, `probability:0.95`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal
from statistics import NormalDist

from sieve_inspect.errors import UsageError
from sieve_inspect.verdict.model import OUTCOMES, RULES, worst

__all__ = ["NOT_JUDGED", "Rule", "add", "decide", "exact", "p_conform", "read_rule"]

PASS, CONDITIONAL_PASS, CONDITIONAL_FAIL, FAIL = OUTCOMES
# What is not known has not been shown to conform, nor to fail.
NOT_JUDGED = CONDITIONAL_FAIL


@dataclass(frozen=True)
class Rule:
    """A decision rule: its name, and the one number it may carry.

    `number` is r for "guard-band" (the band is r U), p for "probability", unused for "simple".
    """

    name: str
    number: float = 1.0

    @property
    def spec(self) -> str:
        """As it is written and stored; r = 1 is not spelled out."""
        plain = self.name == "simple" or (self.name == "guard-band" and self.number == 1.0)
        return self.name if plain else f"{self.name}:{self.number:g}"

    @property
    def factor(self) -> float:
        """The guard band as a multiple of U (k = 2); for "probability" that of one limit."""
        if self.name == "probability":
            return NormalDist().inv_cdf(self.number) / 2
        return self.number if self.name == "guard-band" else 0.0


def read_rule(text: str) -> Rule:
    """Read a rule as written. Raises `UsageError` for an unknown name or a number out of range.

    r lies above 0 and up to 3, p in 0.5 to below 1.
    """
    name, _, amount = text.strip().lower().partition(":")
    if name not in RULES or (name == "simple" and amount):
        raise UsageError(message=f"'{text}' is no decision rule: use {_HOW}.")
    try:
        number = float(amount) if amount else {"probability": 0.95}.get(name, 1.0)
    except ValueError:
        raise UsageError(message=f"'{amount}' in the rule '{text}' is no number.") from None
    fits = 0.5 <= number < 1 if name == "probability" else 0 < number <= 3
    if not fits:
        span = "0.5 to below 1" if name == "probability" else "above 0 to 3"
        raise UsageError(message=f"The number of the rule '{text}' has to lie in {span}.")
    return Rule(name, number)


_HOW = "guard-band, guard-band:R (band R times U), simple, or probability:P"


def exact(value: float) -> Decimal:
    """A float as the decimal it is written as: 0.1 is 0.1, not 0.1000000000000000055."""
    return Decimal(repr(float(value)))


def add(a: float, b: float) -> float:
    """a + b without binary residue, so that 75 + 3.7 is the 78.7 of the table."""
    return float(exact(a) + exact(b))


def p_conform(value: float, u: float, low: float | None, high: float | None) -> float | None:
    """The probability that the true value lies within the limits (JCGM 106:2012 7.2 to 7.4).

    The value is taken as normal with standard uncertainty u, all in one unit; None where value
    or u is no number or u is negative.
    """
    if not (math.isfinite(value) and math.isfinite(u) and u >= 0):
        return None
    beyond = 0.0
    if high is not None:
        beyond += _tail(value - high, u)
    if low is not None:
        beyond += _tail(low - value, u)
    return min(max(1.0 - beyond, 0.0), 1.0)


def _tail(excess: float, u: float) -> float:
    """The probability that something normal about `excess` is over 0."""
    if u <= 0:
        return 1.0 if excess > 0 else 0.0
    z = -excess / u
    # erfc of more than a few tens is 0 or 2; a quotient may overflow for a vanishing u.
    return 0.5 * math.erfc(max(min(z, 1e3), -1e3) / math.sqrt(2))


def decide(
    value: float, expanded: float, low: float | None, high: float | None, rule: str | Rule
) -> str | None:
    """The outcome of a value with expanded uncertainty U between limits, lengths in one unit.

    None where the value or U is not a number, or U is negative: then nothing can be judged.
    """
    if not (math.isfinite(value) and math.isfinite(expanded) and expanded >= 0):
        return None
    if isinstance(rule, str):
        rule = read_rule(rule)
    v = exact(value)
    beyond = []  # how far past each limit, negative inside
    if high is not None:
        beyond.append(v - exact(high))
    if low is not None:
        beyond.append(exact(low) - v)
    if rule.name == "probability":
        return _by_probability(value, expanded / 2, low, high, rule.number, max(beyond) <= 0)
    band = exact(expanded) * exact(rule.number) if rule.name == "guard-band" else Decimal(0)
    return worst(_side(excess, band) for excess in beyond)


def _by_probability(
    value: float, u: float, low: float | None, high: float | None, p: float, inside: bool
) -> str:
    conform = p_conform(value, u, low, high)
    assert conform is not None
    if inside:
        return PASS if conform >= p else CONDITIONAL_PASS
    return FAIL if 1 - conform >= p else CONDITIONAL_FAIL


def _side(excess: Decimal, band: Decimal) -> str:
    if excess <= -band:
        return PASS
    if excess <= 0:
        return CONDITIONAL_PASS
    return CONDITIONAL_FAIL if excess <= band else FAIL
