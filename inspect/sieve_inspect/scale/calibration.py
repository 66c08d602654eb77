"""What a fitted map says: x and y scale apart, shear, rest map, edge bias, and their uncertainty.

Scale and shear are those of F at the picture's middle, as for any lens; what bends away from
there is the rest map:

    A = ∂F/∂p at the middle = R(φ) · [[sx, sy sin γ], [0, sy cos γ]]
    rest = R(−φ) F − straight

The mean scales over the covered area are given beside it: a width anywhere else is only right
through the rest map.

Budget of a scale, relative, k = 1: certificate of the pitch; the fit; how the shape of the edges
and the light on both sides of the lines may shift them; how far single pictures differ from the
common map. The last holds for one scan still to come, s √(1 + 1/m), widened
by Student's t so that twice it holds 95 % however few pictures m there were.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.scale.edge_bias import (
    CERTIFIED_WIDTH,
    BiasRow,
    Gaps,
    biases,
    combined,
    robust_mean,
    rows_to_dict,
)
from sieve_inspect.scale.least_squares import least_squares
from sieve_inspect.scale.linear_map import Straight
from sieve_inspect.scale.map_fitting import MapFit
from sieve_inspect.scale.model import Scale

__all__ = [
    "Artefact",
    "BudgetRow",
    "Calibration",
    "Gaps",
    "Repeatability",
    "Residuals",
    "calibrate",
]

Float = NDArray[np.float64]
_U_SHEAR_UNSEEN = np.radians(0.1)  # common practice, no source


@dataclass(frozen=True)
class Artefact:
    """What is known of an artefact: pitch (um) and, if known, the width of its dark lines (um).

    Uncertainties are standard ones, half the certificate's U at k = 2. The pitch of a
    chequerboard is from square to square, the width that of its dark squares. `certified` is
    whether a certificate stands behind all of it.
    """

    pattern: str
    pitch_um: float
    u_pitch_um: float = 0.0
    line_width_um: float | None = None
    u_line_width_um: float = 0.0
    source: str = ""
    certified: bool = False

    @property
    def gap_um(self) -> float | None:
        """Width of the gap between two lines, or of a bright square; None if unknown."""
        if self.line_width_um is None:
            return None
        period = 2 * self.pitch_um if self.pattern == "checker" else self.pitch_um
        return period - self.line_width_um


@dataclass(frozen=True)
class BudgetRow:
    """One source of uncertainty: relative standard uncertainty of the x and the y scale."""

    name: str
    u_rel_x: float
    u_rel_y: float
    dof: int | None = None


@dataclass(frozen=True)
class Repeatability:
    """How single pictures differ from the common map: relative, per picture, None unseen."""

    x: tuple[float | None, ...]
    y: tuple[float | None, ...]

    @staticmethod
    def u(values: tuple[float | None, ...]) -> tuple[float, int]:
        """Standard uncertainty for one picture to come, and its degrees of freedom."""
        from scipy.special import stdtrit

        known = [v for v in values if v is not None]
        dof = len(known) - 1
        if dof < 1:
            return 0.0, 0
        widened = float(stdtrit(dof, 0.975)) / 1.96
        return widened * float(np.std(known, ddof=1)) * float(np.sqrt(1 + 1 / len(known))), dof


@dataclass(frozen=True, eq=False)
class Residuals:
    """What the fit left: at `place` (n, 2) px the vector (n, 2) um, as far as it was measured.

    `used` (n,) tells who had a say, `picture` (n,) where it was seen.
    """

    place: Float
    vector: Float
    used: NDArray[np.bool_]
    picture: NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Calibration:
    """A scale and the story of how it came about; lengths in um unless named otherwise."""

    scale: Scale
    artefact: Artefact
    fit: MapFit
    budget: tuple[BudgetRow, ...]
    repeatability: Repeatability
    marks: int
    marks_used: int
    residual_rms_um: float
    rest_max_um: float
    mean_um_per_px: tuple[float, float]
    distortion_percent: float
    residual: Residuals
    half_difference_px: float  # between the edge biases across x and across y
    bias_budget: tuple[BiasRow, ...] = ()
    warnings: tuple[str, ...] = ()
    pictures: tuple[dict[str, Any], ...] = field(default=())

    @property
    def um_per_px(self) -> float:
        """Mean of both scales."""
        return (self.scale.um_per_px_x + self.scale.um_per_px_y) / 2

    def to_dict(self) -> dict[str, Any]:
        """The scale file: everything `load_scale` reads, and where it comes from."""
        a = self.artefact
        return {
            **self.scale.to_dict(),
            "artefact": {
                "pattern": a.pattern,
                "pitch_um": a.pitch_um,
                "u_pitch_um": a.u_pitch_um,
                "line_width_um": a.line_width_um,
                "u_line_width_um": a.u_line_width_um,
                "source": a.source,
            },
            "fit": {
                "degree": self.fit.degree,
                "lens_terms": self.fit.lens,
                "marks": self.marks,
                "marks_used": self.marks_used,
                "residual_rms_um": self.residual_rms_um,
                "residual_rms_px": self.residual_rms_um / self.um_per_px,
                "rest_max_um": self.rest_max_um,
                "mean_um_per_px_x": self.mean_um_per_px[0],
                "mean_um_per_px_y": self.mean_um_per_px[1],
                "distortion_percent": self.distortion_percent,
                "target_stretch": self.fit.target_stretch,
                "target_lean_deg": self.fit.target_lean_deg,
            },
            "repeatability": {"x": list(self.repeatability.x), "y": list(self.repeatability.y)},
            "budget": [
                {"name": r.name, "u_rel_x": r.u_rel_x, "u_rel_y": r.u_rel_y, "dof": r.dof}
                for r in self.budget
            ],
            "edge_bias_budget": rows_to_dict(self.bias_budget),
            "pictures": list(self.pictures),
            "warnings": list(self.warnings),
        }


def calibrate(fit: MapFit, artefact: Artefact, gaps: Gaps | None = None) -> Calibration:
    """Turn a fitted map into a scale with its budget, and `gaps` of known width to an edge bias.

    Where no mark was near the pictures' middle, the nearest covered point stands in for it.
    """
    straight = Straight.of(fit)
    sx, sy, shear = straight.figures
    u_fit = np.sqrt(fit.variance(straight.gradients))
    u_sides = np.sqrt(fit.variance_of_sides(straight.gradients))
    rest = straight.rest(fit)
    moved = rest(straight.area)
    repeat = _repeatability(fit, sx, sy)
    budget = _budget(fit, artefact, u_fit, u_sides, repeat, gaps)
    u_x, u_y = (
        float(np.sqrt(sum(getattr(r, key) ** 2 for r in budget))) for key in ("u_rel_x", "u_rel_y")
    )
    # Two pitches of one certificate that differ by chance lean a square by as much.
    u_lean = 0.0 if fit.target_stretch else artefact.u_pitch_um / artefact.pitch_um
    if not fit.shear_seen:
        u_lean = _U_SHEAR_UNSEEN
    scale = Scale(
        um_per_px_x=sx,
        um_per_px_y=sy,
        u_rel_x=u_x,
        u_rel_y=u_y,
        source=artefact.source,
        shear_deg=float(np.degrees(shear)),
        u_shear_deg=float(np.degrees(np.sqrt(u_fit[2] ** 2 + u_sides[2] ** 2 + u_lean**2))),
        rest=rest,
        certified=artefact.certified,
    )
    bias, rows, half_difference = _edge_bias(scale, artefact, gaps, fit.theta - straight.turn)
    scale = replace(scale, edge_bias_px=bias, u_edge_bias_px=combined(rows))
    trusted = fit.weight > 0.1
    marks = np.column_stack([fit.picture, fit.observations.mark])
    far = np.hypot(*((straight.area - straight.middle) * [sx, sy]).T)
    off = np.hypot(*moved.T)
    outer = far > 0.5 * far.max()
    return Calibration(
        scale, artefact, fit, budget, repeat,
        marks=len(np.unique(marks, axis=0)),
        marks_used=len(np.unique(marks, axis=0)) - len(np.unique(marks[~trusted], axis=0)),
        residual_rms_um=float(np.sqrt(np.mean(fit.residual[trusted] ** 2))),
        rest_max_um=float(off.max()),
        mean_um_per_px=straight.mean(fit),
        distortion_percent=100 * float((off[outer] / far[outer]).max()),
        residual=_residuals(fit, straight.turn),
        half_difference_px=half_difference,
        bias_budget=rows,
    )  # fmt: skip


def _residuals(fit: MapFit, turn: float) -> Residuals:
    """Residuals in the picture's own directions; both equations of a dot make one vector."""
    marks = fit.observations
    angle = fit.theta[fit.picture] - turn + marks.axis * (np.pi / 2)
    # What was wanted less the map: the mark lies that far back along its direction.
    single = -fit.residual[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    key = np.column_stack([fit.picture, marks.point])
    _, first, where = np.unique(key, axis=0, return_index=True, return_inverse=True)
    vector = np.zeros((len(first), 2))
    np.add.at(vector, where.ravel(), single)
    used = np.ones(len(first), np.bool_)
    np.logical_and.at(used, where.ravel(), fit.weight > 0.1)
    return Residuals(marks.point[first], vector, used, fit.picture[first])


def _repeatability(fit: MapFit, sx: float, sy: float) -> Repeatability:
    """Relative departures of single pictures' scales from the common map."""
    x: list[float | None] = []
    y: list[float | None] = []
    for m, theta in enumerate(fit.theta):
        rows = (fit.picture == m) & (fit.weight > 0.1)
        axis, point = fit.observations.axis[rows], fit.observations.point[rows]
        angle = theta + np.where(axis == 0, 0.0, np.pi / 2)
        away = (point - point.mean(axis=0)) * [sx, sy]
        place = np.stack([(axis == a).astype(float) for a in (0, 1)], axis=1)
        along = np.stack([np.cos(angle), np.sin(angle)], axis=1)
        columns = [along[:, 0] * away[:, 0], along[:, 1] * away[:, 1]]
        seen = [True, True]
        if not place[:, 1].any():  # a rule tells of the direction it lies along
            nearest = int(abs(np.sin(theta)) > abs(np.cos(theta)))
            columns, place = [columns[nearest]], place[:, :1]
            seen = [nearest == 0, nearest == 1]
        design = np.column_stack([*columns, place])
        # The residual is what was wanted less the map: what the picture's own map has more.
        found = list(least_squares(design, fit.residual[rows]).value[: sum(seen)])
        x.append(float(found.pop(0)) if seen[0] else None)
        y.append(float(found.pop(0)) if seen[1] else None)
    return Repeatability(tuple(x), tuple(y))


def _budget(
    fit: MapFit,
    artefact: Artefact,
    u_fit: Float,
    u_sides: Float,
    repeat: Repeatability,
    gaps: Gaps | None,
) -> tuple[BudgetRow, ...]:
    pitch = artefact.u_pitch_um / artefact.pitch_um
    (rx, dof_x), (ry, dof_y) = Repeatability.u(repeat.x), Repeatability.u(repeat.y)
    # Lines that fall on pixels alike hide the edge's shape; across the picture it shifts.
    shape = 0.0 if gaps is None else gaps.u_width_px
    span_x, span_y = 2 * fit.basis.half[0], 2 * fit.basis.half[1]
    return (
        BudgetRow("pitch of the artefact", pitch, pitch),
        BudgetRow("fit of the marks", float(u_fit[0]), float(u_fit[1]), fit.solution.dof),
        BudgetRow("shape of the edges", shape / span_x, shape / span_y),
        BudgetRow("sides of the lines", float(u_sides[0]), float(u_sides[1])),
        BudgetRow("picture to picture", rx, ry, min(dof_x, dof_y) or None),
    )


def _edge_bias(
    scale: Scale, artefact: Artefact, gaps: Gaps | None, turns: Float
) -> tuple[float, tuple[BiasRow, ...], float]:
    """Edge bias (px), its budget, and half its difference between x and y."""
    if artefact.gap_um is None or gaps is None or len(gaps.across) < 6:
        return 0.0, (), 0.0
    every = biases(scale, gaps, artefact.gap_um, turns[gaps.picture] + gaps.across * (np.pi / 2))
    width_px = np.median(np.hypot(*(gaps.after - gaps.before).T))
    cell = np.column_stack([gaps.picture, np.floor(gaps.before / (6 * width_px))])
    _, group = np.unique(cell, axis=0, return_inverse=True)
    values, variances = zip(
        *(
            robust_mean(every[own], group.ravel()[own])
            for own in (gaps.across == direction for direction in np.unique(gaps.across))
        ),
        strict=True,
    )
    per_px = (scale.um_per_px_x + scale.um_per_px_y) / 2
    half = float(np.ptp(values)) / 2
    u_scale = float(np.hypot(scale.u_rel_x, scale.u_rel_y) / np.sqrt(2))
    rows = (
        BiasRow(CERTIFIED_WIDTH, artefact.u_line_width_um / 2 / per_px),
        BiasRow("scale", u_scale * artefact.gap_um / 2 / per_px),
        BiasRow("fit of the edges", float(np.sqrt(sum(variances))) / len(values)),
        BiasRow("shape of the edges", gaps.u_width_px / 2),
        BiasRow("difference of x and y", half / float(np.sqrt(3))),
    )
    return float(np.mean(values)), rows, half
