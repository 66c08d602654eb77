"""Fitting the edges of every opening to its profile: Gauss-Newton steps on `model.model_of`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from sieve_inspect.arrays import Bool, Float, Index
from sieve_inspect.edges.model import (
    PARAMETERS,
    LevelPrior,
    Parameter,
    SensorRange,
    middle_of,
    model_of,
    normal_equations,
    step_limit,
    stepped,
    width_of,
)
from sieve_inspect.edges.profiles import Profiles
from sieve_inspect.edges.response import EdgeResponse

_OUTLYING = 7.0  # robust standard deviations from which a misfit stands out
_OUTLYING_SHARE = 0.3  # of the usual misfit, for fields whose misfits hardly scatter
_MODEL = 0.01  # share of the amplitude by which a sound opening may differ from the model
_AT_ONCE = 12_000  # bins fitted together: their intermediate arrays stay in the cache


@dataclass(frozen=True, eq=False)
class EdgeFit:
    """Fitted parameters (n, 8), see `model.Parameter`, and the quality of the fit.

    `noise_factor` (n,) times the noise of one pixel is the standard deviation of the width;
    `misfit` (n,) is the noise one pixel would need to explain the residuals, in light, `peak`
    (n,) the largest residual as if it came from the noise of one pixel. `level_factor` (n, 2) is
    to floor and amplitude what `noise_factor` is to the width; `wire_seen` (n, 2) marks where
    the far edges of the wires before and after lie among the pixels. NaN where nothing fitted.
    """

    parameters: Float
    noise_factor: Float
    misfit: Float
    peak: Float
    level_factor: Float
    wire_seen: Bool

    @classmethod
    def blank(cls, count: int) -> EdgeFit:
        """Fits of `count` openings of which nothing is known yet."""

        def unknown(*shape: int) -> Float:
            return np.full((count, *shape), np.nan)

        seen = np.zeros((count, 2), np.bool_)
        return cls(unknown(PARAMETERS), unknown(), unknown(), unknown(), unknown(2), seen)

    def take(self, which: Index) -> EdgeFit:
        """The fits of some of the openings."""
        return EdgeFit(*(getattr(self, f.name)[which] for f in fields(self)))

    @staticmethod
    def joined(parts: Sequence[EdgeFit]) -> EdgeFit:
        """Several fits one after the other."""
        names = [f.name for f in fields(EdgeFit)]
        return EdgeFit(*(np.concatenate([getattr(p, n) for p in parts]) for n in names))

    def with_wires_of(self, other: EdgeFit) -> EdgeFit:
        """This fit with the far edges of the wires from another that extended further."""
        parameters = self.parameters.copy()
        for k in (Parameter.EDGE_BEFORE, Parameter.EDGE_AFTER):
            known = np.isfinite(other.parameters[:, k])
            parameters[known, k] = other.parameters[known, k]
        return replace(self, parameters=parameters, wire_seen=other.wire_seen)

    def overwrite(self, which: Index, by: EdgeFit) -> None:
        """Take the rows `which` from another, in place: for fits too large to be held twice."""
        for field in fields(self):
            getattr(self, field.name)[which] = getattr(by, field.name)

    @property
    def limits(self) -> tuple[float, float]:
        """Misfit and peak far above what the bulk of the fits, with its spread, explains."""
        slack = _MODEL * float(np.nanmedian(self.amplitude)) if len(self.misfit) else 0.0
        return _limit(self.misfit, slack), _limit(self.peak, slack)

    def beyond(self, limits: tuple[float, float]) -> Bool:
        """Fits (n,) whose misfit or peak lies above these limits."""
        return np.asarray((self.misfit > limits[0]) | (self.peak > limits[1]))

    @property
    def poor(self) -> Bool:
        """Fits (n,) whose residuals stand out from the others'."""
        return self.beyond(self.limits)

    @property
    def width(self) -> Float:
        """Distance (n,) of the opening's two edges, px."""
        return width_of(self.parameters)

    @property
    def middle(self) -> Float:
        """Middle (n,) of the opening, px across from the profile's zero."""
        return middle_of(self.parameters)

    @property
    def amplitude(self) -> Float:
        """Light (n,) of the opening above that of the wires."""
        return np.asarray(self.parameters[:, Parameter.AMPLITUDE])

    @property
    def floor(self) -> Float:
        """Light (n,) of the wires."""
        return np.asarray(self.parameters[:, Parameter.FLOOR])

    @property
    def wires(self) -> Float:
        """Width (n, 2) of the wire before and after the opening, px; NaN where it is not seen.

        A far edge found less than half a wire away, or inside the opening, is none.
        """
        p = self.parameters
        before = p[:, Parameter.FIRST_EDGE] - p[:, Parameter.EDGE_BEFORE]
        after = p[:, Parameter.EDGE_AFTER] - p[:, Parameter.SECOND_EDGE]
        wires = np.where(self.wire_seen, np.stack([before, after], axis=1), np.nan)
        usual = float(np.nanmedian(wires)) if np.isfinite(wires).any() else 0.0
        return np.where(wires > 0.5 * usual, wires, np.nan)


