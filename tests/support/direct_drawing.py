"""Cloth drawn point by point from the normal integral; shares no drawing with `synthetic`."""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import tifffile
from scipy.special import ndtr

from sieve_inspect.synthetic.round_cloth import RoundTruth

Float = np.ndarray
Field = Callable[[np.ndarray, np.ndarray], np.ndarray]  # of x and y as shares of the side
ROWS = 200
WIRE = 0.05


def srgb(light: Float) -> Float:
    """IEC 61966-2-1."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


@functools.cache
def evenly(value: float) -> Field:
    """The same value all over the picture."""
    return lambda x, _: np.full_like(x, value)


BRIGHT = evenly(0.75)


def draw_directly(
    path: Path,
    blur: Field,
    side: int = 1300,
    aperture: float = 15.0,
    wire: float = 9.0,
    lit: Field = BRIGHT,
    cut: float = 0.0,
    stored: Callable[[Float], Float] = srgb,
    missing: tuple[tuple[int, ...], tuple[int, ...]] = ((), ()),
    woven: Callable[[list[Float], int], None] = lambda _, __: None,
    turned: float = 4.0,
    seed: int = 1,
) -> RoundTruth:
    """Write a square scan whose blur (sigma, px) is a function of x and y as shares of its side.

    So is how bright the openings are, `lit`; more than 1 is lost. `cut` is taken off all light,
    what is left of it is written as `stored` says. `missing` are wires that are not there, from
    end to end: those that run up and down and those that run across, numbered from the middle.
    `woven` may change the gaps (two arrays, and the number of the middle one) before.

    Returns the openings within. A picture drawn before in this process is written again.
    """
    image, truth = _drawn(
        blur, side, aperture, wire, lit, cut, stored, missing, woven, turned, seed
    )
    tifffile.imwrite(path, image, photometric="minisblack")
    return truth


@functools.lru_cache(maxsize=40)
def _drawn(
    blur: Field,
    side: int,
    aperture: float,
    wire: float,
    lit: Field,
    cut: float,
    stored: Callable[[Float], Float],
    missing: tuple[tuple[int, ...], tuple[int, ...]],
    woven: Callable[[list[Float], int], None],
    turned: float,
    seed: int,
) -> tuple[npt.NDArray[np.uint8], RoundTruth]:
    rng = np.random.default_rng(seed)
    count = int(1.5 * side / (aperture + wire))
    families = []
    normal = [np.clip(rng.standard_normal(count), -3, 3) for _ in range(2)]
    gaps = [aperture * (1 + 0.03 * n) for n in normal]
    woven(gaps, count // 2)
    for gap in gaps:
        last = np.cumsum(gap + wire)
        last -= last[count // 2]
        families.append((last - gap, last))
    turn = np.deg2rad(turned)
    lost = [np.array(m, int) + count // 2 for m in missing]
    cos, sin, middle = np.cos(turn), np.sin(turn), side / 2

    def passed(u: Float, number: int, sigma: Float) -> Float:
        first, last = families[number]
        near = np.searchsorted(0.5 * (last[:-1] + first[1:]), u).clip(1, count - 2)
        parts = [(near + k) for k in (-1, 0, 1)]
        lit = sum(ndtr((u - first[k]) / sigma) - ndtr((u - last[k]) / sigma) for k in parts)
        for k in lost[number]:
            lit += ndtr((u - last[k]) / sigma) - ndtr((u - first[k + 1]) / sigma)
        return np.asarray(lit)

    image = np.empty((side, side), np.uint8)
    for top in range(0, side, ROWS):
        y, x = np.mgrid[top : min(side, top + ROWS), 0:side].astype(float)
        sigma = blur(x / side, y / side)
        u = cos * (x - middle) + sin * (y - middle)
        v = cos * (y - middle) - sin * (x - middle)
        open_here = (lit(x / side, y / side) - WIRE) * passed(u, 0, sigma)
        light = WIRE + open_here * passed(v, 1, sigma) - cut
        light = np.clip(light + 0.008 * rng.standard_normal(light.shape), 0, 1)
        image[top : top + ROWS] = np.rint(255 * stored(light))
    u, v = (i.ravel() for i in np.meshgrid(*[0.5 * (f + e) for f, e in families]))
    wide, high = (i.ravel() for i in np.meshgrid(*[e - f for f, e in families]))
    x, y = cos * u - sin * v + middle, sin * u + cos * v + middle
    inside = (np.minimum(x, y) > aperture) & (np.maximum(x, y) < side - aperture)
    no = np.zeros(inside.sum(), np.bool_)
    beside = [np.isin(np.arange(count), np.concatenate([k, k + 1])) for k in lost]
    torn = np.logical_or(*(i.ravel() for i in np.meshgrid(*beside)))[inside]
    return image, RoundTruth(x[inside], y[inside], wide[inside], high[inside], no, torn)
