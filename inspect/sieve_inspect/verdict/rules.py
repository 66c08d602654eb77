"""The decision rules, in exact decimals where a limit is judged.

    guard-band (ILAC-G8:09/2019, w = r U, r = 1 unless given), for an upper limit TL:
        v ≤ TL − w pass · v ≤ TL conditional pass · v ≤ TL + w conditional fail · else fail
    simple (w = 0):
        v ≤ TL pass · else fail
    probability (JCGM 106:2012 clause 7), P the probability that the true value conforms:
        P ≥ p pass · inside TL conditional pass · 1 − P ≥ p fail · else conditional fail

U = k u is taken for 95.45 %, with k from the t-distribution at the value's effective degrees of
freedom; the probability rule uses the same distribution. A value at the acceptance limit TL − U
lies beyond TL with a probability of at most 2.28 %.
A rule is written `guard-band`, `guard-band:0.83`, `simple`, `probability:0.95`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal
from statistics import NormalDist

from sieve_inspect.errors import UsageError
from sieve_inspect.outcomes import Outcome, worst
from sieve_inspect.summary.uncertainty import whole_dof

RULES = ("guard-band", "simple", "probability")
# What is not known has not been shown to conform, nor to fail.
UNKNOWN = Outcome.CONDITIONAL_FAIL


@dataclass(frozen=True)
class Rule:
    """A decision rule: its name and its number.

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
        """The guard band as a multiple of U at k = 2; for "probability" that of one limit."""
        return self.factor_at()

    def factor_at(self, k: float = 2.0, dof: float = math.inf) -> float:
        """The guard band as a multiple of U = k u with `dof` effective degrees of freedom."""
        if self.name == "probability":
            return _quantile(self.number, dof) / k
        return self.number if self.name == "guard-band" else 0.0


def read_rule(text: str) -> Rule:
    """Read a rule as written. Raises `UsageError` for an unknown name or a number out of range.

    r lies above 0 and up to 3, p in 0.5 to below 1.
    """
    name, _, amount = text.strip().lower().partition(":")
    if name not in RULES or (name == "simple" and amount):
        raise UsageError(message=f"'{text}' is not a decision rule. Use {_HOW}.")
    try:
        number = float(amount) if amount else {"probability": 0.95}.get(name, 1.0)
    except ValueError:
        raise UsageError(message=f"'{amount}' in the rule '{text}' is not a number.") from None
    fits = 0.5 <= number < 1 if name == "probability" else 0 < number <= 3
    if not fits:
        span = "0.5 to below 1" if name == "probability" else "above 0 to 3"
        raise UsageError(message=f"The number in the rule '{text}' must lie in {span}.")
    return Rule(name, number)


_HOW = "guard-band, guard-band:R (band R times U), simple, or probability:P"


def exact(value: float) -> Decimal:
    """A float as the decimal it is written as: 0.1 is 0.1, not 0.1000000000000000055."""
    return Decimal(repr(float(value)))


def add(a: float, b: float) -> float:
    """a + b without binary residue, so that 75 + 3.7 is the 78.7 of the table."""
    return float(exact(a) + exact(b))


def p_conform(
    value: float, u: float, low: float | None, high: float | None, dof: float = math.inf
) -> float | None:
    """The probability that the true value lies within the limits (JCGM 106:2012 7.2 to 7.4).

    The value has the standard uncertainty u with `dof` effective degrees of freedom, all in one
    unit: a t-distribution, normal where they are infinite. None where value or u is not a number
    or u is negative.
    """
    if not (math.isfinite(value) and math.isfinite(u) and u >= 0):
        return None
    beyond = 0.0
    if high is not None:
        beyond += _tail(value - high, u, dof)
    if low is not None:
        beyond += _tail(low - value, u, dof)
    return min(max(1.0 - beyond, 0.0), 1.0)


def _tail(excess: float, u: float, dof: float) -> float:
    """The probability that something spread by u about `excess` is over 0."""
    if u <= 0:
        return 1.0 if excess > 0 else 0.0
    if math.isfinite(dof):
        from scipy.special import stdtr

        return float(stdtr(whole_dof(dof), excess / u))
    z = -excess / u
    # erfc of more than a few tens is 0 or 2; a quotient may overflow for a vanishing u.
    return 0.5 * math.erfc(max(min(z, 1e3), -1e3) / math.sqrt(2))


def _quantile(p: float, dof: float) -> float:
    """The standard uncertainties below which the share p of the distribution lies."""
    if not math.isfinite(dof):
        return NormalDist().inv_cdf(p)
    from scipy.special import stdtrit

    return float(stdtrit(whole_dof(dof), p))


def decide(
    value: float,
    expanded: float,
    low: float | None,
    high: float | None,
    rule: str | Rule,
    k: float = 2.0,
    dof: float = math.inf,
) -> Outcome | None:
    """The outcome of a value with expanded uncertainty U = k u between limits, in one unit.

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
        conform = p_conform(value, expanded / k, low, high, dof)
        assert conform is not None
        return _by_probability(conform, rule.number, inside=max(beyond) <= 0)
    band = exact(expanded) * exact(rule.number) if rule.name == "guard-band" else Decimal(0)
    return worst(_side(excess, band) for excess in beyond)


def _by_probability(conform: float, p: float, *, inside: bool) -> Outcome:
    if inside:
        return Outcome.PASS if conform >= p else Outcome.CONDITIONAL_PASS
    return Outcome.FAIL if 1 - conform >= p else Outcome.CONDITIONAL_FAIL


def _side(excess: Decimal, band: Decimal) -> Outcome:
    if excess <= -band:
        return Outcome.PASS
    if excess <= 0:
        return Outcome.CONDITIONAL_PASS
    return Outcome.CONDITIONAL_FAIL if excess <= band else Outcome.FAIL
