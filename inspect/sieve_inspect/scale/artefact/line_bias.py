"""From pictures of a single line of known width to the edge bias of an existing base scale.

A line has no pitch: the base scale gives where its edges should lie. Their offset b widens every
opening by 2b, independent of the pitch.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from sieve_inspect.arrays import Bool, Float, Float32
from sieve_inspect.errors import UsageError
from sieve_inspect.scale.artefact.calibrate import (
    MAX_RESIDUAL_PX,
    ONE_PICTURE,
    Region,
    common_shape,
    part_of,
)
from sieve_inspect.scale.artefact.errors import ScaleResidualError, locating
from sieve_inspect.scale.artefact.line import LineEdges, observe_line
from sieve_inspect.scale.artefact.reading import read_pictures
from sieve_inspect.scale.calibration import Repeatability
from sieve_inspect.scale.edge_bias import BiasRow, BiasSource, biases, combined, robust_mean
from sieve_inspect.scale.least_squares import robust_weights
from sieve_inspect.scale.model import Scale
from sieve_inspect.units import format_length

_FROM = "; edge bias from "
_SHAPE_WARNING_PX = 0.04  # standard uncertainty of the width that gives a warning
_TOGETHER = 4  # neighbouring pieces of a line that may err together


@dataclass(frozen=True)
class KnownLine:
    """A line's width and its standard uncertainty, um; `certified` if from a certificate."""

    width_um: float
    u_width_um: float = 0.0
    source: str = ""
    certified: bool = False


@dataclass(frozen=True, eq=False)
class LinePicture:
    """Result of one picture: edge bias (px) with its variance (px²), and the line by pieces.

    Pieces (n,), in um of the base scale: place along the line, offset of the middle from a
    straight line, and width less the certified width.
    """

    bias_px: float
    variance: float
    edges: LineEdges
    turned_deg: float
    along_um: Float
    off_um: Float
    wider_um: Float


@dataclass(frozen=True, eq=False)
class LineCalibration:
    """A base scale with the edge bias from a line, and how it was calibrated."""

    scale: Scale
    line: KnownLine
    line_pictures: tuple[LinePicture, ...]
    bias_budget: tuple[BiasRow, ...]
    residual_rms_um: float
    warnings: tuple[str, ...] = ()
    base: Mapping[str, Any] | None = None  # content of the base's file
    pictures: tuple[dict[str, Any], ...] = ()

    @property
    def um_per_px(self) -> float:
        """Mean of both scales."""
        return (self.scale.um_per_px_x + self.scale.um_per_px_y) / 2

    @property
    def marks_used(self) -> int:
        """Pieces of the line measured, in all pictures."""
        return sum(len(picture.off_um) for picture in self.line_pictures)

    def to_dict(self) -> dict[str, Any]:
        """The scale file: that of the base with another edge bias, and where this comes from."""
        base = dict(self.base or {})
        own = {key: base.pop(key, []) for key in ("pictures", "warnings")}
        return {
            **base,
            **self.scale.to_dict(),
            "base": {
                "source": base.get("source"),
                "edge_bias_px": base.get("edge_bias_px", 0.0),
                "u_edge_bias_px": base.get("u_edge_bias_px"),
                **own,
            },
            "line": {
                "width_um": self.line.width_um,
                "u_width_um": self.line.u_width_um,
                "source": self.line.source,
                "pieces": self.marks_used,
                "residual_rms_um": self.residual_rms_um,
            },
            "edge_bias_budget": [asdict(row) for row in self.bias_budget],
            "pictures": list(self.pictures),
            "warnings": list(self.warnings),
        }


def line_in_light(
    pictures: Sequence[Float32],
    line: KnownLine,
    base: Scale,
    *,
    names: Sequence[object] = (),
    region: Region | None = None,
    max_residual_um: float | None = None,
) -> LineCalibration:
    """Find the edge bias from pictures (h, w) of linear light, all of the same line.

    Raises `NoTargetError`, `ScaleResidualError` when the line is bent by more than
    `max_residual_um` (rms; by default 0.15 px), and `UsageError`.
    """
    names = list(names) or [f"picture {k + 1}" for k in range(len(pictures))]
    common_shape(pictures, names)
    measured = tuple(
        _measured(picture, line, base, region, name)
        for picture, name in zip(pictures, names, strict=True)
    )
    rms = float(np.sqrt(np.mean(np.concatenate([picture.off_um for picture in measured]) ** 2)))
    per_px = (base.um_per_px_x + base.um_per_px_y) / 2
    limit = MAX_RESIDUAL_PX * per_px if max_residual_um is None else max_residual_um
    if rms > limit:
        raise ScaleResidualError(
            residual=format_length(float(f"{rms:.3g}")),
            limit=format_length(float(f"{limit:.3g}")),
            advice="the line is not straight by the base scale, so check that both belong together",
        )
    rows = _budget(measured, line, base, per_px)
    scale = replace(
        base,
        edge_bias_px=float(np.mean([picture.bias_px for picture in measured])),
        u_edge_bias_px=combined(rows),
        source=f"{base.source.split(_FROM)[0]}{_FROM}{line.source}",
        certified=base.certified and line.certified,
    )
    return LineCalibration(scale, line, measured, rows, rms, _warnings(measured, base))