def _limit(value: Float, slack: float) -> float:
    middle = float(np.nanmedian(value)) if len(value) else 0.0
    spread = 1.4826 * float(np.nanmedian(np.abs(value - middle))) if len(value) else 0.0
    return middle + max(_OUTLYING * spread, _OUTLYING_SHARE * middle, slack)


def fit_edges(
    profiles: Profiles,
    start: Float,
    response: EdgeResponse,
    prior: LevelPrior | None = None,
    clip: SensorRange | None = None,
    rounds: int = 3,
) -> EdgeFit:
    """Fit every opening by `rounds` Gauss-Newton steps from the parameters `start` (n, 8).

    Rows whose start is NaN stay NaN.
    """
    out = EdgeFit.blank(len(start))
    which = np.flatnonzero(np.isfinite(start).all(axis=1))
    parts = max(1, which.size * profiles.value.shape[1] // _AT_ONCE)
    for part in np.array_split(which, parts):
        known = prior.take(part) if prior is not None else None
        fit = _fit_part(profiles.take(part), start[part], response, known, clip, rounds)
        out.overwrite(part, fit)
    return out


def _fit_part(
    profiles: Profiles,
    start: Float,
    response: EdgeResponse,
    prior: LevelPrior | None,
    clip: SensorRange | None,
    rounds: int,
) -> EdgeFit:
    y, w = profiles.value, profiles.weight
    p = start.copy()
    limit = step_limit(response)
    for _ in range(rounds):
        model, jacobian, _ = model_of(profiles, p, response, clip)
        matrix, right = normal_equations(jacobian, w, y - model, p, prior)
        before = p
        step = np.linalg.solve(matrix, right[..., None])[..., 0]
        p = stepped(p, step, limit)
    # After the last step the residual follows from the last linearisation.
    left = y - model - np.matmul((p - before).astype(y.dtype)[:, None], jacobian)[:, 0]
    square = w * left**2
    factors = _noise_factors(matrix)
    return EdgeFit(
        p,
        factors[:, 0],
        np.sqrt(square.sum(axis=1) / np.maximum((w > 0).sum(axis=1) - PARAMETERS, 1)),
        np.sqrt(square.max(axis=1)),
        factors[:, 1:],
        _far_edges_seen(profiles, p),
    )


def _noise_factors(matrix: Float) -> Float:
    """Standard deviations (n, 3) of width, floor and amplitude under unit noise of a pixel."""
    wanted = np.zeros((PARAMETERS, 3))
    wanted[[Parameter.FIRST_EDGE, Parameter.SECOND_EDGE], 0] = -1, 1
    wanted[Parameter.FLOOR, 1] = wanted[Parameter.AMPLITUDE, 2] = 1
    return np.asarray(np.sqrt((wanted * np.linalg.solve(matrix, wanted[None])).sum(axis=1)))


def _far_edges_seen(profiles: Profiles, p: Float) -> Bool:
    """Whether pixels lie beyond the wires before and after (n, 2)."""
    filled = profiles.weight > 0
    lowest = np.where(filled, profiles.distance, np.inf).min(axis=1)
    highest = np.where(filled, profiles.distance, -np.inf).max(axis=1)
    before, after = p[:, Parameter.EDGE_BEFORE], p[:, Parameter.EDGE_AFTER]
    return np.stack([lowest < before, highest > after], axis=1)
