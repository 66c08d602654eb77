"""The wear by changes of common apertures, where checks show the same places of a cloth.

    d_i = b (t_i − t_j) + a_k(i) − a_k(j) + e_i      the change of check i since check j
    cov(e) = V = diag(o_i²) + Σ_s c_s c_sᵀ           o: the change's own; c_s: shared by source s
    b = C Xᵀ V⁻¹ d,  u²(b) from C = (Xᵀ V⁻¹ X)⁻¹     generalised least squares (`straight_line`)

t are uses (or days), a_k the levels of the parts of a history (`cloth_history`). A source is the
edge response of one check's scans, or edge bias and light of one scale: it enters the changes up to
it with +c and those since it with −c, so what two changes share does not count twice. The changes
know nothing of the level: it is that of the means m of the last part,

    value at t = m̄ + b (t − t̄)      m̄, t̄: means and places, weighted by the means' uncertainties

A change is that of the common places: a cloth that wears unevenly wears otherwise elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sieve_registry.ledger.figures import ClothLink
from sieve_registry.ledger.records import Check
from sieve_registry.outlook.straight_line import (
    Fit,
    Float,
    Point,
    covariance,
    least_squares,
    line_design,
)

ClothLinks = Mapping[str, ClothLink]  # by id of the check that shows the earlier check's cloth
NO_LINKS: ClothLinks = {}
Mean = tuple[Point, float, int]  # with its place and its part of the history


def of_cloth(check: Check, exchanged: bool) -> Check:
    """A check with x and y of its cloth, from which it was recorded a quarter turn or not."""
    return replace(check, x=check.y, y=check.x) if exchanged else check


@dataclass(frozen=True)
class Change:
    """A change in one direction of the cloth between two checks, numbered in order; um, k = 1.

    `sources` are its shared uncertainties with their sign, by the name of the source.
    """

    before: int
    after: int
    change_um: float
    own_um: float
    sources: Mapping[str, float]


@dataclass(frozen=True)
class Linked:
    """Which checks, numbered in order, show the cloth of an earlier one, and by which link.

    `exchanged` are checks whose x is y of the cloth.
    """

    links: Mapping[int, tuple[int, ClothLink]]
    exchanged: frozenset[int]

    @classmethod
    def of(cls, checks: Sequence[Check], links: ClothLinks) -> Linked:
        """By the links on record between the checks of a cloth."""
        numbers = {check.id: number for number, check in enumerate(checks)}
        found: dict[int, tuple[int, ClothLink]] = {}
        exchanged: set[int] = set()
        for number, check in enumerate(checks):
            link = links.get(check.id)
            before = None if link is None else numbers.get(link.check)
            if link is None or before is None or before >= number:
                continue
            found[number] = before, link
            if link.exchanged != (before in exchanged):
                exchanged.add(number)
        return cls(found, frozenset(exchanged))

    def changes(self, direction: str) -> list[Change]:
        """All changes in a direction of the cloth."""
        return [
            _change(before, after, link, direction, before in self.exchanged)
            for after, (before, link) in self.links.items()
        ]


def _change(before: int, after: int, link: ClothLink, direction: str, exchanged: bool) -> Change:
    axis = "xy".index(direction) ^ exchanged  # the link has directions of the check before
    u = (link.u_x_um, link.u_y_um)[axis]
    half = u / math.sqrt(2)  # records without shares: both scans alike
    sources = {f"edge {before}": -half, f"edge {after}": half}
    if link.shared is not None:
        shared, (scale_before, scale_after) = link.shared, link.shared.scales
        sources = {
            f"edge {before}": -shared.edge_before[axis],
            f"edge {after}": shared.edge_after[axis],
            f"scale {scale_before}": -shared.scale_before[axis],
            f"scale {scale_after}": shared.scale_after[axis],
        }
    rest = u**2 - sum(part**2 for part in sources.values())
    change = (link.change_x_um, link.change_y_um)[axis]
    return Change(before, after, change, math.sqrt(max(rest, 0.0)), sources)


def covariance_of_changes(changes: Sequence[Change]) -> Float:
    """The covariance matrix (n, n) of the changes, um²."""
    v = np.diag([change.own_um**2 for change in changes])
    for source in sorted({name for change in changes for name in change.sources}):
        shared = np.array([change.sources.get(source, 0.0) for change in changes])
        v = v + np.outer(shared, shared)
    return v


def slope_by_changes(changes: Sequence[Change], t: Float, parts: Sequence[int]) -> Fit | None:
    """The line through the changes; its last parameter is the slope, um per unit of t (n,).

    None where no two changes decide it, or steps lie between all checks.
    """
    if not changes:
        return None
    design = line_design(parts, t)
    rows = np.stack([design[change.after] - design[change.before] for change in changes])
    levels, slopes = rows[:, :-1], rows[:, -1:]
    kept: list[int] = []  # the level of the first part is in no change
    for column in range(levels.shape[1]):
        if np.linalg.matrix_rank(levels[:, [*kept, column]]) > len(kept):
            kept.append(column)
    values = np.array([change.change_um for change in changes])
    used = np.hstack([levels[:, kept], slopes])
    line = least_squares(used, values, covariance_of_changes(changes))
    return None if line is None or line.dof < 1 else line


def anchored(slope: Fit, points: Sequence[Point], t: Float) -> Fit | None:
    """The line a + b t of parameters (a, b) through the means at t (n,) with the slope given.

    None where the means are not known.
    """
    if not points:
        return None
    b, u2_b = float(slope.beta[-1]), float(slope.cov[-1, -1])
    weights = np.linalg.solve(covariance(points), np.ones(len(points)))
    middle = float(weights @ t / weights.sum())
    rest = np.array([p.value for p in points]) - b * (t - middle)
    level = least_squares(np.ones((len(t), 1)), rest, covariance(points))
    if level is None:
        return None
    u2_level = float(level.cov[0, 0])
    return Fit(
        beta=np.array([float(level.beta[0]) - b * middle, b]),
        cov=np.array([[u2_level + middle**2 * u2_b, -middle * u2_b], [-middle * u2_b, u2_b]]),
        dof=slope.dof,
        chi2=slope.chi2,
        scatter_factor=slope.scatter_factor,
        quantile=max(slope.quantile, level.quantile),
    )


def line_by_changes(
    changes: Sequence[Change], t: Float, parts: Sequence[int], means: Sequence[Mean]
) -> Fit | None:
    """The line with the slope of the changes through the means of the last part, as `anchored`."""
    slope = slope_by_changes(changes, t, parts)
    if slope is None or not means:
        return None
    last = [(point, place) for point, place, part in means if part == means[-1][2]]
    return anchored(slope, [point for point, _ in last], np.array([place for _, place in last]))
