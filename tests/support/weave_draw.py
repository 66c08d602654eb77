"""Drawn cloth for the tests of measuring, and measurements of it; no tests here."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from scipy.spatial import cKDTree

from sieve_inspect.measurement.model import Measurement
from sieve_inspect.measurement.pipeline import measure
from sieve_inspect.scale import exact_scale
from sieve_inspect.synthetic import Cloth, Light, Optics, Sensor, Truth, render, save

UM = 10.0  # um per px: brings some px to sizes the standards know
EXACT = exact_scale(UM, UM)


@dataclass
class Openings:
    """The CSV of a measurement as arrays; widths (n, 2) in px."""

    place: np.ndarray
    index: np.ndarray
    width: np.ndarray
    state: np.ndarray
    flags: list[str]

    @property
    def ok(self) -> np.ndarray:
        return np.asarray(self.state == "ok")

    def near(self, x: float, y: float) -> int:
        """Number of the opening nearest to a place."""
        return int(np.hypot(*(self.place - [x, y]).T).argmin())


def openings(measurement: Measurement) -> Openings:
    rows = list(csv.DictReader(io.StringIO(measurement.apertures_csv())))
    number = [[float(r[k] or "nan") for k in ("width_x_um", "width_y_um")] for r in rows]
    return Openings(
        np.array([[float(r["x_px"]), float(r["y_px"])] for r in rows]),
        np.array([[int(r["row"]), int(r["col"])] for r in rows]),
        np.array(number) / UM,
        np.array([r["state"] for r in rows]),
        [r["flags"] for r in rows],
    )


def measured(path: Path, nominal_px: float, **options: Any) -> Measurement:
    return measure([path], nominal_um=nominal_px * UM, scale=EXACT, **options)


def scanned(
    tmp_path: Path,
    cloth: Cloth,
    *,
    optics: Optics | None = None,
    sensor: Sensor | None = None,
    light: Light | None = None,
    shape: tuple[int, int] = (320, 420),
    name: str = "scan.png",
) -> tuple[Measurement, Truth, Openings]:
    """Draw, save, measure: (measurement, truth, openings)."""
    sensor = sensor or Sensor(noise=0.005, seed=cloth.seed)
    drawn = render(cloth, optics, sensor, shape, light=light)
    path = tmp_path / name
    save(drawn, path)
    measurement = measured(path, cloth.aperture_px)
    return measurement, drawn.truth, openings(measurement)


def matched(truth: Truth, seen: Openings) -> tuple[np.ndarray, np.ndarray]:
    """Indices (truth, seen) of apertures at the same place."""
    pitch = float(np.hypot(*truth.vector_x))
    tree = cKDTree(np.stack([truth.x_px, truth.y_px], axis=1))
    away, index = tree.query(seen.place, distance_upper_bound=0.3 * pitch)
    hit = np.isfinite(away)
    return np.asarray(index)[hit], np.flatnonzero(hit)


def errors(truth: Truth, seen: Openings) -> np.ndarray:
    """Measured less true widths (n, 2) in px of the believed openings."""
    true, here = matched(truth, seen)
    good = seen.ok[here]
    real = np.stack([truth.width_x_px, truth.width_y_px], axis=1)
    return np.asarray(seen.width[here[good]] - real[true[good]])


def states(truth: Truth, seen: Openings) -> np.ndarray:
    """Measured state (n,) of every true aperture, "" where nothing was found."""
    true, here = matched(truth, seen)
    out = np.full(len(truth), "", dtype="<U7")
    out[true] = seen.state[here]
    return out


def stored_linear(light: np.ndarray, path: Path) -> Path:
    """Keep linear light as 16 bit TIFF, fine enough for comparisons without noise."""
    tifffile.imwrite(path, np.round(np.clip(light, 0, 1) * 65535).astype(np.uint16))
    return path
