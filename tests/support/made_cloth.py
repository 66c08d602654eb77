"""Maps of simulated cloth, without pictures: for tests and benchmarks of recognition."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sieve_inspect.apertures.flags import State
from sieve_inspect.arrays import Float
from sieve_inspect.identity.cloth_map import STATES, ClothMap, Known

APERTURE, PITCH, SD = 75.0, 125.0, 2.2  # um
KNOWN = Known((0.02, 0.02), (0.0, 0.0), (0.01, 0.01), (1e-3, 1e-3), (5.29, 5.29), "the same device")


@dataclass(frozen=True)
class Loom:
    """How cloth varies: along its wires, in seasons, between odd and even gaps, um.

    With `period` (gaps) all cloths of the loom have the same seasons, else each its own.
    """

    drift: float = 0.5
    knuckle: float = 0.2
    season: float = 0.0
    comb: float = 0.0
    sd: float = SD
    period: float = 0.0


STRAIGHT = Loom(drift=0.0, knuckle=0.0)
LOOMS = {
    "straight wires": STRAIGHT,
    "wandering wires": Loom(),
    "seasons of the loom": Loom(season=1.5),
    "odd and even gaps": Loom(comb=3.0),
}
SAME_SEASONS = {"the same seasons": Loom(season=3.0, period=23.0)}


def woven(
    rng: np.random.Generator,
    shape: tuple[int, int],
    loom: Loom = STRAIGHT,
    warp: Float | None = None,
) -> Float:
    """Widths (2, rows, columns) um of a cloth; `warp` (columns,) are gaps shared with another."""
    rows, columns = shape
    gaps = [warp if warp is not None else _gaps(rng, columns, loom), _gaps(rng, rows, loom)]
    width = np.stack([np.tile(gaps[0], (rows, 1)), np.tile(gaps[1][:, None], (1, columns))])
    if loom.drift:
        from scipy.ndimage import gaussian_filter1d

        for axis in (0, 1):
            slow = gaussian_filter1d(rng.normal(size=shape), 5, axis=axis, mode="wrap")
            width[axis] += loom.drift * slow / slow.std()
    if loom.knuckle:
        width += rng.normal(0, loom.knuckle, width.shape)
    return width


def _gaps(rng: np.random.Generator, count: int, loom: Loom) -> Float:
    number = np.arange(count)
    gaps = rng.normal(APERTURE, loom.sd, count) + loom.comb / 2 * (1 - 2 * (number % 2))
    turn = 2 * np.pi * number / rng.uniform(20, 60) + rng.uniform(0, 2 * np.pi)
    if loom.period:
        turn = 2 * np.pi * number / loom.period
    return np.asarray(gaps + loom.season * np.sin(turn))


def seen(
    width: Float,
    rng: np.random.Generator,
    noise: float = 0.07,
    missing: float = 0.03,
    *,
    wear: float | Float = 0.0,
    factor: float = 1.0,
    known: Known = KNOWN,
    whole: bool = False,
) -> ClothMap:
    """The map of a scan of widths (2, rows, columns): with noise, unclear apertures and a scale
    that is wrong by `factor`; `wear` has widened all of it."""
    shape = width.shape[1:]
    middle = np.stack([_middles(width[0], 1), _middles(width[1], 0)]) * factor
    middle += rng.normal(0, noise, middle.shape)
    unclear = rng.random(shape) < missing
    out = (width + wear) * factor + rng.normal(0, noise, width.shape)
    state = np.where(unclear, STATES.index(State.UNCLEAR), STATES.index(State.OK))
    return ClothMap(
        np.where(unclear, np.nan, out).astype(np.float32),
        np.where(unclear, np.nan, noise).astype(np.float32) * np.ones((2, 1, 1), np.float32),
        middle,
        state.astype(np.uint8),
        known,
        whole,
    )


def _middles(width: Float, axis: int) -> Float:
    """Middles of openings of these widths between wires that fill up the mean pitch."""
    steps = width + (PITCH - APERTURE)
    return np.cumsum(steps, axis=axis) - steps / 2
