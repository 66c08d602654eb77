"""From pictures of one line of certified width to the edge bias of a scale there is already.

A line has no pitch: where its edges should lie, the base scale says. What they lie aside widens
every opening by the same 2b, whatever any pitch says.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.errors import UsageError
from sieve_inspect.scale.artefact.calibrate import MAX_RESIDUAL_PX, Region, common_shape, part_of
from sieve_inspect.scale.artefact.errors import ScaleResidualError
from sieve_inspect.scale.artefact.line import LineSeen, observe_line
from sieve_inspect.scale.artefact.reading import read_pictures
from sieve_inspect.scale.calibration import Repeatability
from sieve_inspect.scale.edge_bias import (
    CERTIFIED_WIDTH,
    BiasRow,
    biases,
    combined,
    robust_mean,
    rows_to_dict,
)
from sieve_inspect.scale.least_squares import robust_weights
from sieve_inspect.scale.model import Scale
from sieve_inspect.units import format_length

__all__ = ["KnownLine", "LineCalibration", "LinePicture", "calibrate_line", "line_in_light"]

Float = NDArray[np.float64]
_FROM = "; edge bias from "
_SHAPE_TOLD = 0.04  # px of doubt about the width worth a word
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
    """What one picture says: edge bias (px) with its variance, and the line piece by piece.

    Pieces (n,): where they lie along it, how far their middles are off a straight line, and their
    widths off the certified one, um of the base scale.
    """

    bias_px: float
    variance: float
    seen: LineSeen
    turned_deg: float
    along_um: Float
    off_um: Float
    wider_um: Float


@dataclass(frozen=True, eq=False)
class LineCalibration:
    """A base scale with the edge bias a line gave it, and the story of how that came about."""

    scale: Scale
    line: KnownLine
    looks: tuple[LinePicture, ...]
    bias_budget: tuple[BiasRow, ...]
    residual_rms_um: float
    warnings: tuple[str, ...] = ()
    base: Mapping[str, Any] | None = None  # its file
    pictures: tuple[dict[str, Any], ...] = ()

    @property
    def um_per_px(self) -> float:
        """Mean of both scales."""
        return (self.scale.um_per_px_x + self.scale.um_per_px_y) / 2

    @property
    def marks_used(self) -> int:
        """Pieces of the line measured, in all pictures."""
        return sum(len(one.off_um) for one in self.looks)

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
                "u_edge_bias_px": base.get("u_edge_bias_px", 0.0),
                **own,
            },
            "line": {
                "width_um": self.line.width_um,
                "u_width_um": self.line.u_width_um,
                "source": self.line.source,
                "pieces": self.marks_used,
                "residual_rms_um": self.residual_rms_um,
            },
            "edge_bias_budget": rows_to_dict(self.bias_budget),
            "pictures": list(self.pictures),
            "warnings": list(self.warnings),
        }


def line_in_light(
    pictures: Sequence[NDArray[np.float32]],
    line: KnownLine,
    base: Scale,
    *,
    names: Sequence[object] = (),
    region: Region | None = None,
    max_residual_um: float | None = None,
) -> LineCalibration:
    """Find the edge bias from pictures (h, w) of linear light, all with the one line.

    Raises `NoTargetError`, `ScaleResidualError` when the line is bent by more than
    `max_residual_um` (rms; by default 0.15 px), and `UsageError`.
    """
    names = list(names) or [f"picture {k + 1}" for k in range(len(pictures))]
    common_shape(pictures, names)
    looks = tuple(
        _look(picture, line, base, region, name)
        for picture, name in zip(pictures, names, strict=True)
    )
    rms = float(np.sqrt(np.mean(np.concatenate([one.off_um for one in looks]) ** 2)))
    per_px = (base.um_per_px_x + base.um_per_px_y) / 2
    limit = MAX_RESIDUAL_PX * per_px if max_residual_um is None else max_residual_um
    if rms > limit:
        raise ScaleResidualError(
            residual=format_length(float(f"{rms:.3g}")),
            limit=format_length(float(f"{limit:.3g}")),
            advice="the line is not straight by the base scale, so check that both belong together",
        )
    rows = _budget(looks, line, base, per_px)
    scale = replace(
        base,
        edge_bias_px=float(np.mean([one.bias_px for one in looks])),
        u_edge_bias_px=combined(rows),
        source=f"{base.source.split(_FROM)[0]}{_FROM}{line.source}",
        certified=base.certified and line.certified,
    )
    return LineCalibration(scale, line, looks, rows, rms, _warnings(looks, base))


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
    """Find the edge bias from picture files; `base_file` is what the base's scale file says."""
    read = read_pictures(paths, encoding, True)
    _refuse_other_size(read.records[0], base, base_file)
    found = line_in_light(
        read.light,
        line,
        base,
        names=[path.name for path in paths],
        region=region,
        max_residual_um=max_residual_um,
    )
    records = tuple(
        {**record, "turned_deg": look.turned_deg, "edge_bias_px": look.bias_px}
        for record, look in zip(read.records, found.looks, strict=True)
    )
    warnings = (*found.warnings, *read.warnings(base))
    return replace(found, base=base_file, pictures=records, warnings=warnings)


