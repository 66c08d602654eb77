"""From pictures of an artefact to a scale: read, locate marks, fit, refuse a bad fit.

pictures ─▶ linear light ─▶ nodes ─▶ marks in raw pixels ─▶ one map ─▶ scale + budget
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from sieve_inspect.arrays import Float, Float32
from sieve_inspect.errors import UsageError
from sieve_inspect.scale.artefact.dots import observe_dots
from sieve_inspect.scale.artefact.errors import NoTargetError, ScaleResidualError, locating
from sieve_inspect.scale.artefact.gaps import joined_gaps, observe_checker, observe_grid
from sieve_inspect.scale.artefact.nodes import find_nodes
from sieve_inspect.scale.artefact.reading import read_pictures
from sieve_inspect.scale.artefact.rule import observe_rule
from sieve_inspect.scale.calibration import Artefact, Calibration, calibrate
from sieve_inspect.scale.edge_bias import Gaps
from sieve_inspect.scale.fitted_map import MapFit
from sieve_inspect.scale.map_fitting import fit_map
from sieve_inspect.scale.marks import Observations
from sieve_inspect.units import format_length

PATTERNS = ("dots", "checker", "grid", "rule")
MAX_RESIDUAL_PX = 0.15  # rms; a tenth of that is ordinary, common practice, no source
_MOST_LOST = 0.25  # share of marks left out
_LEAST_MARKS = 9
_OBSERVING = 0.9  # share of the time of a calibration in which marks are located
ONE_PICTURE = "A single picture does not show the repeatability: take three or more."
_TURNS_APART = 0.95  # resultant of the doubled turns below which an artefact's own shape shows

Region = tuple[int, int, int, int]


@dataclass(frozen=True, eq=False)
class _Picture:
    """Marks of one picture, and its gaps where the pattern has lines."""

    marks: Observations
    gaps: Gaps | None


def observe(
    light: Float32, pattern: str, name: object = "the picture"
) -> tuple[Observations, Gaps | None]:
    """All marks of an artefact in linear light (h, w), px with pixel centres at whole numbers.

    Raises `NoTargetError`, and `UsageError` for an unknown pattern.
    """
    if pattern not in PATTERNS:
        raise UsageError(message=f"`pattern` is one of {', '.join(PATTERNS)}, not '{pattern}'.")
    with locating(pattern, name):
        if pattern == "rule":
            return observe_rule(light)
        nodes = find_nodes(light, pattern, True if pattern == "checker" else None)
        if pattern == "dots":
            return observe_dots(light, nodes), None
        return (observe_grid if pattern == "grid" else observe_checker)(light, nodes)


def calibrate_light(
    pictures: Sequence[Float32],
    artefact: Artefact,
    *,
    names: Sequence[object] = (),
    region: Region | None = None,
    turns_deg: Sequence[float] | None = None,
    max_residual_um: float | None = None,
    progress: Callable[[float], None] = lambda _: None,
) -> Calibration:
    """Calibrate from pictures (h, w) of linear light, all of one device setting and one size.

    `region` is (left, top, right, bottom) in px, where the artefact lies in each picture.
    `turns_deg` is how far the artefact was turned from picture to picture, to within 40
    degrees; without it a quarter turn of a square artefact cannot be recognised, nor its own
    departure from square be separated from the device's. `progress` is called with the share that
    is done, 0..1. Raises `NoTargetError`,
    `ScaleResidualError` when the marks miss the fitted map by more than `max_residual_um` (rms;
    by default 0.15 px), and `UsageError`.
    """
    names = list(names) or [f"picture {k + 1}" for k in range(len(pictures))]
    shape = common_shape(pictures, names)
    if turns_deg is not None and len(turns_deg) != len(pictures):
        raise UsageError(message="turns_deg needs an angle for each picture.")
    if artefact.line_width_um is not None and artefact.pattern == "dots":
        raise UsageError(message="Dots have no lines: leave line_width_um out.")
    observed = []
    for picture, name in zip(pictures, names, strict=True):
        observed.append(_observed(picture, artefact.pattern, name, region))
        progress(_OBSERVING * len(observed) / len(pictures))
    marks = [seen.marks for seen in observed]
    if turns_deg is not None and artefact.pattern != "rule":
        marks = [_in_artefact_axes(m, t) for m, t in zip(marks, turns_deg, strict=True)]
    fit = fit_map(
        marks,
        artefact.pitch_um,
        ((shape[1] - 1) / 2, (shape[0] - 1) / 2),
        separable=artefact.pattern == "rule",
        target_free=artefact.pattern != "rule" and _turned_enough(turns_deg),
    )
    return _checked(calibrate(fit, artefact, _all_gaps(observed, marks)), max_residual_um)


def calibrate_pictures(
    paths: Sequence[Path],
    artefact: Artefact,
    *,
    encoding: str = "auto",
    region: Region | None = None,
    turns_deg: Sequence[float] | None = None,
    max_residual_um: float | None = None,
    progress: Callable[[float], None] = lambda _: None,
) -> Calibration:
    """Calibrate from picture files; see `calibrate_light`. Compares their dpi tags and warns."""
    read = read_pictures(paths, encoding, artefact.line_width_um is not None)
    calibration = calibrate_light(
        read.light,
        artefact,
        names=[path.name for path in paths],
        region=region,
        turns_deg=turns_deg,
        max_residual_um=max_residual_um,
        progress=progress,
    )
    warnings = (*calibration.warnings, *read.warnings(calibration.scale))
    records = _with_turns(read.records, calibration.fit)
    return replace(calibration, pictures=records, warnings=warnings)


def _with_turns(records: Sequence[dict[str, Any]], fit: MapFit) -> tuple[dict[str, Any], ...]:
    turns = np.degrees(fit.theta - fit.theta[0])
    return tuple(
        {**record, "turned_deg": float(turn)} for record, turn in zip(records, turns, strict=True)
    )


def common_shape(pictures: Sequence[Float32], names: Sequence[object]) -> tuple[int, int]:
    """Height and width all pictures have. Raises `UsageError`."""
    shape = (pictures[0].shape[0], pictures[0].shape[1])
    for picture, name in zip(pictures, names, strict=True):
        if picture.shape != shape:
            raise UsageError(
                message=f"{name} is {picture.shape[1]} x {picture.shape[0]} px and {names[0]} "
                f"{shape[1]} x {shape[0]}: calibrate from pictures of one setting and size."
            )
    return shape


def _observed(light: Float32, pattern: str, name: object, region: Region | None) -> _Picture:
    """Marks within the region of one picture, in the picture's pixels."""
    light, corner = part_of(light, region, name)
    marks, gaps = observe(light, pattern, name)
    if len(np.unique(marks.mark)) < _LEAST_MARKS:
        raise NoTargetError(pattern=pattern, file=name, reason="too few of its marks are complete")
    marks = replace(marks, first=marks.first + corner, second=marks.second + corner)
    if gaps is not None:
        gaps = replace(gaps, before=gaps.before + corner, after=gaps.after + corner)
    return _Picture(marks, gaps)


