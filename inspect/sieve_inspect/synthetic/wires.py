"""The two families of wires: where each wire lies, and how it wanders along its length."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Float
from sieve_inspect.synthetic.frame import Frame
from sieve_inspect.synthetic.model import Cloth

# Cloth is drawn this far beyond the picture, so that light spread in from outside is there.
MARGIN_PX = 96
_BINS_PER_PX = 4


class Finder:
    """Finds the last of a sorted row of positions that is not above a value, by a table."""

    def __init__(self, positions: Float) -> None:
        self.positions = positions
        self._start = float(positions[0])
        count = math.ceil((positions[-1] - positions[0]) * _BINS_PER_PX) + 1
        bins = self._start + np.arange(count) / _BINS_PER_PX
        self._table = (np.searchsorted(positions, bins, side="right") - 1).astype(np.int32)
        self._last = len(positions) - 2

    def __call__(self, values: Float) -> NDArray[np.int32]:
        """Index k with positions[k] <= value < positions[k + 1], held inside the row."""
        bins = ((values - self._start) * _BINS_PER_PX).astype(np.int32)
        np.clip(bins, 0, len(self._table) - 1, out=bins)
        index = self._table[bins]
        np.clip(index, 0, self._last, out=index)
        index += values >= self.positions[index + 1]  # a bin may hold one position
        return np.clip(index, 0, self._last, out=index)


@dataclass(frozen=True)
class Family:
    """One family: wire centres and widths along its axis (n), and their wander.

    `wander[k, r]` shifts wire k where it passes the gap r of the other family, whose middle is
    `stations[r]`; between two stations the wire moves over smoothly, mostly at the crossing.
    """

    centres: Float
    widths: Float
    stations: Float
    wander: Float

    @property
    def low(self) -> Float:
        """Lower edge of each gap k (n − 1), before wander."""
        return self.centres[:-1] + self.widths[:-1] / 2

    @property
    def high(self) -> Float:
        """Upper edge of each gap k (n − 1), before wander."""
        return self.centres[1:] - self.widths[1:] / 2

    def edges_at_stations(self) -> tuple[Float, Float]:
        """Lower and upper edge of each gap k at each station r, shape (n − 1, stations)."""
        return self.low[:, None] + self.wander[:-1], self.high[:, None] + self.wander[1:]


def _straight(cloth: Cloth, family: int, reach: float) -> tuple[Float, Float]:
    """Centres and widths of a family's wires covering ± reach, with a wire at 0."""
    rng = np.random.default_rng([cloth.seed, family])
    mean, wire, sd = cloth.apertures[family], cloth.wires[family], cloth.spreads[family]
    comb = (cloth.comb_px, cloth.comb_y_px)[family]
    half = math.ceil(1.1 * reach / (mean + wire)) + 4
    if cloth.weave is not None:
        gaps = mean + sd * _centred(cloth.seed, (3, family, 0), half) + _season(cloth, family, half)
    else:
        gaps = rng.normal(mean, sd, 2 * half) if sd else np.full(2 * half, float(mean))
    gaps += np.where((np.arange(2 * half) - half) % 2 == 1, comb / 2, -comb / 2)
    widths = np.full(2 * half + 1, float(wire))
    if cloth.wire_sd_px and cloth.weave is not None:
        widths += cloth.wire_sd_px * _centred(cloth.seed, (3, family, 1), half + 1)[1:]
    elif cloth.wire_sd_px:
        widths += rng.normal(0, cloth.wire_sd_px, 2 * half + 1)
    gaps, widths = np.maximum(gaps, 0.2 * mean), np.maximum(widths, 0.3 * wire)
    steps = (widths[:-1] + widths[1:]) / 2 + gaps
    centres = np.concatenate([[0.0], np.cumsum(steps)])
    return centres - centres[half], widths


def _centred(seed: int, key: tuple[int, int, int], half: int) -> Float:
    """Normal numbers (2 half,), those around the middle the same for every `half`."""
    after = np.random.default_rng([seed, *key, 0]).normal(size=half)
    before = np.random.default_rng([seed, *key, 1]).normal(size=half)
    return np.concatenate([before[::-1], after])


def _season(cloth: Cloth, family: int, half: int) -> Float:
    """By how much each gap (2 half,) is wider in its season, px."""
    assert cloth.weave is not None
    phase = np.random.default_rng([cloth.seed, 4, family]).uniform(0, 2 * math.pi)
    turn = 2 * math.pi * np.arange(-half, half) / cloth.weave.season_length
    return np.asarray(cloth.weave.season_px * np.sin(turn + phase))


def _wander(cloth: Cloth, family: int, size: tuple[int, int]) -> Float:
    """How far each wire stands aside at each station (wires, stations), px; see `Weave`.

    Two wires bound a gap: each takes half of the variance.
    """
    from scipy.ndimage import gaussian_filter1d

    made = cloth.weave
    assert made is not None
    wires, stations = size
    margin = math.ceil(5 * made.drift_length)
    out = np.zeros(size)
    for k in range(wires):
        number = 2 * (k - wires // 2) if k >= wires // 2 else 2 * (wires // 2 - k) - 1
        own = _centred(cloth.seed, (5 + family, number, 0), stations // 2 + margin)
        slow = gaussian_filter1d(own, made.drift_length / 2, mode="constant", truncate=5)
        slow *= math.sqrt(made.drift_length * math.sqrt(math.pi))  # of unit spread again
        knuckle = _centred(cloth.seed, (7 + family, number, 0), stations // 2)
        out[k] = made.drift_px * slow[margin : margin + stations]
        out[k] += made.knuckle_px * knuckle[:stations]
    return np.asarray(out / math.sqrt(2))


def weave(cloth: Cloth, frame: Frame, shape: tuple[int, int]) -> tuple[Family, Family]:
    """Lay out both families over a picture of `shape` (height, width) and its margin."""
    diagonal = math.hypot(shape[0] + 2 * MARGIN_PX, shape[1] + 2 * MARGIN_PX) / 2
    reach = (diagonal + math.hypot(*cloth.offset_px)) / min(frame.stretch)
    reach += 4 * sum(abs(b) for b in frame.bend)
    laid = [_straight(cloth, i, reach) for i in (0, 1)]
    middles = [(c[:-1] + w[:-1] / 2 + c[1:] - w[1:] / 2) / 2 for c, w in laid]
    rng = np.random.default_rng([cloth.seed, 2])
    families = []
    for i in (0, 1):
        size = (len(laid[i][0]), len(middles[1 - i]))
        # Two wires bound a gap: each takes half of the variance.
        wander = rng.normal(0, cloth.along_sd_px / math.sqrt(2), size)
        if cloth.weave is not None:
            wander += _wander(cloth, i, size)
        families.append(Family(laid[i][0], laid[i][1], middles[1 - i], wander))
    return families[0], families[1]
