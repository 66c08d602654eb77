"""Point spreads, given where they are exact: as transfer functions over frequency.

With f in cycles/px, ρ = |f| and σ, r, τ, a in px:
    Gaussian          exp(−2π²σ²ρ²)
    disc              2 J1(2πrρ) / (2πrρ)
    one-sided exp.    1 / (1 + 2πi·fy·τ), turned by exp(2πi·fy·τ) to rest on its centroid
    skirts            (1 + (2πaρ)²)^−3/2, the transform of exp(−ρ/a) / (2πa²)
    halo              G(core)·(1 + amount·(1 − G(σ)))
All are 1 at f = 0: light is moved, never lost.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Float
from sieve_inspect.synthetic.model import Optics

Reals = NDArray[np.floating[Any]]


def _gaussian(rho2: Reals, sigma: float) -> Float:
    return np.asarray(np.exp(-2 * (math.pi * sigma) ** 2 * rho2))


def _disc(rho2: Reals, radius: float) -> Float:
    from scipy.special import j1

    argument = 2 * math.pi * radius * np.sqrt(rho2)
    safe = np.where(argument < 1e-6, 1.0, argument)
    return np.asarray(np.where(argument < 1e-6, 1.0, 2 * j1(safe) / safe))


def transfer(optics: Optics, fx: Reals, fy: Reals) -> NDArray[np.complex128] | Float:
    """Transfer function at frequencies fx (m) and fy (n) in cycles/px, shape (n, m)."""
    fy = fy[:, None]
    rho2 = fx[None, :] ** 2 + fy**2
    size = optics.size_px
    if optics.kind == "none":
        return np.ones_like(rho2)
    if optics.kind == "gaussian":
        return _gaussian(rho2, size)
    core = _gaussian(rho2, optics.core_px)
    if optics.kind == "disc":
        return core * _disc(rho2, size)
    if optics.kind == "smear":
        phase = 2j * math.pi * fy * size
        turned: NDArray[np.complex128] = core * (np.exp(phase) / (1 + phase))
        return turned
    if optics.kind == "glare":
        skirts = (1 + (2 * math.pi * size) ** 2 * rho2) ** -1.5
        return core * ((1 - optics.share) + optics.share * skirts)
    return core * (1 + optics.share * (1 - _gaussian(rho2, size)))


def reach_px(optics: Optics) -> float:
    """Beyond this distance (px) a point spread holds less than about 1e-4 of its light."""
    if optics.kind == "none":
        return 0.0
    if optics.kind == "gaussian":
        return 5 * optics.size_px
    wide = {"disc": 1.5, "smear": 10.0, "glare": 12.0, "halo": 5.0}[optics.kind]
    return wide * optics.size_px + 5 * optics.core_px


def oversampling(optics: Optics) -> int:
    """Squares per px along each axis, fine enough for the sharpest part of the blur.

    A Gaussian of σ px leaves exp(−2π²σ²(n/2)²) at half the sampling rate n: below 1e-4.
    """
    if optics.kind == "none":
        return 1
    sharp = optics.size_px if optics.kind == "gaussian" else optics.core_px
    needed = 2 * math.sqrt(math.log(1e4) / 2) / (math.pi * max(sharp, 0.05))
    return int(min(6, max(2, math.ceil(needed))))