def part_of(light: Float32, region: Region | None, name: object) -> tuple[Float32, Float]:
    """The region of a picture (h, w), and its corner (2,) px. Raises `UsageError`."""
    if region is None:
        return light, np.zeros(2)
    left, top, right, bottom = checked_region(region, light, name)
    return light[top:bottom, left:right], np.array([left, top], dtype=float)


def checked_region(region: Region, light: Float32, name: object) -> Region:
    """The region itself; raises `UsageError` if it does not lie in the picture (h, w)."""
    left, top, right, bottom = region
    height, width = light.shape
    if not (0 <= left < right <= width and 0 <= top < bottom <= height):
        raise UsageError(
            message=f"The region {left},{top},{right},{bottom} is not inside {name}: "
            f"write left,top,right,bottom within {width} x {height} px."
        )
    return region


def _in_artefact_axes(marks: Observations, turn_deg: float) -> Observations:
    """Renumber a picture's marks so that its turn comes out near the one stated."""
    along = marks.axis == 0
    design = np.column_stack([np.ones(along.sum()), marks.point[along]])
    slope = np.linalg.lstsq(design, marks.index[along, 0], rcond=None)[0][1:]
    measured = float(np.degrees(np.arctan2(slope[1], slope[0])))
    return marks.turned(int(np.rint((turn_deg - measured) / 90)))


def _turned_enough(turns_deg: Sequence[float] | None) -> bool:
    """Whether the pictures' turns separate the artefact's shape from the device's."""
    if turns_deg is None or len(turns_deg) < 2:
        return False
    return bool(abs(np.exp(2j * np.radians(turns_deg)).mean()) < _TURNS_APART)


def _all_gaps(observed: Sequence[_Picture], marks: Sequence[Observations]) -> Gaps | None:
    """Gaps of all pictures, each with its picture and in the artefact's axes."""
    parts = []
    for number, (picture, turned) in enumerate(zip(observed, marks, strict=True)):
        if picture.gaps is None:
            return None
        own = np.full(len(turned.axis), number)
        parts.append(replace(picture.gaps, across=turned.axis, picture=own))
    return joined_gaps(parts)


def _checked(calibration: Calibration, max_residual_um: float | None) -> Calibration:
    """The calibration with its warnings; raises `ScaleResidualError` where marks do not fit."""
    limit = MAX_RESIDUAL_PX * calibration.um_per_px if max_residual_um is None else max_residual_um
    lost = 1 - calibration.marks_used / calibration.marks
    if calibration.residual_rms_um > limit:
        residual = calibration.residual_rms_um
        advice = "clean and focus the artefact, check its pitch and pattern"
    elif lost > _MOST_LOST:
        residual = float(np.sqrt(np.mean(calibration.fit.residual**2)))
        advice = f"{100 * lost:.0f} % of them fit no common map; check that it lies flat"
    else:
        return replace(calibration, warnings=tuple(_warnings(calibration, lost)))
    raise ScaleResidualError(
        residual=format_length(float(f"{residual:.3g}")),
        limit=format_length(float(f"{limit:.3g}")),
        advice=advice,
    )


def _warnings(calibration: Calibration, lost: float) -> Iterator[str]:
    """What the user must know; `lost` is the share of marks left out."""
    if lost > 0.1:
        yield f"{100 * lost:.0f} % of the marks do not fit the map and were left out."
    if len(calibration.fit.theta) == 1:
        yield ONE_PICTURE
    if not calibration.fit.shear_measured:
        yield "Rules along x and y do not show shear: add a picture of one at 45 degrees."
    half = calibration.half_difference_px
    if half > 0.05:
        yield f"The edge bias across x and across y differs by {2 * half:.2f} px."
    middle = (calibration.scale.um_per_px_x, calibration.scale.um_per_px_y)
    difference = float(np.abs(np.array(calibration.mean_um_per_px) / middle - 1).max())
    if difference > 1e-4:
        yield (
            f"The scale at the middle and its mean over the artefact differ by "
            f"{100 * difference:.2f} %: correct widths need the map in this file."
        )
