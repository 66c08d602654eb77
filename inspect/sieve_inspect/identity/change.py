"""What changed between two scans of one cloth, opening by opening, at equal pitch.

    change = width after · (pitch before / pitch after) − width before

A scale that drifted cancels. What shifts the widths of one scan alike does not: the edge response
of another blur, the edge bias of another device, another lamp. It cannot be told from wear, for an
edge that moves into the wire is what wear is; it is in U, as far as the two scans do not share it
(`common_errors`). A reference cloth scanned unworn on both devices takes its place.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from statistics import NormalDist
from typing import Any

import numpy as np

from sieve_inspect.apertures.flags import State
from sieve_inspect.arrays import Bool, Float
from sieve_inspect.identity.alignment import Alignment
from sieve_inspect.identity.common_errors import (
    NOT_SHARED,
    REMEDY,
    Offset,
    UnsharedErrors,
    not_shared,
)
from sieve_inspect.identity.fingerprint import robust_spread, sample_of
from sieve_inspect.summary.uncertainty import (
    BudgetSource,
    Contribution,
    Expanded,
    combine,
    expanded,
)

_FALSE_ALARM = 1e-3  # probability of one false change in a comparison
_TAIL = 1.15  # times the normal quantile: fits scatter a little wider than their noise
_FEWEST = 12  # common openings below which no trend is subtracted
_OFFSET = "offset of the devices"


class Kind(StrEnum):
    """What happened to an opening, or to the cloth."""

    WEAR = "wear"  # all wider
    NARROWER = "narrower"  # all narrower
    STRETCH = "stretch"  # another pitch
    WIDENED = "widened"
    NARROWED = "narrowed"
    DISPLACED = "displaced wire"
    TORN = "torn"
    BLOCKED = "blocked"
    CLEANED = "cleaned"


@dataclass(frozen=True)
class Shared:
    """Standard uncertainties of a change, um, that other changes of the same scans share.

    Those of the edge response of each scan; those of each scale's edge bias and light, 0 where
    both scans have the same.
    """

    edge_before_um: float
    edge_after_um: float
    scale_before_um: float = 0.0
    scale_after_um: float = 0.0


@dataclass(frozen=True)
class DirectionChange:
    """The change of one direction: mean over the common openings, um, and its budget.

    `wire_um` is the mean wire before, `stretch` the change of the pitch as a share of it,
    `U_stretch` its expanded uncertainty (k = 2), in which the scales of both scans count.
    `corrected_um` was added to the change for what both scans or a reference cloth show of edge
    bias and light.
    """

    mean_um: float
    budget: tuple[Contribution, ...]
    total: Expanded
    wire_um: float
    stretch: float
    U_stretch: float
    shared: Shared
    corrected_um: float = 0.0

    @property
    def U_um(self) -> float:  # noqa: N802  (U is the symbol of the GUM)
        """Expanded uncertainty of the mean change, um."""
        return self.total.value_um

    @property
    def remedy(self) -> str:
        """What would make U smaller where most of it is what two scans do not share; else ""."""
        apart = [line.value_um for line in self.budget if line.name in NOT_SHARED]
        return REMEDY if 2 * sum(u**2 for u in apart) > self.total.u_um**2 else ""

    @property
    def significant(self) -> bool:
        """Whether the mean changed by more than its expanded uncertainty."""
        return abs(self.mean_um) > self.U_um

    @property
    def stretched(self) -> bool:
        """Whether the pitch changed by more than its expanded uncertainty."""
        return abs(self.stretch) > self.U_stretch

    def to_dict(self) -> dict[str, Any]:
        """The `change` entry of schema `sieveward.comparison/1`."""
        return {
            "mean_um": round(self.mean_um, 6),
            "U_um": round(self.U_um, 6),
            "k": round(self.total.k, 4),
            "stretch_percent": round(100 * self.stretch, 6),
            "U_stretch_percent": round(100 * self.U_stretch, 6),
            "remedy": self.remedy or None,
            "budget": [line.to_dict() for line in self.budget],
        }


@dataclass(frozen=True)
class ChangedAperture:
    """An opening that changed more than chance allows; numbers and place are those after.

    `change_um` and `U_um` are None where it was torn, blocked or cleaned: there is no width to
    compare. `row_before`, `column_before` are its numbers in the scan before.
    """

    kind: Kind
    direction: str
    row: int
    column: int
    place_um: tuple[float, float]
    row_before: int
    column_before: int
    change_um: float | None = None
    U_um: float | None = None


@dataclass(frozen=True, eq=False)
class Changes:
    """Changes (2, rows, columns) um in x and y over the common part, NaN where not known."""

    map_um: Float
    directions: tuple[DirectionChange, DirectionChange]
    changed: tuple[ChangedAperture, ...]

    @property
    def kinds(self) -> tuple[Kind, ...]:
        """What happened, in the order of `Kind`, each once."""
        seen = {entry.kind for entry in self.changed}
        for direction in self.directions:
            if direction.significant:
                seen.add(Kind.WEAR if direction.mean_um > 0 else Kind.NARROWER)
            if direction.stretched:
                seen.add(Kind.STRETCH)
        return tuple(kind for kind in Kind if kind in seen)


def changes_of(aligned: Alignment, offset: Offset | None = None) -> Changes:
    """All changes of an aligned pair, less what a reference cloth shows their devices differ by."""
    before = aligned.of_before(aligned.before.width).astype(np.float64)
    after = aligned.pair_of_after(aligned.after.width).astype(np.float64)
    noise_before = aligned.of_before(aligned.before.noise).astype(np.float64)
    noise_after = aligned.pair_of_after(aligned.after.noise).astype(np.float64)
    ratio = 1 / (1 + np.array(aligned.stretch))[:, None, None]
    sides = aligned.before.known, aligned.after.known
    apart = [
        not_shared(*sides, _axes(aligned, axis), float(ratio[axis, 0, 0]))
        if offset is None
        else UnsharedErrors(correction=-offset.value_um[axis])
        for axis in (0, 1)
    ]
    change = after * ratio - before + np.array([a.correction for a in apart])[:, None, None]
    noise = np.hypot(noise_before, noise_after * ratio)
    flagged, limit = [], []
    for axis in (0, 1):
        outlying, allowed = _outlying(change[axis], noise[axis], aligned.common)
        flagged.append(outlying)
        limit.append(allowed)
    directions = tuple(
        _direction(aligned, change[axis], aligned.common & ~flagged[axis], before[axis], axis,
                   apart[axis], offset)
        for axis in (0, 1)
    )  # fmt: skip
    entries = [
        *_widths_changed(aligned, change, flagged, limit, directions),
        *_states_changed(aligned),
    ]
    entries.sort(key=lambda e: (e.row, e.column, e.direction))
    return Changes(change, (directions[0], directions[1]), tuple(entries))


def _outlying(change: Float, noise: Float, common: Bool) -> tuple[Bool, Float]:
    """Openings (rows, columns) whose change stands out, and U (rows, columns) of each change.

    A smooth trend over the field is subtracted: uneven wear is wear.
    """
    out, allowed = np.zeros(change.shape, np.bool_), np.full(change.shape, np.nan)
    count = int(common.sum())
    if count < _FEWEST:
        return out, allowed
    value, sigma = change[common], np.maximum(noise[common], 1e-6)
    rest = value - _smooth(value, common)
    scaled = rest / sigma
    factor = max(1.0, robust_spread(scaled))
    quantile = -NormalDist().inv_cdf(_FALSE_ALARM / (4 * count)) * _TAIL
    out[common] = np.abs(scaled) > quantile * factor
    allowed[common] = 2 * factor * sigma
    return out, allowed


def _smooth(value: Float, common: Bool) -> Float:
    """The smooth trend (n,) of values over the common openings, of second order."""
    y, x = (2 * np.arange(n)[:, None] / max(n - 1, 1) - 1 for n in common.shape)
    terms = (np.ones((1, 1)), x.T, y, x.T * x.T, x.T * y, y * y)
    sample = sample_of(len(value))
    at = np.flatnonzero(common)[sample]
    design = np.stack([np.broadcast_to(term, common.shape).flat[at] for term in terms], axis=1)
    part = held = value[sample]
    for _ in range(3):
        beta = np.linalg.lstsq(design, held, rcond=None)[0]
        rest = part - design @ beta
        spread = robust_spread(rest) or 1e-6
        held = part - rest + np.clip(rest, -3 * spread, 3 * spread)
    grid = sum(b * term for b, term in zip(beta, terms, strict=True))
    return np.asarray(np.broadcast_to(grid, common.shape)[common])


def _direction(
    aligned: Alignment,
    change: Float,
    used: Bool,
    width: Float,
    axis: int,
    apart: UnsharedErrors,
    offset: Offset | None,
) -> DirectionChange:
    name, own = "xy"[axis], _axes(aligned, axis)
    sides = tuple(zip((aligned.before.known, aligned.after.known), own, strict=True))
    ratio = 1 / (1 + aligned.stretch[axis])
    edge, light, u_rel = (
        [getattr(known, figure)[i] for known, i in sides] for figure in ("edge", "light", "u_rel")
    )
    u_scatter, dof = _u_of_mean(change, used)
    mean_width = float(np.mean(width[used]))
    wire = aligned.spacing_um[axis] - mean_width
    lines = [
        Contribution("scatter of the changes", name, u_scatter, dof, source=BudgetSource.SAMPLING),
        Contribution("edge response", name, math.hypot(edge[0], edge[1] * ratio)),
        Contribution("pitch", name, aligned.u_stretch[axis] * mean_width),
    ]
    if offset is not None:
        other_wire = abs(1 - offset.wire_um[axis] / wire) * math.hypot(*light)
        lines += [
            Contribution(_OFFSET, name, offset.u_um[axis], source=BudgetSource.SCALE),
            Contribution("light on other wires", name, other_wire, source=BudgetSource.LIGHT),
        ]
    lines += apart.lines(name)
    u_stretch = math.hypot(aligned.u_stretch[axis], *u_rel)
    return DirectionChange(
        float(change[used].mean()),
        tuple(lines),
        expanded(lines),
        wire,
        aligned.stretch[axis],
        2 * u_stretch,
        Shared(edge[0], edge[1] * ratio, apart.before, apart.after),
        apart.correction,
    )


def _axes(aligned: Alignment, axis: int) -> tuple[int, int]:
    """The axes of both maps that a direction of the cloth is: x of one may be y of the other."""
    return axis, 1 - axis if aligned.overlap.place.turn.swaps else axis


def offset_of(aligned: Alignment) -> Offset:
    """What two devices differ by: the change of a cloth scanned unworn on both."""
    x, y = changes_of(aligned).directions
    pair = [
        (d.mean_um - d.corrected_um, combine(c for c in d.budget if c.name not in NOT_SHARED))
        for d in (x, y)
    ]
    return Offset(
        (pair[0][0], pair[1][0]),
        (pair[0][1], pair[1][1]),
        (x.wire_um, y.wire_um),
        aligned.overlap.place.turn.swaps,
        (aligned.before.known.scale, aligned.after.known.scale),
    )


def _u_of_mean(change: Float, used: Bool) -> tuple[float, float]:
    """Standard uncertainty (um) of the mean change and its degrees of freedom.

    Errors of openings along one wire may be alike: the largest of what single openings, rows and
    columns say.
    """
    value = change[used]
    best = (float(value.std(ddof=1)) / math.sqrt(len(value)), len(value) - 1.0)
    for axis in (0, 1):
        count = used.sum(axis=axis)
        lines = count > 0
        if lines.sum() < 4:
            continue
        sums = np.where(used, change, 0).sum(axis=axis)[lines]
        weight = count[lines] / count.sum()
        apart = sums / count[lines] - value.mean()
        number = int(lines.sum())
        u = math.sqrt(float((weight**2 * apart**2).sum()) * number / (number - 1))
        if u > best[0]:
            best = (u, number - 1.0)
    return best


def _widths_changed(
    aligned: Alignment,
    change: Float,
    flagged: list[Bool],
    limit: list[Float],
    directions: tuple[DirectionChange, ...],
) -> list[ChangedAperture]:
    entries = []
    for axis in (0, 1):
        apart = change[axis] - directions[axis].mean_um
        displaced = _beside_opposite(apart, flagged[axis], axis)
        for row, column in np.argwhere(flagged[axis]).tolist():
            kind = Kind.WIDENED if apart[row, column] > 0 else Kind.NARROWED
            if displaced[row, column]:
                kind = Kind.DISPLACED
            figures = float(change[axis][row, column]), float(limit[axis][row, column])
            entries.append(_entry(aligned, kind, "xy"[axis], row, column, *figures))
    return entries


def _beside_opposite(apart: Float, flagged: Bool, axis: int) -> Bool:
    """Flagged openings (rows, columns) beside one that changed as much the other way."""
    across = 1 - axis  # x widths lie side by side along the columns
    out = np.zeros(flagged.shape, np.bool_)
    if not flagged.any():
        return out
    size = np.where(flagged, apart, 0.0)
    for sign in (1, -1):
        near = np.roll(size, sign, axis=across)
        edge = 0 if sign == 1 else -1
        near[(slice(None), edge) if across == 1 else (edge, slice(None))] = 0.0
        out |= flagged & (near * size < 0) & (np.abs(near + size) < 0.5 * np.abs(size))
    return out


def _states_changed(aligned: Alignment) -> list[ChangedAperture]:
    """Openings newly torn, newly blocked, or cleaned."""
    was = {state: aligned.of_before(aligned.before.is_in(state)) for state in State}
    now = {state: aligned.of_after(aligned.after.is_in(state)) for state in State}
    cases = (
        (Kind.TORN, (was[State.OK] | was[State.BLOCKED]) & now[State.TORN]),
        (Kind.BLOCKED, was[State.OK] & now[State.BLOCKED]),
        (Kind.CLEANED, was[State.BLOCKED] & now[State.OK]),
    )
    return [
        _entry(aligned, kind, "", row, column)
        for kind, where in cases
        for row, column in np.argwhere(where).tolist()
    ]


def _entry(
    aligned: Alignment,
    kind: Kind,
    direction: str,
    row: int,
    column: int,
    change_um: float | None = None,
    limit_um: float | None = None,
) -> ChangedAperture:
    rows, columns = aligned.numbers_after
    r, c = int(rows[row, column]), int(columns[row, column])
    x, y = aligned.after.place[:, r, c]
    first = aligned.overlap.first
    return ChangedAperture(
        kind,
        direction,
        r,
        c,
        (float(x), float(y)),
        row + first[0].start,
        column + first[1].start,
        change_um,
        limit_um,
    )
