"""Risk of a wrong decision after JCGM 106:2012, for normal distributions.

posterior of prior N(m0, u0²) and measurement N(y, u²), c the uncertainty they share:
    1/v = 1/(u0² − c²) + 1/(u² − c²)
    m   = v (m0/(u0² − c²) + y/(u² − c²)),  its variance v + c²
specific risk        the probability that this item, accepted, does not conform
consumer's risk R_C  = ∫ outside [TL, TU]  prior(η) P(accepted | η) dη
producer's risk R_P  = ∫ inside [TL, TU]   prior(η) P(rejected | η) dη
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

from sieve_inspect.verdict.rules import p_conform


@dataclass(frozen=True)
class Normal:
    """A quantity: its best estimate and standard uncertainty, in one unit."""

    mean: float
    u: float


def posterior(prior: Normal | None, measured: Normal, common: float = 0.0) -> Normal:
    """Prior and measurement together; without a prior the measurement alone.

    `common` is the standard uncertainty both share, such as that of one scale: it does not
    become smaller by measuring twice. Raises `ValueError` where it is not below both.
    """
    if prior is None:
        return measured
    parts = [p.u**2 - common**2 for p in (prior, measured)]
    if min(parts) <= 0:
        raise ValueError("the common uncertainty has to be below both")
    weights = [1 / part for part in parts]
    v = 1 / sum(weights)
    mean = v * (weights[0] * prior.mean + weights[1] * measured.mean)
    return Normal(mean, math.sqrt(v + common**2))


def specific_risk(
    measured: Normal,
    low: float | None,
    high: float | None,
    prior: Normal | None = None,
    common: float = 0.0,
) -> float:
    """The probability (0 to 1) that this very item lies outside its limits."""
    after = posterior(prior, measured, common)
    conform = p_conform(after.mean, after.u, low, high)
    if conform is None:
        raise ValueError("a risk needs a value and an uncertainty")
    return 1.0 - conform


def global_risks(
    prior: Normal, u_measured: float, tolerance: tuple[float, float], accept: tuple[float, float]
) -> tuple[float, float]:
    """Consumer's and producer's risk (0 to 1) over items like the prior (JCGM 106:2012 clause 9).

    `tolerance` and `accept` are the lower and upper limits, all in the prior's unit.
    """
    import numpy as np

    low, high = tolerance
    eta = prior.mean + prior.u * np.linspace(-8, 8, 8001)
    density = np.exp(-0.5 * ((eta - prior.mean) / prior.u) ** 2)
    density /= density.sum()
    cdf = NormalDist(0.0, u_measured).cdf
    accepted = np.array([cdf(accept[1] - e) - cdf(accept[0] - e) for e in eta.tolist()])
    # A step cut by a limit counts with the part of it that lies inside.
    step = float(eta[1] - eta[0])
    inside = np.clip(np.minimum(high - eta, eta - low) / step + 0.5, 0.0, 1.0)
    consumer = float((density * accepted * (1 - inside)).sum())
    producer = float((density * (1 - accepted) * inside).sum())
    return consumer, producer