def calibrate_line(
    paths: Sequence[Path],
    line: KnownLine,
    base: Scale,
    base_file: Mapping[str, Any],
    *,
    encoding: str = "auto",
    region: Region | None = None,
    max_residual_um: float | None = None,
) -> LineCalibration:
    """Find the edge bias from picture files; `base_file` is the content of the base's file."""
    read = read_pictures(paths, encoding, True)
    _refuse_other_size(read.records[0], base, base_file)
    calibration = line_in_light(
        read.light,
        line,
        base,
        names=[path.name for path in paths],
        region=region,
        max_residual_um=max_residual_um,
    )
    records = tuple(
        {**record, "turned_deg": line.turned_deg, "edge_bias_px": line.bias_px}
        for record, line in zip(read.records, calibration.line_pictures, strict=True)
    )
    warnings = (*calibration.warnings, *read.warnings(base))
    return replace(calibration, base=base_file, pictures=records, warnings=warnings)


def _refuse_other_size(
    record: Mapping[str, Any], base: Scale, base_file: Mapping[str, Any]
) -> None:
    """Refuse pictures of another size: a map is valid only for the pixels it was fitted on."""
    pictures = base_file.get("pictures") or base_file.get("base", {}).get("pictures")
    if base.rest is None or not base.rest.powers or not pictures:
        return
    sizes = [
        tuple(picture.get(key) for key in ("width_px", "height_px"))
        for picture in (pictures[0], record)
    ]
    if sizes[0] != sizes[1]:
        raise UsageError(
            message=f"{record['file']} is {sizes[1][0]} x {sizes[1][1]} px and the map of the base "
            f"scale holds for {sizes[0][0]} x {sizes[0][1]} px: take both at one setting and size."
        )


def _measured(
    picture: Float32,
    line: KnownLine,
    base: Scale,
    region: Region | None,
    name: object,
) -> LinePicture:
    part, corner = part_of(picture, region, name)
    with locating("line", name):
        edges = observe_line(part)
    gaps = replace(edges.gaps, before=edges.gaps.before + corner, after=edges.gaps.after + corner)
    edges = replace(edges, gaps=gaps, ends=edges.ends + corner)
    first, second = base.to_um(gaps.before), base.to_um(gaps.after)
    along, off, kept = _straight((first + second) / 2)
    angle = float(np.arctan2(along[0], -along[1]))  # of the normal
    every = biases(base, gaps, line.width_um, np.full(len(off), angle))
    bias, variance = robust_mean(every[kept], np.flatnonzero(kept) // _TOGETHER)
    normal = np.array([-along[1], along[0]])
    away = first - first.mean(axis=0)
    return LinePicture(
        bias_px=bias,
        variance=variance,
        edges=edges,
        turned_deg=float(np.degrees(np.arctan2(along[1], along[0])) % 180),
        along_um=(away @ along)[kept],
        off_um=off[kept],
        wider_um=np.abs((second - first)[kept] @ normal) - line.width_um,
    )


def _straight(points: Float) -> tuple[Float, Float, Bool]:
    """Direction (2,) of the straight line through points (n, 2), their offset from it (n,).

    Outliers, such as pieces beside a speck, have no weight; last which points were used (n,).
    """
    kept = np.ones(len(points), np.bool_)
    for _ in range(5):
        middle = points[kept].mean(axis=0)
        along = np.linalg.svd(points[kept] - middle, full_matrices=False)[2][0]
        off = (points - middle) @ [-along[1], along[0]]
        kept = robust_weights(off, kept, 1e-6, hard=True) > 0
    return along, off, kept


def _budget(
    pictures: Sequence[LinePicture], line: KnownLine, base: Scale, per_px: float
) -> tuple[BiasRow, ...]:
    count = len(pictures)
    within = float(np.mean([picture.variance for picture in pictures]))
    shape = max(picture.edges.gaps.u_width_px for picture in pictures) / 2
    u_scale = float(np.hypot(base.u_rel_x, base.u_rel_y) / np.sqrt(2))
    values = tuple(picture.bias_px for picture in pictures)
    more, dof = Repeatability.u(values)
    # A spread that noise explains is in the budget already.
    if dof and float(np.std(values, ddof=1)) <= 2 * float(np.hypot(np.sqrt(within), shape)):
        more = 0.0
    return (
        BiasRow(BiasSource.CERTIFIED_WIDTH, line.u_width_um / 2 / per_px),
        BiasRow(BiasSource.SCALE, u_scale * line.width_um / 2 / per_px),
        BiasRow(BiasSource.FIT, float(np.sqrt(within / count))),
        BiasRow(BiasSource.SHAPE, shape),
        BiasRow(BiasSource.REPEATABILITY, more, dof or None),
    )


def _warnings(pictures: Sequence[LinePicture], base: Scale) -> tuple[str, ...]:
    warnings = []
    if len(pictures) == 1:
        warnings.append(ONE_PICTURE)
    if len({int(picture.edges.gaps.across[0]) for picture in pictures}) == 1:
        warnings.append(
            "The line lay along one direction only, and the light may differ between directions: "
            "add a picture of it turned by 90 degrees."
        )
    if max(picture.edges.gaps.u_width_px for picture in pictures) > _SHAPE_WARNING_PX:
        warnings.append(
            "The shape of the edges is uncertain: turn the line some 5 to 40 degrees off the rows "
            "of pixels, so that they cross it everywhere."
        )
    if not all(base.covers(picture.edges.ends).all() for picture in pictures):
        warnings.append("The line reaches beyond the part of the picture the base scale covers.")
    return tuple(warnings)
