"""The scale of a single scan, from an artefact that lies beside the cloth in it.

A flatbed's carriage differs from run to run by more than a certificate's uncertainty. An artefact
in the same picture shows the scale of the same run:

* alone, it gives a straight scale, x and y apart and the shear. The difference of scale between
  the artefact's place and the cloth's is unknown and enters the budget.
* with a recorded scale of the device, the map of that scale is kept and stretched along x and y
  to agree with the artefact where it lies. Certificate and repeatability of the recorded scale
  drop out; its fit and its edges stay.

The artefact lies where waves of its pitch are stronger than all others. Its part of the picture
is darkened before the cloth is measured, so that none of its marks passes for an opening.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Bool, Float, Float32
from sieve_inspect.errors import UsageError
from sieve_inspect.image import linear_light, load_scan, opencv
from sieve_inspect.image.encoding import assumed_encoding
from sieve_inspect.scale.artefact.calibrate import Region, calibrate_light, checked_region
from sieve_inspect.scale.artefact.errors import NoMarksError, locating
from sieve_inspect.scale.calibration import (
    Artefact,
    BudgetRow,
    Calibration,
    ScaleSource,
    combined_scales,
)
from sieve_inspect.scale.linear_map import covered_points, figures_of, plane_terms
from sieve_inspect.scale.model import Scale
from sieve_inspect.scale.parts import DEFAULTS, Cause, ScalePart, Sensor

_BLOCK, _STEP = 8, 2  # pitches
_SMALL = 6  # px a pitch is brought to for the search
_MOST_STEPS = 60
_OFF = 0.06  # relative difference from the expected pitch beyond which waves are others
_ROUNDS = 5
_DISAGREES = 0.03  # relative difference between the measured and the expected scale


@dataclass(frozen=True)
class DeviceScale:
    """A device's scale before the scan; `u_map` is the uncertainty of its map, relative (x, y).

    Without a map (`u_map` None) it only gives the expected size of the artefact in px.
    """

    scale: Scale
    u_map: tuple[float, float] | None = None


@dataclass(frozen=True, eq=False)
class InScan:
    """The scale of a scan, and the region of its artefact: (left, top, right, bottom) px."""

    scale: Scale
    region: Region
    budget: tuple[BudgetRow, ...]
    calibration: Calibration


def scale_in_scan(
    path: Path,
    artefact: Artefact,
    *,
    device: DeviceScale | None = None,
    region: Region | None = None,
    encoding: str = "auto",
) -> InScan:
    """Find the artefact in a scan and take the scan's scale from it.

    Without a `region`, `device` gives its expected size. Raises `NoTargetError`,
    `ScaleResidualError`, `UsageError`, and an `InputError` for a picture that cannot be read.
    """
    scan = load_scan(path)
    light = linear_light(scan, assumed_encoding(scan, encoding).encoding)
    calibration: Calibration | None = None
    if region is None:
        if device is None:
            raise UsageError(
                message="The artefact cannot be located without its expected size: give `scale`, "
                "or the region it lies in as `target_region`."
            )
        per_px = (device.scale.um_per_px_x + device.scale.um_per_px_y) / 2
        with locating(artefact.pattern, path.name):
            region = find_region(light, artefact.pattern, artefact.pitch_um / per_px)
        for _ in range(_ROUNDS):  # until its last row of marks is inside
            calibration, marks = _calibrated(light, artefact, region, path.name)
            region, before = _around(marks, artefact, per_px, light), region
            if region == before:
                break
            calibration = None
    left, top, right, bottom = checked_region(region, light, path.name)
    if calibration is None:
        calibration, _ = _calibrated(light, artefact, (left, top, right, bottom), path.name)
    area = covered_points(calibration.fit) + np.array([left, top])
    scale, budget = _scale(calibration, artefact, device, area)
    if device is not None:
        with locating(artefact.pattern, path.name):
            _compare(scale, device.scale)
    return InScan(scale, (left, top, right, bottom), budget, calibration)


def covered_up(raw: NDArray[Any], region: Region) -> NDArray[Any]:
    """A picture (h, w) or (h, w, 3) with the region as dark as the darkest wires."""
    left, top, right, bottom = region
    out = raw.copy()
    out[top:bottom, left:right] = np.percentile(raw, 0.5, axis=(0, 1)).astype(raw.dtype)
    return out


def find_region(light: Float32, pattern: str, pitch_px: float) -> Region:
    """The region of linear light (h, w) in which waves of the artefact's pitch (px) are strongest.

    Raises `NoMarksError`.
    """
    from scipy import ndimage

    wave = pitch_px * (np.sqrt(2) if pattern == "checker" else 1)  # its squares lie diagonally
    factor = max(1, int(wave // _SMALL))
    small = opencv.shrink(light, factor) if factor > 1 else light
    wave = wave / factor
    side = round(_BLOCK * wave)
    if min(small.shape) < side:
        raise NoMarksError("the picture is too small for it")
    step = max(round(_STEP * wave), (max(small.shape) - side) // _MOST_STEPS, 1)
    own = _waves_of(small, side, step, wave)
    label, count = ndimage.label(own)
    if not count:
        raise NoMarksError("no part of the picture shows marks of its pitch")
    size = np.bincount(label.ravel())[1:]
    rows, columns = ndimage.find_objects(label)[int(size.argmax())]
    if size.max() > 0.7 * own.size:
        raise NoMarksError("the cloth's pitch is too close to its own")
    half = side // 2
    reach = round(0.25 * side) if size.max() > 1 else half
    ends = [
        (max(0, int(part.start) * step + half - reach) * factor,
         min(most, (int(part.stop - 1) * step + half + reach) * factor))
        for part, most in ((columns, light.shape[1]), (rows, light.shape[0]))
    ]  # fmt: skip
    (left, right), (top, bottom) = ends
    return left, top, right, bottom


def _waves_of(small: Float32, side: int, step: int, wave: float) -> Bool:
    """Blocks (rows, columns) whose strongest wave is `wave` px long; False without contrast."""
    views = np.lib.stride_tricks.sliding_window_view(small, (side, side))[::step, ::step]
    window = np.hanning(side)[:, None] * np.hanning(side)[None, :]
    size = 2 * side
    fy, fx = np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None, :]
    length = np.hypot(fy, fx)
    low = length < 1.5 / side
    out = np.zeros(views.shape[:2], np.bool_)
    contrast = np.zeros(views.shape[:2])
    for row, blocks in enumerate(views):
        level = blocks - blocks.mean(axis=(1, 2), keepdims=True)
        power = np.abs(np.fft.rfft2(level * window, s=(size, size))) ** 2
        power[:, low] = 0
        flat = power.reshape(len(power), -1)
        peak = flat.argmax(axis=1)
        y, x = np.unravel_index(peak, low.shape)
        waves = np.array([_peak(p, a, b, size) for p, a, b in zip(power, y, x, strict=True)])
        out[row] = np.abs(waves * wave - 1) < _OFF
        contrast[row] = np.sqrt(flat[np.arange(len(flat)), peak])
    return out & (contrast > 0.2 * np.percentile(contrast, 99))


def _peak(power: Float, y: int, x: int, size: int) -> float:
    """Wave number (cycles per px) of a peak, placed between the bins by the power around it."""
    rows = np.arange(y - 1, y + 2)
    columns = np.clip(np.arange(x - 1, x + 2), 0, power.shape[1] - 1)
    near = power[np.ix_(rows % size, columns)]
    signed = np.where(rows > size // 2, rows - size, rows)
    fy = float((near.sum(axis=1) * signed).sum() / near.sum()) / size
    fx = float((near.sum(axis=0) * columns).sum() / near.sum()) / size
    return float(np.hypot(fx, fy))


def _calibrated(
    light: Float32, artefact: Artefact, region: Region, name: object
) -> tuple[Calibration, Float]:
    """The calibration of a region, and its marks (n, 2) in px of the full picture."""
    left, top, right, bottom = region
    calibration = calibrate_light([light[top:bottom, left:right]], artefact, names=[name])
    used = calibration.fit.weight > 0.1
    return calibration, calibration.fit.observations.point[used] + np.array([left, top])


def _around(marks: Float, artefact: Artefact, um_per_px: float, light: Float32) -> Region:
    """The box around the marks with one and a half pitches on each side."""
    margin = 1.5 * artefact.pitch_um / um_per_px
    low, high = marks.min(axis=0) - margin, marks.max(axis=0) + margin
    height, width = light.shape
    left, top = (max(0, int(v)) for v in low)
    right, bottom = (int(np.ceil(v)) + 1 for v in high)
    return left, top, min(width, right), min(height, bottom)


def _scale(
    calibration: Calibration, artefact: Artefact, device: DeviceScale | None, area: Float
) -> tuple[Scale, tuple[BudgetRow, ...]]:
    """The scan's scale and its budget."""
    rows = [r for r in calibration.budget if r.name != ScaleSource.REPEATABILITY]
    if device is not None and device.u_map is not None:
        rows.append(BudgetRow(ScaleSource.DEVICE_MAP, *device.u_map))
        base = device.scale
        x, y, _ = figures_of(_plane(area, base.to_um(area)))
        along, down = calibration.mean_um_per_px[0] / x, calibration.mean_um_per_px[1] / y
        mapped = None if base.rest is None else base.rest.stretched(along, down)
        scale = replace(
            base,
            um_per_px_x=base.um_per_px_x * along,
            um_per_px_y=base.um_per_px_y * down,
            rest=mapped,
        )
    else:
        # From place to place in the device's picture, where no map of it is known.
        sensor = Sensor.LINE_CAMERA if device is None else device.scale.sensor
        elsewhere = DEFAULTS[sensor][Cause.PICTURES].u
        rows.append(BudgetRow(ScaleSource.ELSEWHERE, elsewhere, elsewhere))
        x, y = calibration.mean_um_per_px
        scale = replace(calibration.scale, um_per_px_x=x, um_per_px_y=y, rest=None, sensor=sensor)
    if artefact.gap_um is not None:
        own = calibration.scale
        scale = replace(scale, edge_bias_px=own.edge_bias_px, u_edge_bias_px=own.u_edge_bias_px)
    u_x, u_y = combined_scales(rows)
    source = f"{artefact.source}, lying in the scan"
    scale = replace(
        scale,
        u_rel_x=u_x,
        u_rel_y=u_y,
        source=source,
        certified=artefact.certified,
        parts=(ScalePart(Cause.PICTURES, 0.0, 0.0),),  # seen in the picture itself
    )
    return scale, tuple(rows)


def _plane(points: Float, values: Float) -> Float:
    """Linear part (2, 2) of the plane through values (n, 2) over points (n, 2)."""
    return np.asarray((np.linalg.pinv(plane_terms(points))[1:] @ values).T)


def _compare(scale: Scale, expected: Scale) -> None:
    """Refuse another pattern that was taken for the artefact."""
    off = max(
        abs(scale.um_per_px_x / expected.um_per_px_x - 1),
        abs(scale.um_per_px_y / expected.um_per_px_y - 1),
    )
    if off > _DISAGREES:
        raise NoMarksError(f"its scale would differ by {100 * off:.1f} % from the expected scale")
