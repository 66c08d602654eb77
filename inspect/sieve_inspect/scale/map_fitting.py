"""A common map from picture to micrometres, fitted to all marks of all pictures.

A mark k of picture m, seen at p (px), lies at lattice coordinates w = (i, j) of the artefact:

    e_a(θm) · F(p) = P (w_a + ρ ±w_a + τ w_b) + t_ma         a = 0, 1

F is the map sought (a polynomial, um), e_0 = (cos θ, sin θ) and e_1 = (−sin θ, cos θ) turn it
into the artefact's own directions, t is where the artefact lay, P its certified pitch. A dot
gives both equations, a gap between two lines only that across it, F being the mean over its two
edges (their middle in the picture is not the picture of their middle). ρ and τ, the artefact's
own departure from square, are fitted only where pictures turned by known amounts separate them
from F.

Everything is linear but the θ, found by a few Gauss-Newton steps. F is a polynomial of some total
degree and, for lenses, A q |q|² … A q |q|⁸ with q from the picture's middle and A the straight
part: few terms that reach far. The choice is that of the least Bayesian information criterion;
outlying marks lose their weight (Tukey).

Light from one side moves the first edges of all gaps differently from the second edges, and where
that changes over the picture the mean of both may be wrong. So each edge's map is compared with
the mean of both: δ = (JᵀWJ)⁻¹ JᵀW e·(F(p₂) − F(p₁))/2 is the difference of the parameters of the
second edges' map. The part that noise does not explain is taken undivided as a standard
uncertainty, since an error common to both edges cannot be observed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sieve_inspect.arrays import Bool, Float, Index
from sieve_inspect.errors import UsageError
from sieve_inspect.scale.fitted_map import Basis, MapFit, lens_terms, straight_part
from sieve_inspect.scale.least_squares import (
    Solution,
    clustered_covariance,
    least_squares,
    robust_weights,
)
from sieve_inspect.scale.marks import Observations
from sieve_inspect.scale.pixel_map import convex_hull

_MAX_DEGREE = 9
_LENS = 4  # terms q |q|² … q |q|⁸
_MARKS_PER_TERM = 8
_ENOUGH = 2500  # equations to choose the terms by
_FLOOR_PX = 1e-4  # residuals below this are rounding, not spread
_GROUP = 4  # marks along and across that may err together


def fit_map(
    pictures: Sequence[Observations],
    pitch_um: float,
    middle_px: tuple[float, float],
    *,
    separable: bool = False,
    target_free: bool = False,
    max_degree: int = _MAX_DEGREE,
) -> MapFit:
    """Fit F to the observations of one or more pictures of an artefact of pitch `pitch_um`.

    `middle_px` (x, y) is the pictures' middle. `separable` (rules): except for a lens, X depends on
    x alone and Y on y alone, and a shear is fitted only if a picture lies across. Raises
    `UsageError` when the marks do not determine the map.
    """
    system = _System.of(pictures, pitch_um, middle_px, separable, target_free)
    marks = system.mark_count
    top = 1
    while top < max_degree and _terms(top + 1, separable) * _MARKS_PER_TERM <= marks:
        top += 1
    enough = marks >= (2 if separable else 4) * _MARKS_PER_TERM
    lens = _LENS if enough and max_degree > 1 else 0
    return system.solve(*_choose(system, top, lens), np.ones(len(system.all.axis)))


def _choose(system: _System, top: int, lens: int) -> tuple[int, int]:
    """Degree and lens terms of least criterion N ln s² + k (ln N − 1), on at most some marks.

    Where the criterion selects lens terms, one more is added: the omitted rest of the series is
    below the noise of single marks, but all of it affects the scale.
    """
    total = len(system.all.axis)
    part = system.thinned(max(1, total // _ENOUGH))
    used = np.where(
        part.solve(top, lens, np.ones(len(part.all.axis)), quick=True).weight > 0.1, 1.0, 0.0
    )
    best, least = (1, 0), np.inf
    for degree, order in _choices(top, lens, system.separable):
        solution = part.solve(degree, order, used, robust=False, quick=True).solution
        spread = solution.sd**2 + (_FLOOR_PX * system.um_per_px) ** 2
        criterion = total * np.log(spread) + len(solution.value) * (np.log(total) - 1)
        if criterion < least:
            best, least = (degree, order), criterion
    degree, order = best
    return degree, order + 1 if 0 < order < _LENS else order


def _choices(top: int, lens: int, separable: bool) -> list[tuple[int, int]]:
    """Degrees and lens terms to try; a full degree already contains the lower lens terms."""
    tried = []
    for degree in range(1, top + 1):
        tried.append((degree, 0))
        tried += [
            (degree, order) for order in range(1, lens + 1) if separable or 2 * order + 1 > degree
        ]
    return tried


def _terms(degree: int, separable: bool) -> int:
    return degree if separable else (degree + 1) * (degree + 2) // 2 - 1


@dataclass(frozen=True, eq=False)
class _System:
    """All observations stacked, with the constants of the equations."""

    all: Observations
    picture: Index
    pitch: float
    middle: tuple[float, float]
    separable: bool
    shear: bool
    target_free: bool
    theta: Float
    group: Index
    line: Index
    um_per_px: float

    @classmethod
    def of(
        cls,
        pictures: Sequence[Observations],
        pitch_um: float,
        middle_px: tuple[float, float],
        separable: bool,
        target_free: bool,
    ) -> _System:
        picture = np.repeat(np.arange(len(pictures)), [len(o.axis) for o in pictures])
        together = Observations.joined(pictures)
        slopes = np.stack([_slope(o) for o in pictures])  # lattice steps per px along direction 0
        theta = np.arctan2(slopes[:, 1], slopes[:, 0])
        shear = not separable
        if separable:
            off = np.abs(np.sin(2 * theta))
            shear = bool((off > 0.5).any())
            if not ((np.abs(np.sin(theta)) < 0.5).any() and (np.abs(np.cos(theta)) < 0.5).any()):
                raise UsageError(
                    message="A rule along a single direction does not give the scale of the other: "
                    "add a picture of it turned by 90 degrees."
                )
        cell = np.floor(together.index / _GROUP).astype(int)
        if separable:  # all crossings of a line share its error
            cell = np.stack([np.floor(together.index[:, 0] / 2), np.zeros(len(picture))], axis=1)
        _, group = np.unique(
            np.column_stack([picture, cell, together.axis]), axis=0, return_inverse=True
        )
        own = np.where(
            together.axis == 0, together.index[:, 0], together.index[:, 1]
        )  # which line a gap begins at
        _, line = np.unique(
            np.column_stack([picture, np.floor(own / 2), together.axis]),
            axis=0,
            return_inverse=True,
        )
        um_per_px = pitch_um * float(np.hypot(*slopes.T).mean())
        return cls(
            together, picture, pitch_um, middle_px, separable, shear, target_free, theta,
            np.asarray(group).ravel(), np.asarray(line).ravel(), um_per_px,
        )  # fmt: skip

    def thinned(self, every: int) -> _System:
        """One mark in `every`."""
        if every == 1:
            return self
        keep = self.all.mark % every == 0
        return replace(
            self,
            all=self.all.take(keep),
            picture=self.picture[keep],
            group=self.group[keep],
            line=self.line[keep],
        )

    @property
    def mark_count(self) -> int:
        return len(np.unique(np.column_stack([self.picture, self.all.mark]), axis=0))

    def basis(self, degree: int, lens: int, straight: Float) -> Basis:
        """The terms of a choice, given the straight part (2, 2) in um per px."""
        low, high = self.all.point.min(axis=0), self.all.point.max(axis=0)
        centre, half = (low + high) / 2, np.maximum((high - low) / 2, 1.0)
        top = max(degree, 2 * lens + 1) if lens else degree
        powers = [(a, total - a) for total in range(1, top + 1) for a in range(total, -1, -1)]
        if self.separable:
            own_x = [k for k, (_, b) in enumerate(powers) if b == 0 or (self.shear and k == 1)]
            own_y = [k for k, (a, _) in enumerate(powers) if a == 0]
        else:
            own_x = own_y = [k for k, pair in enumerate(powers) if sum(pair) <= degree]
        unit, kx, ky = np.eye(len(powers)), len(own_x), len(own_y)
        orders = [n for n in range(1, lens + 1) if self.separable or 2 * n + 1 > degree]
        rays = lens_terms(powers, centre, half, self.middle, orders)
        bent = np.einsum("ab,bkn->akn", straight, rays)
        x = np.concatenate([unit[:, own_x], np.zeros((len(unit), ky)), bent[0]], axis=1)
        y = np.concatenate([np.zeros((len(unit), kx)), unit[:, own_y], bent[1]], axis=1)
        return Basis(tuple(powers), x, y, (centre[0], centre[1]), (half[0], half[1]))

    def solve(
        self, degree: int, lens: int, weight: Float, robust: bool = True, quick: bool = False
    ) -> MapFit:
        """Gauss-Newton in the turns, weights renewed on the way when `robust`."""
        theta, weight, used = self.theta.copy(), weight.copy(), weight > 0
        straight = self.um_per_px * np.eye(2)
        basis = self.basis(degree, lens, straight)
        terms = self._terms(basis)
        wanted = self.pitch * self._component(self.all.index)
        mapped = self.um_per_px * self.all.point
        for turn in range(14 if robust else 3):
            design = self._design(terms, mapped, theta)
            solution = least_squares(design, wanted, weight, quick=quick)
            coefficient = solution.value[: basis.x.shape[1]]
            mapped = np.stack([part @ coefficient for part in terms], axis=1)
            step = self._turns(solution.value)
            theta = theta + step
            if robust and turn < 8:
                weight = self._weights(solution, weight, used, hard=turn >= 6)
            elif np.abs(step).max() < 1e-11:
                break
            if lens:
                basis = self.basis(degree, lens, straight_part(basis, coefficient))
                terms = self._terms(basis)
        return self._result(basis, coefficient, solution, design, theta, weight, (degree, lens))

    def _terms(self, basis: Basis) -> tuple[Float, Float]:
        (x1, y1), (x2, y2) = basis.values(self.all.first), basis.values(self.all.second)
        return (x1 + x2) / 2, (y1 + y2) / 2

    def _weights(self, solution: Solution, weight: Float, used: Bool, hard: bool) -> Float:
        """New weights, each direction by its own spread, since only one may be bent.

        A mark at the rim draws the map to itself and its residual is small, hence the leverage.
        """
        own = self._less_own_scale(solution.residual, weight)
        own = own / np.sqrt(np.maximum(1 - solution.leverage, 0.02))
        out = np.zeros(len(own))
        for axis in (0, 1):
            rows = self.all.axis == axis
            if (rows & used).any():
                floor = _FLOOR_PX * self.um_per_px
                out[rows] = robust_weights(own[rows], used[rows], floor, hard=hard)
        return out

    def _less_own_scale(self, residual: Float, weight: Float) -> Float:
        """Residuals less the part that each picture's own scale explains."""
        if len(self.theta) == 1:
            return residual
        left = residual.copy()
        for m in range(len(self.theta)):
            for axis in (0, 1):
                rows = (self.picture == m) & (self.all.axis == axis)
                if rows.sum() < 6:
                    continue
                point, root = self.all.point[rows], np.sqrt(weight[rows])[:, None]
                plane = np.column_stack([np.ones(len(point)), point - point.mean(axis=0)])
                slope, *_ = np.linalg.lstsq(plane * root, residual[rows] * root[:, 0], rcond=None)
                left[rows] -= plane @ slope
        return left

    def _component(self, pair: Float) -> Float:
        return np.where(self.all.axis == 0, pair[:, 0], pair[:, 1])

    def _sides(
        self,
        basis: Basis,
        coefficient: Float,
        solution: Solution,
        design: Float,
        theta: Float,
        weight: Float,
    ) -> Float:
        along, _ = self._directions(theta)
        half = [
            (after - before) @ coefficient / 2
            for before, after in zip(
                basis.values(self.all.first), basis.values(self.all.second), strict=True
            )
        ]
        off = along[:, 0] * half[0] + along[:, 1] * half[1]
        return np.asarray(solution.inverse @ (design.T @ (weight * off)))

    def _directions(self, theta: Float) -> tuple[Float, Float]:
        """e_a (n, 2) of every observation, and its derivative by θ."""
        angle = theta[self.picture] + np.where(self.all.axis == 0, 0.0, np.pi / 2)
        c, s = np.cos(angle), np.sin(angle)
        return np.stack([c, s], axis=1), np.stack([-s, c], axis=1)

    def _design(self, terms: tuple[Float, Float], mapped: Float, theta: Float) -> Float:
        """Columns: F, t (per picture and axis measured), [ρ, τ], dθ; `mapped` is F (n, 2)."""
        along, turning = self._directions(theta)
        columns = along[:, :1] * terms[0] + along[:, 1:] * terms[1]
        parts = [columns, self._places()]
        if self.target_free:
            sign = np.where(self.all.axis == 0, 1.0, -1.0)
            other = self._component(self.all.index[:, ::-1])
            own = self._component(self.all.index)
            parts.append(-self.pitch * np.stack([sign * own, other], axis=1))
        rate = (turning * mapped).sum(axis=1)
        first = 0 if self.separable else 1  # one turn is the map's own
        parts += [(rate * (self.picture == m))[:, None] for m in range(first, len(theta))]
        return np.concatenate(parts, axis=1)

    def _places(self) -> Float:
        columns = [
            -1.0 * ((self.picture == m) & (self.all.axis == a))
            for m in range(len(self.theta))
            for a in (0, 1)
        ]
        return np.stack([c for c in columns if c.any()], axis=1)

    def _turns(self, value: Float) -> Float:
        if self.separable:
            return value[len(value) - len(self.theta) :]
        return np.concatenate([[0.0], value[len(value) - len(self.theta) + 1 :]])

    def _result(
        self,
        basis: Basis,
        coefficient: Float,
        solution: Solution,
        design: Float,
        theta: Float,
        weight: Float,
        choice: tuple[int, int],
    ) -> MapFit:
        first = basis.x.shape[1] + self._places().shape[1]
        rho, tau = solution.value[first : first + 2] if self.target_free else (0.0, 0.0)
        trusted = weight > 0.1
        return MapFit(
            basis=basis,
            coefficient=coefficient,
            solution=solution,
            clustered=tuple(
                clustered_covariance(solution, design, weight, group)
                for group in (self.group, self.line)
            ),
            sides=self._sides(basis, coefficient, solution, design, theta, weight),
            theta=theta,
            residual=solution.residual,
            weight=weight,
            picture=self.picture,
            observations=self.all,
            # Out to the edges, not their middles: widths at the rim need the map there.
            hull=convex_hull(np.concatenate([self.all.first[trusted], self.all.second[trusted]])),
            pitch_px=self.pitch / self.um_per_px,
            middle=self.middle,
            degree=choice[0],
            lens=choice[1],
            shear_measured=self.shear,
            target_stretch=2 * float(rho),
            target_lean_deg=float(np.degrees(2 * tau)),
        )


def _slope(marks: Observations) -> Float:
    """Change (2,) of lattice coordinate 0 per px along x and y, robustly straight."""
    which = marks.axis == 0
    if which.sum() < 3:
        raise UsageError(
            message="A picture shows too few marks to find its rotation: show more of the artefact."
        )
    design = np.column_stack([np.ones(which.sum()), marks.point[which]])
    wanted = marks.index[which, 0]
    weight = np.ones(len(wanted))
    for _ in range(5):
        solution = least_squares(design, wanted, weight)
        weight = robust_weights(solution.residual, np.ones(len(wanted), np.bool_), 1e-3)
    return solution.value[1:]