def _refuse_other_size(
    record: Mapping[str, Any], base: Scale, base_file: Mapping[str, Any]
) -> None:
    """A map holds for the pixels it was found on alone."""
    seen = base_file.get("pictures") or base_file.get("base", {}).get("pictures")
    if base.rest is None or not base.rest.powers or not seen:
        return
    sizes = [tuple(one.get(key) for key in ("width_px", "height_px")) for one in (seen[0], record)]
    if sizes[0] != sizes[1]:
        raise UsageError(
            message=f"{record['file']} is {sizes[1][0]} x {sizes[1][1]} px and the map of --base "
            f"is one of {sizes[0][0]} x {sizes[0][1]} px: take both at one setting and size."
        )


def _look(
    picture: NDArray[np.float32],
    line: KnownLine,
    base: Scale,
    region: Region | None,
    name: object,
) -> LinePicture:
    part, corner = part_of(picture, region, name)
    seen = observe_line(part, name)
    gaps = replace(seen.gaps, before=seen.gaps.before + corner, after=seen.gaps.after + corner)
    seen = replace(seen, gaps=gaps, ends=seen.ends + corner)
    first, second = base.to_um(gaps.before), base.to_um(gaps.after)
    along, off, kept = _straight((first + second) / 2)
    angle = float(np.arctan2(along[0], -along[1]))  # of the normal
    every = biases(base, gaps, line.width_um, np.full(len(off), angle))
    bias, variance = robust_mean(every[kept], np.flatnonzero(kept) // _TOGETHER)
    normal = np.array([-along[1], along[0]])
    away = first - first.mean(axis=0)
    return LinePicture(
        bias, variance, seen, float(np.degrees(np.arctan2(along[1], along[0])) % 180),
        (away @ along)[kept], off[kept], np.abs((second - first)[kept] @ normal) - line.width_um,
    )  # fmt: skip


def _straight(points: Float) -> tuple[Float, Float, NDArray[np.bool_]]:
    """Direction (2,) of the straight line through points (n, 2), how far they lie off it (n,).

    Those that a speck beside the line draws aside have no say: which have is told last.
    """
    kept = np.ones(len(points), np.bool_)
    for _ in range(5):
        middle = points[kept].mean(axis=0)
        along = np.linalg.svd(points[kept] - middle, full_matrices=False)[2][0]
        off = (points - middle) @ [-along[1], along[0]]
        kept = robust_weights(off, kept, 1e-6, hard=True) > 0
    return along, off, kept


def _budget(
    looks: Sequence[LinePicture], line: KnownLine, base: Scale, per_px: float
) -> tuple[BiasRow, ...]:
    count = len(looks)
    within = float(np.mean([one.variance for one in looks]))
    shape = max(one.seen.gaps.u_width_px for one in looks) / 2
    u_scale = float(np.hypot(base.u_rel_x, base.u_rel_y) / np.sqrt(2))
    values = tuple(one.bias_px for one in looks)
    more, dof = Repeatability.u(values)
    # What noise explains is in the budget already.
    if dof and float(np.std(values, ddof=1)) <= 2 * float(np.hypot(np.sqrt(within), shape)):
        more = 0.0
    return (
        BiasRow(CERTIFIED_WIDTH, line.u_width_um / 2 / per_px),
        BiasRow("scale", u_scale * line.width_um / 2 / per_px),
        BiasRow("fit of the edges", float(np.sqrt(within / count))),
        BiasRow("shape of the edges", shape),
        BiasRow("picture to picture", more, dof or None),
    )


def _warnings(looks: Sequence[LinePicture], base: Scale) -> tuple[str, ...]:
    warnings = []
    if len(looks) == 1:
        warnings.append("One picture says nothing about repeatability: take three or more.")
    if len({int(one.seen.gaps.across[0]) for one in looks}) == 1:
        warnings.append(
            "The line lay along one direction only, and light may favour one: add a picture of it "
            "turned by 90 degrees."
        )
    if max(one.seen.gaps.u_width_px for one in looks) > _SHAPE_TOLD:
        warnings.append(
            "The shape of the edges leaves much open: turn the line some 5 to 40 degrees off the "
            "rows of pixels, so that they cross it everywhere."
        )
    if not all(base.covers(one.seen.ends).all() for one in looks):
        warnings.append("The line reaches beyond the part of the picture the base scale has seen.")
    return tuple(warnings)
