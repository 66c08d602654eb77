"""The map of the cloth: local means and marked apertures of each scanned field."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sieve_registry.report.charts import INK, shortened, standalone, svg_of
from sieve_registry.report.formatting import Lengths, clean, finite
from sieve_registry.report.view import Apertures, CheckView, Places, highest_allowed_um

if TYPE_CHECKING:
    from markupsafe import Markup
    from matplotlib.axes import Axes
    from matplotlib.collections import QuadMesh
    from matplotlib.colors import ListedColormap
    from matplotlib.figure import Figure

    from sieve_inspect.measurement.model import Measurement

Float = NDArray[np.float64]
_PER_CELL = 12  # apertures in a local mean, about
_MOST_CELLS = 16  # in one direction
_FEW = 1 / 3  # of the median count: a cell with fewer shows no mean
_FIELDS = 3  # in one figure, which has to fit on a page
_MOST_MARKS = 300  # of a kind in a field, to stay legible


@dataclass(frozen=True, eq=False)
class MappedField:
    """A field: its name, its size (w, h) in px, and the local means of each direction.

    `means` (2, rows, columns) are deviations from the direction's mean in the unit shown, NaN
    where too few apertures were measured; `blocked`, `torn` and `oversize` (n, 2) are places in
    px.
    """

    name: str
    size: tuple[float, float]
    means: Float
    blocked: Float
    torn: Float
    oversize: tuple[Float, Float]
    numbers: tuple[tuple[str, int, float, float], ...]  # direction, number, x, y


@dataclass(frozen=True, eq=False)
class ClothMap:
    """All fields of a check, the unit, and the largest deviation of a local mean."""

    unit: str
    fields: tuple[MappedField, ...]
    reach: float
    thinned: bool

    @property
    def counts(self) -> tuple[int, int, int]:
        """Places marked as blocked, torn and oversize."""
        fields = self.fields
        over = sum(len(places) for f in fields for places in f.oversize)
        return sum(len(f.blocked) for f in fields), sum(len(f.torn) for f in fields), over


def map_of(
    apertures: Apertures | None,
    names: Sequence[str],
    highest_um: float | None,
    numbered: Sequence[tuple[int, int, str]],
    unit: str,
) -> ClothMap | None:
    """The map of a check, None without the places of its apertures.

    `highest_um` is the limit of a single aperture; `numbered` has the number, index and direction
    of each enlarged aperture.
    """
    if apertures is None or apertures.places is None or not len(apertures.state):
        return None
    per = 1000.0 if unit == "mm" else 1.0
    images = apertures.places.image
    fields = []
    for place, image in enumerate(sorted(set(images.tolist()))):
        name = names[place] if place < len(names) else f"field {place + 1}"
        here = images == image
        fields.append(_field(apertures, here, name, highest_um, numbered, per))
    deviations = np.concatenate([f.means[np.isfinite(f.means)] for f in fields])
    thinned = any(len(m) > _MOST_MARKS for f in fields for m in (f.blocked, f.torn, *f.oversize))
    reach = float(np.abs(deviations).max(initial=0.0)) or 1.0
    return ClothMap(unit, tuple(fields), reach, thinned)


def map_svg(measurement: Measurement) -> str:
    """The map of a measurement as an SVG file, in µm or mm by its nominal."""
    pictures = measurement.pictures
    fields = [p.field for p in pictures]

    def joined(parts: Iterable[NDArray[Any]]) -> NDArray[Any]:
        return np.concatenate(list(parts))

    places = Places(
        joined(np.full(len(f.row), number) for number, f in enumerate(fields, start=1)),
        joined(f.row for f in fields),
        joined(f.column for f in fields),
        *(joined(f.centre[:, k] for f in fields) for k in (0, 1)),
    )
    x, y = (joined(p.samples[axis].width for p in pictures) for axis in (0, 1))
    apertures = Apertures(x, y, joined(f.state for f in fields), places)
    limit = highest_allowed_um(measurement.verdict)
    unit = "mm" if measurement.nominal_um >= 1000 else "µm"
    names = [p.scan.path.name for p in pictures]
    mapped = map_of(apertures, names, limit, (), unit)
    assert mapped is not None  # places are known
    label = f"Map of the cloth: local means, deviating at most {mapped.reach:.2g} {unit}"
    return standalone(cloth_map_svg(mapped, label, legend=True))


def _field(
    apertures: Apertures,
    here: NDArray[np.bool_],
    name: str,
    highest_um: float | None,
    numbered: Sequence[tuple[int, int, str]],
    per: float,
) -> MappedField:
    places = apertures.places
    assert places is not None
    at = np.column_stack([places.x_px, places.y_px])
    low, high = at[here].min(axis=0), at[here].max(axis=0)
    width, height = (float(v) for v in np.maximum(high + np.maximum(low, 1.0), 1.0))
    count = max(int(here.sum()), 1)
    across = math.sqrt(count / _PER_CELL * (high - low)[0] / max(float((high - low)[1]), 1.0))
    columns = min(max(round(across), 1), _MOST_CELLS)
    rows = min(max(round(count / _PER_CELL / columns), 1), _MOST_CELLS)
    means, over = [], []
    for direction in "xy":
        measured = apertures.measured(direction)
        values = apertures.all_widths(direction)
        ok = here & measured
        level = float(values[measured].mean()) if measured.any() else math.nan
        means.append(_cells(at[ok], (values[ok] - level) / per, (width, height), rows, columns))
        large = ok if highest_um is None else ok & (np.nan_to_num(values) > highest_um)
        over.append(at[large] if highest_um is not None else at[:0])
    return MappedField(
        name=name,
        size=(width, height),
        means=np.array(means),
        blocked=at[here & (apertures.state == "blocked")],
        torn=at[here & (apertures.state == "torn")],
        oversize=(over[0], over[1]),
        numbers=tuple((d, n, float(at[i, 0]), float(at[i, 1])) for n, i, d in numbered if here[i]),
    )


def _cells(at: Float, values: Float, size: tuple[float, float], rows: int, columns: int) -> Float:
    """Mean of the values in each cell of a grid over the field, NaN where there are too few.

    Otherwise single apertures at the rim would set the range of the shades.
    """
    span = [[0.0, size[1]], [0.0, size[0]]]
    total, *_ = np.histogram2d(at[:, 1], at[:, 0], (rows, columns), span, weights=values)
    count, *_ = np.histogram2d(at[:, 1], at[:, 0], (rows, columns), span)
    usual = np.median(count[count > 0]) if (count > 0).any() else 0.0
    enough = (count > 0) & (count >= _FEW * usual)
    return np.asarray(np.where(enough, total / np.maximum(count, 1), np.nan))


def cloth_map_svg(
    mapped: ClothMap, label: str, prefix: str = "map", *, legend: bool = False
) -> Markup:
    """Each field twice, by the means of x and of y; lighter is wider, marks differ in shape.

    `legend` adds an explanation below the maps.
    """
    shape = max(f.size[1] / f.size[0] for f in mapped.fields)
    many = len(mapped.fields)
    height = min(max(3.1 * shape, 1.2), 9.4 / many - 0.3)  # inches: all on one page

    def draw(figure: Figure) -> None:
        figure.set_layout_engine("constrained")
        panels = figure.subplots(many, 2, squeeze=False)
        for line, field in zip(panels, mapped.fields, strict=True):
            for place, axes in enumerate(line):
                cells = _panel(axes, field, place, mapped.reach)
        bar = figure.colorbar(cells, ax=panels.ravel().tolist(), shrink=min(1.0, 2 / many))
        bar.set_label(f"deviation from the direction’s mean, {mapped.unit}", fontsize=8.5)
        bar.ax.tick_params(labelsize=8)
        if legend:
            _legend(figure, mapped)

    extra = 0.5 if legend else 0.0
    return svg_of(draw, (7.1, 0.2 + extra + many * (height + 0.3)), prefix, label)


def _legend(figure: Figure, mapped: ClothMap) -> None:
    """The marks in use and the meaning of the shades, below the maps."""
    from matplotlib.lines import Line2D

    marks = [
        Line2D(
            [], [], color=INK, marker=mark, markersize=size, markerfacecolor="none",
            markeredgewidth=1.2, linestyle="none", label=name,
        )
        for (mark, size, name), count in zip(_MARKS, mapped.counts, strict=True)
        if count
    ]  # fmt: skip
    white = "lighter: wider; white: too few apertures for a mean"
    handles = [*marks, Line2D([], [], linestyle="none", label=white)]
    figure.legend(
        handles=handles, loc="outside lower center", ncols=len(handles), fontsize=8,
        frameon=False, handletextpad=0.3, columnspacing=1.2,
    )  # fmt: skip


_MARKS = (
    ("x", 4, "blocked"),
    ("D", 6, "torn"),
    ("^", 6, "wider than allowed"),
)  # as `ClothMap.counts` has them


def _greys() -> ListedColormap:
    """From middle grey to nearly white: black marks stand out, and white is left for no mean.

    So few levels that the colour bar is drawn as shapes, not as a picture.
    """
    from matplotlib.colors import ListedColormap

    return ListedColormap([str(level) for level in np.linspace(0.42, 0.94, 32)])


def _panel(axes: Axes, field: MappedField, place: int, reach: float) -> QuadMesh:
    width, height = field.size
    means = field.means[place]
    axes.set_facecolor("white")
    cells = axes.pcolormesh(
        np.linspace(0, width, means.shape[1] + 1),
        np.linspace(0, height, means.shape[0] + 1),
        np.ma.masked_invalid(means),
        cmap=_greys(),
        vmin=-reach,
        vmax=reach,
        edgecolors="face",
        linewidth=0.3,
    )
    places = (field.blocked, field.torn, field.oversize[place])
    for at, (mark, size, _) in zip(places, _MARKS, strict=True):
        shown = at[:: max(1, math.ceil(len(at) / _MOST_MARKS))]
        for colour, line in (("white", 3.0), (INK, 1.2)):
            axes.plot(
                shown[:, 0], shown[:, 1], mark, color=colour, markerfacecolor="none",
                markersize=size, markeredgewidth=line, linestyle="none",
            )  # fmt: skip
    for direction, number, x, y in field.numbers:
        if direction == "xy"[place]:
            axes.text(
                x, y, str(number), ha="center", va="center", fontsize=7.5, clip_on=True,
                bbox={"boxstyle": "circle,pad=0.15", "fc": "white", "ec": INK, "lw": 0.8},
            )  # fmt: skip
    axes.set_xlim(0, width)
    axes.set_ylim(height, 0)  # as the picture lies
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_visible(True)
    axes.set_title(f"{shortened(field.name, 32)}: widths in {'xy'[place]}", fontsize=8.5)
    return cells


def cloth_map(check: CheckView, lengths: Lengths) -> dict[str, Any] | None:
    """The map with its caption; None without the places of the apertures."""
    names = [str(clean(scan.name)) for scan in check.scans]
    highest = finite((check.limits or {}).get("max_um"))
    numbered = [(shown.number, shown.index, shown.direction) for shown in check.enlarged]
    mapped = map_of(check.apertures, names, highest, numbered, lengths.unit)
    if mapped is None:
        return None
    marks = _marks(mapped, highest is not None)
    count = f"{len(mapped.fields)} field{'s' if len(mapped.fields) != 1 else ''}"
    label = (
        f"Map of the cloth: local means of x and y over {count}, deviating at "
        f"most {mapped.reach:.2g} {mapped.unit} from the direction’s mean. {marks}"
    )
    parts = [mapped.fields[i : i + _FIELDS] for i in range(0, len(mapped.fields), _FIELDS)]
    return {
        "svgs": [
            cloth_map_svg(replace(mapped, fields=part), label, f"map-{n}")
            for n, part in enumerate(parts, start=1)
        ],
        "marks": marks,
        "thinned": mapped.thinned,
        "numbered": bool(numbered),
    }


def _marks(mapped: ClothMap, judged: bool) -> str:
    blocked, torn, over = mapped.counts
    counts = [f"{blocked} blocked (cross)", f"{torn} torn (diamond)"]
    if judged:
        counts.append(f"{over} over the limit of a single aperture (triangle)")
    return f"Marks: {', '.join(counts)}."
