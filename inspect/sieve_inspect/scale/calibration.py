"""From a fitted map to a scale: x and y apart, shear, rest map, edge bias, uncertainty budget.

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

from collections.abc import Iterable
from dataclasses import asdict, dataclass, field, replace
from enum import StrEnum
from typing import Any

import numpy as np

from sieve_inspect.arrays import Bool, Float, Index
from sieve_inspect.scale.edge_bias import BiasRow, BiasSource, Gaps, biases, combined, robust_mean
from sieve_inspect.scale.fitted_map import MapFit
from sieve_inspect.scale.least_squares import least_squares
from sieve_inspect.scale.linear_map import Straight
from sieve_inspect.scale.model import Scale
from sieve_inspect.scale.parts import Cause, ScalePart

_U_SHEAR_UNKNOWN = np.radians(0.1)  # common practice, no source


@dataclass(frozen=True)
class Artefact:
    """What is known of an artefact: pitch (um) and, if known, the width of its dark lines (um).

    Uncertainties are standard uncertainties, half the certificate's U at k = 2. The pitch of a
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


class ScaleSource(StrEnum):
    """Sources of uncertainty of a scale, as written in scale files."""

    PITCH = "pitch of the artefact"
    FIT = "fit of the marks"
    SHAPE = "shape of the edges"
    SIDES = "sides of the lines"
    REPEATABILITY = "picture to picture"
    TEMPERATURE = "temperature of the artefact"
    DEVICE_MAP = "map of the device"
    ELSEWHERE = "from the artefact to the cloth"


@dataclass(frozen=True)
class BudgetRow:
    """A source of uncertainty: relative standard uncertainty of the x and of the y scale."""

    name: ScaleSource
    u_rel_x: float
    u_rel_y: float
    dof: int | None = None


def combined_scales(budget: Iterable[BudgetRow]) -> tuple[float, float]:
    """Combined relative standard uncertainties of the x and of the y scale."""
    pairs = np.array([(row.u_rel_x, row.u_rel_y) for row in budget])
    x, y = np.sqrt((pairs**2).sum(axis=0)).tolist()
    return x, y


@dataclass(frozen=True)
class Repeatability:
    """Relative departure of each picture's scale from the common map; None where not measured."""

    x: tuple[float | None, ...]
    y: tuple[float | None, ...]

    @staticmethod
    def u(values: tuple[float | None, ...]) -> tuple[float, int]:
        """Standard uncertainty for a single future picture, and its degrees of freedom."""
        from scipy.special import stdtrit

        known = [v for v in values if v is not None]
        dof = len(known) - 1
        if dof < 1:
            return 0.0, 0
        widened = float(stdtrit(dof, 0.975)) / 1.96
        return widened * float(np.std(known, ddof=1)) * float(np.sqrt(1 + 1 / len(known))), dof


@dataclass(frozen=True, eq=False)
class Residuals:
    """Residuals of the fit: at `place` (n, 2) px the vector (n, 2) um, 0 where not measured.

    `used` (n,) is whether a mark had weight in the fit, `picture` (n,) the number of its picture.
    """

    place: Float
    vector: Float
    used: Bool
    picture: Index


@dataclass(frozen=True, eq=False)
class Calibration:
    """A scale with the data it comes from; lengths in um unless named otherwise."""

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
        """The scale file: everything `load_scale` reads, and the data it comes from."""
        artefact = asdict(self.artefact)
        del artefact["certified"]  # a field of the scale
        return {
            **self.scale.to_dict(),
            "artefact": artefact,
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
            "budget": [asdict(row) for row in self.budget],
            "edge_bias_budget": [asdict(row) for row in self.bias_budget],
            "pictures": list(self.pictures),
            "warnings": list(self.warnings),
        }


def calibrate(fit: MapFit, artefact: Artefact, gaps: Gaps | None = None) -> Calibration:
    """The scale of a fitted map with its budget, and the edge bias from `gaps` of known width.

    Where no mark is near the pictures' middle, the nearest covered point replaces it.
    """
    straight = Straight.of(fit)
    sx, sy, shear = straight.figures
    u_fit = np.sqrt(fit.variance(straight.gradients))
    u_sides = np.sqrt(fit.variance_of_sides(straight.gradients))
    rest = straight.rest(fit)
    moved = rest(straight.area)
    repeat = _repeatability(fit, sx, sy)
    budget = _budget(fit, artefact, u_fit, u_sides, repeat, gaps)
    u_x, u_y = combined_scales(budget)
    # A chance difference between the certificate's two pitches leans a square by as much.
    u_lean = 0.0 if fit.target_stretch else artefact.u_pitch_um / artefact.pitch_um
    if not fit.shear_measured:
        u_lean = _U_SHEAR_UNKNOWN
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
        parts=_stated_parts(budget),
    )
    bias, rows, half_difference = _edge_bias(scale, artefact, gaps, fit.theta - straight.turn)
    scale = replace(scale, edge_bias_px=bias, u_edge_bias_px=combined(rows) if rows else None)
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


def _stated_parts(budget: Iterable[BudgetRow]) -> tuple[ScalePart, ...]:
    """What several pictures showed of their repeatability; one picture shows nothing of it."""
    return tuple(
        ScalePart(Cause.PICTURES, row.u_rel_x, row.u_rel_y)
        for row in budget
        if row.name == ScaleSource.REPEATABILITY and row.dof
    )


def _residuals(fit: MapFit, turn: float) -> Residuals:
    """Residuals in the picture's own directions; both equations of a dot make one vector."""
    marks = fit.observations
    angle = fit.theta[fit.picture] - turn + marks.axis * (np.pi / 2)
    # Target less map: the mark lies that far back along its direction.
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
        measured = [True, True]
        if not place[:, 1].any():  # a rule shows only the direction it lies along
            nearest = int(abs(np.sin(theta)) > abs(np.cos(theta)))
            columns, place = [columns[nearest]], place[:, :1]
            measured = [nearest == 0, nearest == 1]
        design = np.column_stack([*columns, place])
        # The residual is target less map: the excess of the picture's own map.
        excess = list(least_squares(design, fit.residual[rows]).value[: sum(measured)])
        x.append(float(excess.pop(0)) if measured[0] else None)
        y.append(float(excess.pop(0)) if measured[1] else None)
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
    # Lines that all lie alike on the pixels hide the edge's shape, which shifts over the picture.
    shape = 0.0 if gaps is None else gaps.u_width_px
    span_x, span_y = 2 * fit.basis.half[0], 2 * fit.basis.half[1]
    return (
        BudgetRow(ScaleSource.PITCH, pitch, pitch),
        BudgetRow(ScaleSource.FIT, float(u_fit[0]), float(u_fit[1]), fit.solution.dof),
        BudgetRow(ScaleSource.SHAPE, shape / span_x, shape / span_y),
        BudgetRow(ScaleSource.SIDES, float(u_sides[0]), float(u_sides[1])),
        BudgetRow(ScaleSource.REPEATABILITY, rx, ry, min(dof_x, dof_y) or None),
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
        BiasRow(BiasSource.CERTIFIED_WIDTH, artefact.u_line_width_um / 2 / per_px),
        BiasRow(BiasSource.SCALE, u_scale * artefact.gap_um / 2 / per_px),
        BiasRow(BiasSource.FIT, float(np.sqrt(sum(variances))) / len(values)),
        BiasRow(BiasSource.SHAPE, gaps.u_width_px / 2),
        BiasRow(BiasSource.DIRECTIONS, half / float(np.sqrt(3))),
    )
    return float(np.mean(values)), rows, half
