"""The lines of a rule, followed by the phase of their own wave.

The picture is demodulated by its strongest wave (light · e^−iωp, blurred over a pitch). The slowly
varying phase, unwrapped along a track, numbers the gaps between lines, even if the scale drifts.
Several tracks cross the lines side by side; at each crossing the gap is measured like an opening
of cloth.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Bool, Float, Float32
from sieve_inspect.edges.direction import measure_axis
from sieve_inspect.edges.initial import InitialEstimate, find_sensor_range
from sieve_inspect.edges.model import Parameter, start_parameters, width_of
from sieve_inspect.edges.profiles import Band, Profiles, gather
from sieve_inspect.image import opencv
from sieve_inspect.scale.artefact.errors import NoMarksError
from sieve_inspect.scale.artefact.gaps import middles_of
from sieve_inspect.scale.artefact.nodes import SmoothMap
from sieve_inspect.scale.edge_bias import Gaps
from sieve_inspect.scale.marks import Observations

_TRACKS = 9
_WINDOW = 2048


@dataclass(frozen=True, eq=False)
class _Crossings:
    """Gaps on tracks: `index` (n, 2) as (gap, track), `place` (n, 2) px, `vectors` (n, 2, 2)."""

    index: Float
    place: Float
    vectors: Float
    half: float


def observe_rule(light: Float32) -> tuple[Observations, Gaps]:
    """Gaps between the lines of a rule in linear light (h, w). Raises `NoMarksError`."""
    wave = _strongest_wave(light)
    depth = _demodulated(light, wave)
    strength = np.abs(depth)
    inside = strength > 0.4 * np.percentile(strength, 99.5)
    # Lines are narrower than their gaps: most of the rule's area is ground.
    level = light[inside]
    bright = bool(np.mean(level) < np.median(level))  # gaps brighter than lines
    raised = light if bright else light.max() - light
    crossings = _crossings(depth if bright else -depth, strength, inside, wave)
    rough = _rough(raised, crossings)
    across = replace(rough, opening=4 * crossings.half)
    every = np.ones(len(crossings.place), np.bool_)
    clip = find_sensor_range(raised)
    _, axis = measure_axis(
        raised, crossings.place, every, crossings.vectors, [rough, across], clip, 0
    )
    marks, gaps = middles_of(axis, crossings.place, crossings.index, 0, rough.opening, bright)
    line = np.rint(marks.index[:, 0] - marks.index[:, 0].min()).astype(np.intp)
    return replace(marks, mark=line), gaps


def _strongest_wave(light: Float32) -> Float:
    """Wave vector (2,) in cycles per px of the strongest grating, pointing right or down."""
    height, width = (min(n, _WINDOW) for n in light.shape)
    top, left = (light.shape[0] - height) // 2, (light.shape[1] - width) // 2
    part = light[top : top + height, left : left + width]
    part = part - opencv.gaussian_blur(part, min(height, width) / 8)
    window = np.hanning(height)[:, None] * np.hanning(width)[None, :]
    spectrum = np.abs(np.fft.rfft2(part * window, s=(2 * height, 2 * width)))
    fy, fx = np.fft.fftfreq(2 * height)[:, None], np.fft.rfftfreq(2 * width)[None, :]
    size = np.hypot(fx, fy)
    spectrum[(size < 5 / max(height, width)) | (size > 0.35)] = 0
    row, column = np.unravel_index(int(spectrum.argmax()), spectrum.shape)
    if spectrum[row, column] < 20 * np.median(spectrum[spectrum > 0]):
        raise NoMarksError("it shows no row of evenly spaced lines")
    wave = np.array([fx[0, column], fy[row, 0]])
    return wave if wave[np.argmax(np.abs(wave))] > 0 else -wave


def _demodulated(light: Float32, wave: Float) -> NDArray[np.complex128]:
    """Amplitude and phase (h, w) of the wave, averaged over about a pitch each way."""
    y, x = np.indices(light.shape)
    turn = np.exp(-2j * np.pi * (wave[0] * x + wave[1] * y)) * (light - float(light.mean()))
    sigma = 1.0 / float(np.hypot(*wave))
    parts = [opencv.gaussian_blur(p.astype(np.float32), sigma) for p in (turn.real, turn.imag)]
    return np.asarray(parts[0] + 1j * parts[1])


def _crossings(
    depth: NDArray[np.complex128], strength: Float, inside: Bool, wave: Float
) -> _Crossings:
    """Where tracks across the lines meet the gaps between them."""
    pitch = 1.0 / float(np.hypot(*wave))
    normal = wave * pitch
    along = np.array([-normal[1], normal[0]])
    y, x = np.nonzero(inside)
    points = np.stack([x, y], axis=1).astype(float)
    centre = points.mean(axis=0)
    offset = points - centre
    near = np.abs(offset @ normal) < 3 * pitch
    reach = float(np.percentile(np.abs(offset[near] @ along), 90)) - 0.5 * pitch
    extent = float(np.abs(offset @ normal).max())
    if reach < 0.5 * pitch:
        raise NoMarksError("its lines are shorter than two pitches")
    tracks = int(np.clip(2 * reach / pitch, 1, _TRACKS))
    shifts = np.linspace(-1, 1, tracks) * reach * (1 - 1 / tracks) if tracks > 1 else np.zeros(1)
    index, place = [], []
    s = np.arange(-extent, extent, 0.5)
    before: float | None = None
    for number, shift in enumerate(shifts):
        way = centre + shift * along + s[:, None] * normal
        phase, usable = _phase(depth, strength, way, wave)
        if usable.sum() < 4 * pitch:
            continue
        middle = int(np.flatnonzero(usable)[usable.sum() // 2])
        if before is not None:  # neighbouring tracks cross the same gap at nearly the same phase
            start = float(np.interp(0.0, s[usable], phase[usable]))
            phase = phase + np.rint(before - start)
        before = float(np.interp(0.0, s[usable], phase[usable]))
        run = _run(usable, middle)
        gaps = np.arange(np.ceil(phase[run].min()), np.floor(phase[run].max()) + 1)
        at = np.interp(gaps, phase[run], s[run])
        place.append(centre + shift * along + at[:, None] * normal)
        index.append(np.column_stack([gaps, np.full(len(gaps), float(number))]))
    if not index or len(index[0]) < 6:
        raise NoMarksError("too few of its lines are visible")
    indices, places = np.concatenate(index), np.concatenate(place)
    vectors = np.broadcast_to(np.stack([normal * pitch, along * pitch]), (len(places), 2, 2))
    if len(index) > 1:
        vectors = SmoothMap.fit(indices, places).steps(indices)
    half = min(1.5 * pitch, reach / tracks)
    return _Crossings(indices, places, np.asarray(vectors), half)


def _phase(
    depth: NDArray[np.complex128], strength: Float, way: Float, wave: Float
) -> tuple[Float, Bool]:
    """Phase (n,) in turns along a way (n, 2), integer in a gap's middle, and where it is usable."""
    column, row = np.rint(way).astype(int).T
    height, width = strength.shape
    within = (column >= 0) & (column < width) & (row >= 0) & (row < height)
    column, row = np.clip(column, 0, width - 1), np.clip(row, 0, height - 1)
    own = np.unwrap(np.angle(depth[row, column])) / (2 * np.pi)
    usable = within & (strength[row, column] > 0.25 * np.percentile(strength[row, column], 90))
    # The phase at the pixel that was read, moved on to the point itself.
    return own + way @ wave, usable


