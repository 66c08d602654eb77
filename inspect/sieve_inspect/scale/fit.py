"""One map from picture to micrometres out of all marks of all pictures of an artefact.

A mark k of picture m, seen at p (px), lies at lattice coordinates w = (i, j) of the artefact:

    e_a(θm) · F(p) = P (w_a + ρ ±w_a + τ w_b) + s g + t_ma         a = 0, 1

F is the map sought (a polynomial, um), e_0 = (cos θ, sin θ) and e_1 = (−sin θ, cos θ) turn it
into the artefact's own directions, t is where the artefact lay, P its certified pitch. A dot or
a corner gives both equations, an edge only the one across it; s = ±1 tells on which side of its
line the edge lies and g is half the line's apparent width. ρ and τ, the artefact's own departure
from square, are sought only where pictures turned by known amounts tell them apart from F.

Everything is linear but the θ, found by a few Gauss-Newton steps. The polynomial's degree is the
one with the least Bayesian information criterion; marks off it lose their weight (Tukey).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.errors import UsageError
from sieve_inspect.scale.lsq import (
    Solution,
    clustered_covariance,
    least_squares,
    robust_weights,
)
from sieve_inspect.scale.pixelmap import Pairs, chebyshev, convex_hull

__all__ = ["MapFit", "Observations", "fit_map"]

Float = NDArray[np.float64]
Ints = NDArray[np.intp]

_MAX_DEGREE = 9  # 4 % of division distortion is followed to 0.01 px by degree 7
_MARKS_PER_TERM = 8
_FLOOR_PX = 1e-4  # residuals below this are rounding, not spread
_GROUP = 4  # marks along and across that may err together


@dataclass(frozen=True, eq=False)
class Observations:
    """What one picture says: n equations.

    `point` (n, 2) as (x, y) px, `index` (n, 2) lattice coordinates, `axis` (n,) the lattice
    direction measured, `side` (n,) −1, 0 or 1, `mark` (n,) a number for each mark.
    """

    point: Float
    index: Float
    axis: Ints
    side: Float
    mark: Ints

    def turned(self, quarters: int) -> Observations:
        """The same marks in the axes of an artefact turned that many quarters further."""
        seen = self
        for _ in range(quarters % 4):
            sign = np.where(seen.axis == 0, -1.0, 1.0)
            index = np.stack([seen.index[:, 1], -seen.index[:, 0]], axis=1)
            seen = replace(seen, index=index, axis=1 - seen.axis, side=seen.side * sign)
        return seen


@dataclass(frozen=True, eq=False)
class Basis:
    """Terms of F_X and F_Y; `centre` and `half` (px) bring the marks into −1..1."""

    x: tuple[tuple[int, int], ...]
    y: tuple[tuple[int, int], ...]
    centre: tuple[float, float]
    half: tuple[float, float]

    def values(self, points: Float) -> tuple[Float, Float]:
        """Terms (n, kx) and (n, ky)."""
        return (
            chebyshev(points, self.centre, self.half, self.x),
            chebyshev(points, self.centre, self.half, self.y),
        )


@dataclass(frozen=True, eq=False)
class MapFit:
    """The fitted map and everything needed to judge it; lengths in um.

    `residual` and `weight` (n,) follow the pictures' observations one after the other, `picture`
    (n,) tells which. `half_line` are g of edges across the picture's x and y (NaN if none).
    """

    basis: Basis
    coefficient: tuple[Float, Float]
    solution: Solution
    clustered: Float
    theta: Float
    residual: Float
    weight: Float
    picture: Ints
    observations: Observations
    hull: Pairs
    degree: int
    half_line: tuple[float, float]
    half_line_at: tuple[int, int]  # their places among the parameters, −1 if none
    target_stretch: float  # 2ρ: the artefact's first pitch over its second, less 1
    target_lean_deg: float

    def variance(self, gradient: Float) -> Float:
        """Variances (m,) of linear functions (m, k) of all parameters, the less kind estimate."""
        plain = np.einsum("mk,kl,ml->m", gradient, self.solution.covariance, gradient)
        grouped = np.einsum("mk,kl,ml->m", gradient, self.clustered, gradient)
        return np.asarray(np.maximum(plain, grouped))


def fit_map(
    pictures: Sequence[Observations],
    pitch_um: float,
    *,
    separable: bool = False,
    target_free: bool = False,
    max_degree: int = _MAX_DEGREE,
) -> MapFit:
    """Fit F to the observations of one or more pictures of an artefact of pitch `pitch_um`.

    `separable` (rules): X depends on x alone and Y on y alone, but for a shear where a picture
    lies across. Raises `UsageError` when the marks do not determine the map.
    """
    system = _System.of(pictures, pitch_um, separable, target_free)
    marks = system.mark_count
    top = 1
    while top < max_degree and _terms(top + 1, separable) * _MARKS_PER_TERM <= marks:
        top += 1
    widest = system.solve(top, np.ones(len(system.all.axis)))
    if top == 1:
        return widest
    used = widest.weight > 0.1
    flat = np.where(used, 1.0, 0.0)
    best, least = top, np.inf
    for degree in range(1, top + 1):
        fit = system.solve(degree, flat, robust=False)
        n = int(used.sum())
        spread = np.sum((fit.residual * used) ** 2) / n + (_FLOOR_PX * system.um_per_px) ** 2
        criterion = n * np.log(spread) + len(fit.solution.value) * np.log(n)
        if criterion < least:
            best, least = degree, criterion
    return widest if best == top else system.solve(best, widest.weight)


def _terms(degree: int, separable: bool) -> int:
    return degree if separable else (degree + 1) * (degree + 2) // 2 - 1


@dataclass(frozen=True, eq=False)
class _System:
    """All observations stacked, and what the equations need besides the unknowns."""

    all: Observations
    picture: Ints
    pitch: float
    separable: bool
    shear: bool
    target_free: bool
    theta: Float
    group: Ints
    um_per_px: float

    @classmethod
    def of(
        cls,
        pictures: Sequence[Observations],
        pitch_um: float,
        separable: bool,
        target_free: bool,
    ) -> _System:
        picture = np.repeat(np.arange(len(pictures)), [len(o.axis) for o in pictures])
        parts = [(o.point, o.index, o.axis, o.side, o.mark) for o in pictures]
        together = Observations(*(np.concatenate(part) for part in zip(*parts, strict=True)))
        slopes = np.stack([_slope(o) for o in pictures])  # lattice steps per px along direction 0
        theta = np.arctan2(slopes[:, 1], slopes[:, 0])
        shear = not separable
        if separable:
            off = np.abs(np.sin(2 * theta))
            shear = bool((off > 0.5).any())
            if not ((np.abs(np.sin(theta)) < 0.5).any() and (np.abs(np.cos(theta)) < 0.5).any()):
                raise UsageError(
                    message="A rule along one direction says nothing about the other: "
                    "add a picture of it turned by 90 degrees."
                )
        cell = np.floor(together.index / _GROUP).astype(int)
        if separable:  # one line's error is one error, however often the line is crossed
            cell = np.stack([np.floor(together.index[:, 0] / 2), np.zeros(len(picture))], axis=1)
        _, group = np.unique(
            np.column_stack([picture, cell, together.axis]), axis=0, return_inverse=True
        )
        um_per_px = pitch_um * float(np.hypot(*slopes.T).mean())
        return cls(
            together, picture, pitch_um, separable, shear, target_free, theta,
            np.asarray(group).ravel(), um_per_px,
        )  # fmt: skip

    @property
    def mark_count(self) -> int:
        return len(np.unique(np.column_stack([self.picture, self.all.mark]), axis=0))

    def basis(self, degree: int) -> Basis:
        low, high = self.all.point.min(axis=0), self.all.point.max(axis=0)
        centre, half = (low + high) / 2, np.maximum((high - low) / 2, 1.0)
        if self.separable:
            x = [(a, 0) for a in range(1, degree + 1)]
            if self.shear:
                x.append((0, 1))
            y = [(0, b) for b in range(1, degree + 1)]
        else:
            x = y = [
                (a, total - a) for total in range(1, degree + 1) for a in range(total, -1, -1)
            ]
        return Basis(tuple(x), tuple(y), tuple(centre.tolist()), tuple(half.tolist()))

    def solve(self, degree: int, weight: Float, robust: bool = True) -> MapFit:
        """Gauss-Newton in the turns, weights renewed on the way when `robust`."""
        basis = self.basis(degree)
        terms = basis.values(self.all.point)
        theta = self.theta.copy()
        weight = weight.copy()
        used = weight > 0
        coefficient = self._start(basis)
        for turn in range(12 if robust else 4):
            design = self._design(terms, coefficient, theta)
            wanted = self.pitch * self._component(self.all.index)
            solution = least_squares(design, wanted, weight)
            kx, ky = len(basis.x), len(basis.y)
            coefficient = solution.value[:kx], solution.value[kx : kx + ky]
            step = self._turns(solution.value)
            theta = theta + step
            if robust and turn < 8:
                floor = _FLOOR_PX * self.um_per_px
                weight = robust_weights(solution.residual, used, floor, hard=turn >= 6)
            elif np.abs(step).max() < 1e-11:
                break
        return self._result(basis, coefficient, solution, design, theta, weight, degree)

    def _start(self, basis: Basis) -> tuple[Float, Float]:
        """A square, straight map of about the right scale."""
        x = np.array([self.um_per_px * basis.half[0] if t == (1, 0) else 0.0 for t in basis.x])
        y = np.array([self.um_per_px * basis.half[1] if t == (0, 1) else 0.0 for t in basis.y])
        return x, y

    def _component(self, pair: Float) -> Float:
        return np.where(self.all.axis == 0, pair[:, 0], pair[:, 1])

    def _directions(self, theta: Float) -> tuple[Float, Float]:
        """e_a (n, 2) of every observation, and its derivative by θ."""
        angle = theta[self.picture] + np.where(self.all.axis == 0, 0.0, np.pi / 2)
        c, s = np.cos(angle), np.sin(angle)
        return np.stack([c, s], axis=1), np.stack([-s, c], axis=1)

    def _design(
        self, terms: tuple[Float, Float], coefficient: tuple[Float, Float], theta: Float
    ) -> Float:
        """Columns: F_X, F_Y, t (per picture and axis seen), g (x, y), [ρ, τ], dθ."""
        along, turning = self._directions(theta)
        seen = np.stack([t @ c for t, c in zip(terms, coefficient, strict=True)], axis=1)
        parts = [along[:, :1] * terms[0], along[:, 1:] * terms[1], self._places(), self._sides()]
        if self.target_free:
            sign = np.where(self.all.axis == 0, 1.0, -1.0)
            other = self._component(self.all.index[:, ::-1])
            own = self._component(self.all.index)
            parts.append(-self.pitch * np.stack([sign * own, other], axis=1))
        rate = (turning * seen).sum(axis=1)
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

    def _sides(self) -> Float:
        """One column for the edges across the picture's x, one for those across its y."""
        along, _ = self._directions(self.theta)
        across_x = np.abs(along[:, 0]) >= np.abs(along[:, 1])
        columns = [-self.all.side * across_x, -self.all.side * ~across_x]
        kept = [c for c in columns if c.any()]
        return np.stack(kept, axis=1) if kept else np.zeros((len(across_x), 0))

    def _turns(self, value: Float) -> Float:
        if self.separable:
            return value[len(value) - len(self.theta) :]
        return np.concatenate([[0.0], value[len(value) - len(self.theta) + 1 :]])

    def _result(
        self,
        basis: Basis,
        coefficient: tuple[Float, Float],
        solution: Solution,
        design: Float,
        theta: Float,
        weight: Float,
        degree: int,
    ) -> MapFit:
        first = len(basis.x) + len(basis.y) + self._places().shape[1]
        along, _ = self._directions(self.theta)
        across_x = np.abs(along[:, 0]) >= np.abs(along[:, 1])
        edged = self.all.side != 0
        at = [-1, -1]
        for axis, there in enumerate((edged & across_x, edged & ~across_x)):
            if there.any():
                at[axis], first = first, first + 1
        half_line = tuple(solution.value[k] if k >= 0 else float("nan") for k in at)
        rho, tau = solution.value[first : first + 2] if self.target_free else (0.0, 0.0)
        trusted = weight > 0.1
        return MapFit(
            basis=basis,
            coefficient=coefficient,
            solution=solution,
            clustered=clustered_covariance(solution, design, weight, self.group),
            theta=theta,
            residual=solution.residual,
            weight=weight,
            picture=self.picture,
            observations=self.all,
            hull=convex_hull(self.all.point[trusted]),
            degree=degree,
            half_line=(float(half_line[0]), float(half_line[1])),
            half_line_at=(at[0], at[1]),
            target_stretch=2 * float(rho),
            target_lean_deg=float(np.degrees(2 * tau)),
        )


def _slope(seen: Observations) -> Float:
    """Change (2,) of lattice coordinate 0 per px along x and y, robustly straight."""
    which = seen.axis == 0
    if which.sum() < 3:
        raise UsageError(message="A picture shows too few marks to say how it is turned.")
    design = np.column_stack([np.ones(which.sum()), seen.point[which]])
    wanted = seen.index[which, 0]
    weight = np.ones(len(wanted))
    for _ in range(5):
        solution = least_squares(design, wanted, weight)
        weight = robust_weights(solution.residual, np.ones(len(wanted), np.bool_), 1e-3)
    return solution.value[1:]
