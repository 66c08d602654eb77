"""The exact truth of a rendered cloth, one entry per aperture in the picture."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Bool, Float
from sieve_inspect.synthetic.frame import Frame
from sieve_inspect.synthetic.wires import Family


@dataclass(frozen=True)
class Truth:
    """Arrays over the n apertures that lie at least partly in the picture.

    x is the lattice direction nearest the picture's horizontal; `col` grows towards +x, `row`
    towards +y, both from 0. Pixel centres are at whole numbers.

    * `x_px`, `y_px`: middle of the aperture.
    * `width_x_px`, `width_y_px`: perpendicular distance between the edges of the two wires at
      mid-position, in the picture's pixels taken as square.
    * `edges_x` (n, 2, 2): the points (x, y) on the two wires that bound the x width, `edges_y`
      the same for y; `along_x`, `along_y` (n, 2): unit vectors along those wires. With them a
      width follows under any scale: see `widths`.
    * `state`: ok, blocked, torn or partial (partial where `complete` is false).
    * `complete`: entirely within the picture and within the ring.
    * `blocked_share`: part of the open area covered by foreign matter of any kind, 0..1.
    * `touched`: dust or a fibre lies on it; `displaced`: a bounding wire stands aside.
    * `vector_x`, `vector_y` (2,): the mean step to the next aperture along x and y, px, fitted
      to the apertures in the picture (NaN where there is no second row or column).
    * `wire_x_px`, `wire_y_px`: mean width of the wires that bound the x and the y widths.
    * `angle_deg`: angle of the wires that bound the y widths, from the picture's x axis towards
      its y axis.
    """

    row: NDArray[np.int64]
    col: NDArray[np.int64]
    x_px: Float
    y_px: Float
    width_x_px: Float
    width_y_px: Float
    edges_x: Float
    edges_y: Float
    along_x: Float
    along_y: Float
    state: NDArray[np.str_]
    complete: Bool
    blocked_share: Float
    touched: Bool
    displaced: Bool
    vector_x: Float
    vector_y: Float
    wire_x_px: float
    wire_y_px: float
    angle_deg: float

    def __len__(self) -> int:
        return len(self.row)

    def widths(self, unit_x: float, unit_y: float) -> tuple[Float, Float]:
        """Widths (x, y) with pixels of `unit_x` by `unit_y` (um/px, say) instead of squares."""
        unit = np.array([unit_x, unit_y])
        return _across(self.edges_x, self.along_x, unit), _across(self.edges_y, self.along_y, unit)

    @property
    def sound(self) -> Bool:
        """Complete, and neither blocked nor torn nor touched by dust or a fibre."""
        return np.asarray(self.complete & (self.state == "ok") & ~self.touched)


def _across(edges: Float, along: Float, unit: Float) -> Float:
    gap = (edges[:, 1] - edges[:, 0]) * unit
    wire = along * unit
    cross = np.abs(gap[:, 0] * wire[:, 1] - gap[:, 1] * wire[:, 0])
    return np.asarray(cross / np.hypot(wire[:, 0], wire[:, 1]))


def _points(frame: Frame, s: Float, t: Float) -> Float:
    x, y = frame.to_picture(s, t)
    return np.stack([x, y], axis=-1)


def _unit(vectors: Float) -> Float:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=-1, keepdims=True))


@dataclass(frozen=True)
class _Grid:
    """Every aperture of the lattice, gap k of family A by gap r of family B, flattened."""

    k: NDArray[np.int64]
    r: NDArray[np.int64]
    middle: Float
    edges_a: Float
    edges_b: Float
    along_a: Float
    along_b: Float
    corners: Float


def lattice_grid(frame: Frame, families: tuple[Family, Family]) -> _Grid:
    """Geometry of every aperture of the lattice, inside the picture or not."""
    low_a, high_a = families[0].edges_at_stations()
    low_b, high_b = (edge.T for edge in families[1].edges_at_stations())
    k, r = (i.ravel() for i in np.indices(low_a.shape))
    low_a, high_a, low_b, high_b = (e.ravel() for e in (low_a, high_a, low_b, high_b))
    s, t = (low_a + high_a) / 2, (low_b + high_b) / 2
    pair_a = [_points(frame, low_a, t), _points(frame, high_a, t)]
    pair_b = [_points(frame, s, low_b), _points(frame, s, high_b)]
    around = [(low_a, low_b), (high_a, low_b), (high_a, high_b), (low_a, high_b)]
    return _Grid(
        k,
        r,
        _points(frame, s, t),
        np.stack(pair_a, axis=1),
        np.stack(pair_b, axis=1),
        _unit(_points(frame, s, t + 0.5) - _points(frame, s, t - 0.5)),
        _unit(_points(frame, s + 0.5, t) - _points(frame, s - 0.5, t)),
        np.stack([_points(frame, a, b) for a, b in around], axis=1),
    )


def inside(
    points: Float, shape: tuple[int, int], circle: tuple[float, float, float] | None
) -> Bool:
    """Which points (…, 2) lie in the picture and, where given, in the circle (x, y, radius)."""
    x, y = points[..., 0], points[..., 1]
    result = (x >= -0.5) & (x <= shape[1] - 0.5) & (y >= -0.5) & (y <= shape[0] - 0.5)
    if circle is not None:
        result &= np.hypot(x - circle[0], y - circle[1]) <= circle[2]
    return result


def build_truth(
    frame: Frame,
    families: tuple[Family, Family],
    shape: tuple[int, int],
    circle: tuple[float, float, float] | None,
) -> tuple[Truth, NDArray[np.int64]]:
    """The truth of an undamaged cloth, and the (k, r) of each of its apertures, shape (n, 2)."""
    grid = lattice_grid(frame, families)
    seen = inside(grid.corners, shape, circle)
    keep = seen.any(axis=1)
    complete = np.logical_and.reduce(seen[keep], axis=1)
    order, signs = _naming(frame)
    number = np.stack([grid.k[keep], grid.r[keep]], axis=1)
    edges = (grid.edges_a[keep], grid.edges_b[keep])
    along = (grid.along_a[keep], grid.along_b[keep])
    col, row = (_from_zero(signs[i] * number[:, order[i]]) for i in (0, 1))
    middle = grid.middle[keep]
    vector_x, vector_y = _steps(row, col, middle)
    wires = [float(np.mean(families[i].widths)) for i in order]
    count = len(middle)
    truth = Truth(
        row=row,
        col=col,
        x_px=middle[:, 0],
        y_px=middle[:, 1],
        width_x_px=_across(edges[order[0]], along[order[0]], np.ones(2)),
        width_y_px=_across(edges[order[1]], along[order[1]], np.ones(2)),
        edges_x=edges[order[0]],
        edges_y=edges[order[1]],
        along_x=along[order[0]],
        along_y=along[order[1]],
        state=np.where(complete, "ok", "partial").astype("<U7"),
        complete=complete,
        blocked_share=np.zeros(count),
        touched=np.zeros(count, bool),
        displaced=np.zeros(count, bool),
        vector_x=vector_x,
        vector_y=vector_y,
        wire_x_px=wires[0],
        wire_y_px=wires[1],
        angle_deg=_angle(signs[0] * frame.direction(order[0])),
    )
    return truth, number


def _naming(frame: Frame) -> tuple[tuple[int, int], tuple[int, int]]:
    """Which family bounds the x and the y widths, and whether its count runs with the picture.

    Family A is x unless the cloth is turned so far that B's steps are more level.
    """
    steps = (frame.direction(0), frame.direction(1))
    level = abs(steps[0][0]) >= abs(steps[1][0]) - 1e-9
    order = (0, 1) if level else (1, 0)
    return order, (
        1 if steps[order[0]][0] >= 0 else -1,
        1 if steps[order[1]][1] >= 0 else -1,
    )


def _angle(vector: Float) -> float:
    return float(np.degrees(np.arctan2(vector[1], vector[0])))


def _steps(row: NDArray[np.int64], col: NDArray[np.int64], middle: Float) -> tuple[Float, Float]:
    """Mean steps along x and y, px, by least squares over all apertures; NaN where too few."""
    if len(row) < 3 or row.max() == 0 or col.max() == 0:
        return np.full(2, np.nan), np.full(2, np.nan)
    design = np.stack([np.ones(len(row)), col, row], axis=1)
    fitted = np.linalg.lstsq(design, middle, rcond=None)[0]
    return fitted[1], fitted[2]


def _from_zero(index: NDArray[np.int64]) -> NDArray[np.int64]:
    return index - index.min() if index.size else index


def with_state(truth: Truth, state: str, where: Bool) -> Truth:
    """The truth with `state` set under the mask, except apertures cut by the border."""
    changed = np.where(where & truth.complete, state, truth.state).astype("<U7")
    return replace(truth, state=changed)