def _run(usable: Bool, middle: int) -> slice:
    """The unbroken run of usable samples around `middle`."""
    gaps = np.flatnonzero(~usable)
    first = gaps[gaps < middle].max(initial=-1) + 1
    last = gaps[gaps > middle].min(initial=len(usable))
    return slice(int(first), int(last))


def _rough(light: Float32, crossings: _Crossings) -> InitialEstimate:
    """Initial estimate from some gaps: opening, line and blur."""
    pick = np.linspace(0, len(crossings.place) - 1, min(250, len(crossings.place))).astype(int)
    vectors = crossings.vectors[pick]
    along = vectors[:, 1] / np.hypot(*vectors[:, 1].T)[:, None]
    normal = np.stack([along[:, 1], -along[:, 0]], axis=1)
    spacing = float(np.median(np.abs((vectors[:, 0] * normal).sum(axis=1))))
    band = Band(0.8 * spacing, 0.4 * crossings.half, 0.35)
    profiles = gather(light, crossings.place[pick], along, band, beyond=0.6 * spacing)
    start = start_parameters(profiles, spacing)
    width = width_of(start)
    good = np.flatnonzero(np.isfinite(width) & np.isfinite(start).all(axis=1))
    if len(good) < 6:
        raise NoMarksError("its lines have no clear edges")
    opening = float(np.median(width[good]))
    floor, amplitude = (
        float(np.median(start[good, k])) for k in (Parameter.FLOOR, Parameter.AMPLITUDE)
    )
    return InitialEstimate(
        opening=opening,
        wire=max(spacing - opening, 0.5),
        sigma=_blur(profiles.take(good), floor, amplitude, spacing),
        noise=0.01,
        floor=floor,
        amplitude=amplitude,
        saturated=False,
        off_centre=0.0,
    )


def _blur(profiles: Profiles, floor: float, amplitude: float, spacing: float) -> float:
    """Gaussian sigma (px) of edges, from ∫ Φ (1 − Φ) du = σ / √π over each of a gap's two."""
    share = np.clip((profiles.value - floor) / amplitude, 0, 1)
    near = (np.abs(profiles.distance) < 0.5 * spacing) & (profiles.weight > 0)
    mean = (share * (1 - share) * near).sum(axis=1) / np.maximum(near.sum(axis=1), 1)
    return max(0.4, float(np.median(mean)) * spacing * float(np.sqrt(np.pi)) / 2)
