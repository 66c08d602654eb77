"""A measurement compared with the truth, through the measurement's public table."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Bool, Float
from sieve_inspect.measurement.model import Measurement
from sieve_inspect.synthetic import Truth
from sieve_inspect.validation.drawing import UM_PER_PX

_NEAR = 0.3  # of the pitch: how far a measured middle may lie from the true one


@dataclass(frozen=True, eq=False)
class Compared:
    """The n true apertures with the measured result of each.

    `state` (n,) is the measured state, "" where no opening was located; `error` (n, 2) measured
    less true width in x and y, px, NaN unless measured; `width` (n, 2) the true widths, px;
    `false_count` counts apertures measured as sound where the truth has no whole aperture,
    `invented_count` those reported blocked or torn where nothing is damaged, on a frame or beyond.
    """

    truth: Truth
    state: NDArray[np.str_]
    error: Float
    width: Float
    false_count: int
    invented_count: int

    @property
    def measured(self) -> Bool:
        """Which true apertures were measured and are in the statistics, (n,)."""
        return np.asarray(self.state == "ok")

    @property
    def coverage(self) -> float:
        """Measured share (0..1) of the whole and sound apertures."""
        sound = self.truth.sound
        return float(self.measured[sound].mean()) if sound.any() else float("nan")


def compare(measurement: Measurement, truth: Truth) -> Compared:
    """Match the openings of the first picture to the true ones by their middles."""
    from scipy.spatial import cKDTree

    scale = measurement.scale
    rows = list(csv.DictReader(io.StringIO(measurement.apertures_csv())))
    rows = [r for r in rows if r["image"] == "1"]
    place = np.array([(float(r["x_px"]), float(r["y_px"])) for r in rows]).reshape(-1, 2)
    seen_state = np.array([r["state"] for r in rows], dtype="<U7")
    seen_width = np.array(
        [[float(r[k] or "nan") for k in ("width_x_um", "width_y_um")] for r in rows]
    ).reshape(-1, 2)
    pitch = float(np.mean([np.hypot(*truth.vector_x), np.hypot(*truth.vector_y)]))
    distance, index = (
        np.asarray(part)
        for part in cKDTree(np.stack([truth.x_px, truth.y_px], axis=1)).query(
            place, distance_upper_bound=_NEAR * pitch
        )
    )
    hit = np.isfinite(distance)
    state = np.full(len(truth), "", dtype="<U7")
    width = np.full((len(truth), 2), np.nan)
    state[index[hit]] = seen_state[hit]
    width[index[hit]] = seen_width[hit]
    width[state != "ok"] = np.nan
    true = np.stack(truth.widths(scale.um_per_px_x, scale.um_per_px_y), axis=1)
    unmatched = int(np.sum((seen_state == "ok") & ~hit))
    false_count = unmatched + int(np.sum((state == "ok") & ~truth.complete))
    damaged = np.isin(seen_state, ("blocked", "torn"))
    truly = np.isin(truth.state, ("blocked", "torn"))
    invented = int(np.sum(damaged & ~hit)) + int(np.sum(~truly[index[hit & damaged]]))
    error = (width - true) / UM_PER_PX
    return Compared(truth, state, error, true / UM_PER_PX, false_count, invented)
