"""Mean, spread, extremes, wires and pitch of one direction, with their uncertainties.

Openings between the same two wires share most of their width, so the spread of the mean is
taken from gaps (all openings between two neighbouring wires), not from single openings: a thousand
openings between fifty wires are a sample of about fifty.

Of n openings out of all N of a cloth, sampling leaves the share 1 − n/N of its variance (Cochran,
Sampling Techniques, 3rd ed. 1977, 2.6): none where all of them were measured.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.apertures.field import Field
from sieve_inspect.apertures.flags import Flag
from sieve_inspect.scale import Scale
from sieve_inspect.scale.parts import EDGE_BIAS, Default
from sieve_inspect.summary.direction import DirectionSummary
from sieve_inspect.summary.fields import FieldScatter, GapMeans, u_of_gaps, u_of_mean
from sieve_inspect.summary.uncertainty import (
    BudgetSource,
    Contribution,
    Quantity,
    combine,
    lines_of,
)

Float = NDArray[np.float64]

_AT_ONCE = 200_000  # openings moved through the scale at a time

# Left after the edge response is fitted: the largest bias of the mean seen over the blur shapes
# of this project's own accuracy table, taken as the half-width of a rectangular distribution.
EDGE_MODEL_PX = 0.02 / math.sqrt(3)
# In light from above a wire's round side darkens towards its edge, as blur does: what exceeds a
# sharp picture's blur (px) may be either, and the edge anywhere within it.
_SHARP_PX = 1.1
_NOISE_KNOWN = 0.1  # relative: the noise of single widths against what the pixels' noise predicts
_EXPECTED = 0.1  # openings as large: the largest of a normal cloth is above that in 9 of 10
_SMALLEST_UM = 30_000.0  # of cloth in a frame; common practice, no source


@dataclass(frozen=True, eq=False)
class Sample:
    """One direction of one picture in um; arrays over all n openings.

    `gap` numbers the pair of wires an opening lies between, `um_per_px` (n,) is the scale across
    the wires, `pitch` the spacing to the next opening where there is one, NaN elsewhere.
    """

    width: Float
    noise: Float
    wires: Float
    pitch: Float
    gap: NDArray[np.intp]
    ok: NDArray[np.bool_]
    um_per_px: Float
    u_response: float


def sample_of(field: Field, scale: Scale, axis: int) -> Sample:
    """Bring one direction of a field to um. Points are moved through the scale, not the picture."""
    result = field.axes[axis]
    um_per_px = _across(field.centre, result.normal, scale)
    bias = 2 * scale.edge_bias_px
    round_side = 0.0 if field.lattice.bright else max(0.0, result.response.sigma - _SHARP_PX)
    u_response = math.hypot(result.u_response, 2 * round_side / math.sqrt(3))
    return Sample(
        width=(result.fit.width - bias) * um_per_px,
        noise=result.fit.noise_factor * field.pixel_noise * um_per_px,
        wires=(result.fit.wires + bias) * um_per_px[:, None],
        pitch=_pitch(field, axis, result.normal, um_per_px),
        gap=field.column if axis == 0 else field.row,
        ok=field.ok,
        um_per_px=um_per_px,
        u_response=u_response * float(np.median(um_per_px)),
    )


def _across(centre: Float, normal: Float, scale: Scale) -> Float:
    """Scale (n,) in um per px across lines with unit normals (n, 2), at places (n, 2) in px.

    Lines a distance e apart across the normal n are e / |J⁻ᵀn| apart once moved through a map
    with the Jacobian J, taken here from points half a px around each place.
    """
    out = np.empty(len(centre))
    for first in range(0, len(centre), _AT_ONCE):
        part = slice(first, first + _AT_ONCE)
        ends = [
            scale.to_um(centre[part] + step) - scale.to_um(centre[part] - step)
            for step in np.eye(2) / 2
        ]
        jacobian = np.stack(ends, axis=2)
        moved = np.linalg.solve(jacobian.transpose(0, 2, 1), normal[part, :, None])[..., 0]
        out[part] = 1 / np.hypot(moved[:, 0], moved[:, 1])
    return out


def _pitch(field: Field, axis: int, normal: Float, um_per_px: Float) -> Float:
    """Spacing (n,) in um from each sound opening to the next in its row or column if sound."""
    shape = field.lattice.seen.shape
    grid = np.full((shape[0] + 1, shape[1] + 1), -1, np.intp)
    grid[field.row, field.column] = np.where(field.ok, np.arange(len(field.row)), -1)
    after = grid[field.row + axis, field.column + 1 - axis]
    step = ((field.centre[after] - field.centre) * normal).sum(axis=1) * um_per_px
    return np.where(field.ok & (after >= 0), step, np.nan)


def whole_cloth(fields: Sequence[Field], scale: Scale) -> int | None:
    """Number of complete apertures of a cloth that a picture shows to the ring on all sides.

    None where the ring was not located or the picture's border cuts it, where there are several
    pictures, and where so little cloth is seen that it is a microscope's field stop, no frame.
    """
    if len(fields) != 1:
        return None
    (field,) = fields
    ring = field.lattice.ring
    if ring is None or not ring.whole:
        return None
    extent = np.ptp(scale.to_um(field.centre), axis=0)
    complete = (field.flags & (Flag.BORDER | Flag.FRAME)) == 0
    return int(complete.sum()) if extent.min() > _SMALLEST_UM else None


def summarise(
    samples: Sequence[Sample],
    scale: Scale,
    axis: int,
    population: int | None = None,
    scatter: FieldScatter | None = None,
) -> tuple[DirectionSummary, list[Contribution]]:
    """Summary of direction x (`axis` 0) or y (1) over several pictures, and its budget.

    `population` is the number of apertures of the whole cloth, where that is known; an aperture
    must not be among the samples twice then. `scatter` is how far the means of fields of this
    cloth lie apart (see `fields`); without it the samples count as the only fields there are.
    """
    width = np.concatenate([s.width[s.ok] for s in samples])
    noise = np.concatenate([s.noise[s.ok] for s in samples])
    wires = np.concatenate([s.wires[s.ok].ravel() for s in samples])
    pitch = np.concatenate([s.pitch[s.ok] for s in samples])
    if not len(width):
        raise ValueError("a summary needs at least one sound opening")
    mean = float(width.mean())
    variance = float(width.var(ddof=1)) if len(width) > 1 else 0.0
    subtracted = float(np.mean(noise**2))
    spread = math.sqrt(max(0.0, variance - subtracted))
    fields = gap_means(samples)
    u_sampling, _ = u_of_gaps(fields)
    effective = min(len(width), max(2.0, variance / u_sampling**2 if u_sampling > 0 else 2.0))
    unseen = math.sqrt(max(0.0, 1 - len(width) / population)) if population else 1.0
    largest = int(np.argmax(width))
    excess = _noise_excess(float(width[largest]) - mean, float(noise[largest]), spread, len(width))
    direction, u_noise = "xy"[axis], float(np.sqrt(np.sum(noise**2))) / len(width)
    budget = [
        *_common_lines(samples, scale, axis, mean),
        Contribution("pixel noise", direction, u_noise, common=False),
        *sampling_lines(direction, fields, scatter, unseen),
        Contribution("noise on the maximum", direction, float(noise[largest]), of=Quantity.LARGEST),
        *_lines_of_s(direction, spread, subtracted, unseen, effective),
    ]
    summary = DirectionSummary(
        count=len(width),
        mean_um=mean,
        sd_um=spread,
        min_um=float(width.min()),
        max_um=float(width[largest]) - excess,
        median_um=float(np.median(width)),
        u_mean_um=math.nan,  # set by the budget
        u_sd_um=math.nan,
        u_max_um=math.nan,
        wire_mean_um=float(np.nanmean(wires)) if np.isfinite(wires).any() else math.nan,
        wire_count=sum(len(np.unique(s.gap[s.ok])) + 1 for s in samples if s.ok.any()),
        pitch_um=float(np.nanmean(pitch)) if np.isfinite(pitch).any() else math.nan,
        odd_even_um=_odd_even(samples),
        population=population,
    )
    return summary.with_budget(budget), budget


def _common_lines(
    samples: Sequence[Sample], scale: Scale, axis: int, mean: float
) -> list[Contribution]:
    """What shifts every width of a direction alike."""
    direction = "xy"[axis]
    um_per_px = float(np.mean([np.median(s.um_per_px) for s in samples]))
    u_response = float(np.mean([s.u_response for s in samples]))
    return [
        *_scale_lines(scale, axis, mean),
        Contribution("edge response", direction, u_response),
        Contribution("edge model", direction, EDGE_MODEL_PX * um_per_px),
        _edge_bias_line(scale, direction, um_per_px),
    ]


def _scale_lines(scale: Scale, axis: int, mean: float) -> Iterator[Contribution]:
    """The scale's own line, one for each cause it states, and one for each it leaves to a default.

    A cause stated as zero has no line.
    """
    direction, source = "xy"[axis], BudgetSource.SCALE
    for cause, u_rel in scale.u_rel_by_cause(axis).items():
        if cause is None or u_rel > 0:
            yield Contribution(str(cause or "scale"), direction, u_rel * mean, source=source)
    for cause, default in scale.assumed.items():
        yield _assumed(str(cause), default, direction, default.u * mean)


def _edge_bias_line(scale: Scale, direction: str, um_per_px: float) -> Contribution:
    u_um = 2 * scale.u_edge_bias_in_use_px * um_per_px
    if scale.u_edge_bias_px is None:
        return _assumed("edge bias", EDGE_BIAS, direction, u_um)
    return Contribution("edge bias", direction, u_um, source=BudgetSource.SCALE)


def _assumed(name: str, default: Default, direction: str, u_um: float) -> Contribution:
    return Contribution(
        f"{name} (assumed)",
        direction,
        u_um,
        source=BudgetSource.SCALE,
        basis=default.basis,
        remedy=default.remedy,
    )


def sampling_lines(
    direction: str, fields: Sequence[GapMeans], scatter: FieldScatter | None, unseen: float
) -> Iterator[Contribution]:
    """What was not measured adds to the mean; `unseen` is the share of sampling that counts.

    The scatter between several fields holds that of their gaps already; a single field has both.
    """
    source = BudgetSource.SAMPLING
    if scatter is None or len(fields) < 2:
        u_gaps, gaps = u_of_gaps(fields)
        dof = max(gaps - 1, 1)
        yield Contribution("sampling", direction, unseen * u_gaps, dof, source=source, common=False)
    if scatter is not None:
        name, u = f"between fields ({scatter.source})", unseen * u_of_mean(fields, scatter)
        yield Contribution(name, direction, u, scatter.dof, source=source, common=False)


def _lines_of_s(
    direction: str, spread: float, subtracted: float, unseen: float, effective: float
) -> list[Contribution]:
    """What makes s uncertain: the noise variance `subtracted` (um²), and the sample's size.

    `effective` is the number of independent apertures, `unseen` the share of sampling that counts.
    """
    of, source, dof = Quantity.DEVIATION, BudgetSource.SAMPLING, max(effective - 1, 1)
    of_noise = math.sqrt(spread**2 + 2 * _NOISE_KNOWN * subtracted) - spread
    of_sampling = unseen * spread / math.sqrt(2 * (effective - 1))
    return [
        Contribution("noise subtracted from s", direction, of_noise, of=of),
        Contribution("sampling of s", direction, of_sampling, dof, of=of, source=source),
    ]


def _noise_excess(above: float, noise: float, spread: float, count: int) -> float:
    """How much of the largest of `count` widths is likely pixel noise, um.

    Noise n widens a distribution of spread s to sqrt(s² + n²), and its largest value with it; but
    by no more than the largest of so many noises. An opening beside a displaced wire does not
    belong to the distribution: the fewer openings as large are expected in it (below `_EXPECTED`),
    the less is taken off, since the noise of such an opening is as likely negative.
    """
    if noise <= 0 or above <= 0:
        return 0.0
    share = noise**2 / (noise**2 + spread**2)
    excess = 1 - math.sqrt(1 - share)
    crowd = min(excess * above, math.sqrt(share) * noise * math.sqrt(2 * math.log(max(count, 2))))
    expected = count * NormalDist(0, math.hypot(noise, spread)).cdf(-above)
    return crowd * min(1.0, expected / _EXPECTED)


def imaging_part(budget: Sequence[Contribution]) -> float:
    """Combined standard uncertainty (um) of the mean from scale and picture alone."""
    return combine(imaging_lines(budget))


def imaging_lines(budget: Sequence[Contribution]) -> list[Contribution]:
    """The lines of the mean that scale and picture cause: not sampling, persons or days."""
    causes = (BudgetSource.SCALE, BudgetSource.IMAGING)
    return [line for line in lines_of(budget) if line.source in causes]


def gap_means(samples: Sequence[Sample]) -> list[GapMeans]:
    """The gaps of each field with a sound opening, in their order across it."""
    fields = []
    for s in samples:
        if s.ok.any():
            _, gap, count = np.unique(s.gap[s.ok], return_inverse=True, return_counts=True)
            fields.append(GapMeans(np.bincount(gap, s.width[s.ok]) / count, count))
    return fields


def _odd_even(samples: Sequence[Sample]) -> float:
    """Mean width of gaps with even number less that of gaps with odd number, as a size (um)."""
    differences, weights = [], []
    for s in samples:
        width, odd = s.width[s.ok], s.gap[s.ok] % 2 == 1
        if odd.any() and not odd.all():
            differences.append(abs(float(width[~odd].mean() - width[odd].mean())))
            weights.append(len(width))
    return float(np.average(differences, weights=weights)) if differences else 0.0
