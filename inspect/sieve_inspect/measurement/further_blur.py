"""How the glow of a lamp changes with blur, read from a scan that is blurred further.

A lit rim has a structure of its own: it is bright at the outline, fades towards the middle of the
wire, and other wires show in it. A sharp scan shows the fading apart from the outline, a blurred
scan melts both into an edge that lies further inside the wire. So the share of a wire by which it
looks thinner depends on the blur, measured by the wire:

    share of blur = σ / wire,      both in px, σ that of the edge spread function

and on nothing else of the size (drawn rough wires of 6 to 25 px at equal share of blur: 1.89 to
1.92 % of a wire; at the same σ in px: 1.92 to 1.27 %). A scan can be blurred further by
calculation, so two scans can be compared at the same share of blur, whatever the surface.
"""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np

from sieve_inspect.arrays import Bool, Float, Float32
from sieve_inspect.edges.direction import measure_axis
from sieve_inspect.edges.initial import estimate_initial, find_sensor_range
from sieve_inspect.image import opencv
from sieve_inspect.measurement.picture import Picture

_OPENINGS = 300  # looked at: more add nothing to a mean change
_FEWEST = 8
_MARGIN = 4.0  # blurs between an opening that is looked at and the end of the window
_ALIKE = 1.02  # ratio of blurs that needs no calculation


class FurtherBlur:
    """A picture under more blur than its own; for pictures of cloth lit from behind."""

    def __init__(self, picture: Picture) -> None:
        ok = picture.field.ok
        self._picture = picture
        self._sigmas = [axis.response.sigma for axis in picture.field.axes]
        x, y = (float(np.nanmean(axis.fit.wires[ok])) for axis in picture.field.axes)
        self.wires_px = (x, y)  # as they look
        self.own_share = float(np.mean(np.divide(self._sigmas, self.wires_px)))

    def change(self, share: float) -> tuple[float, float] | None:
        """By how much apertures look wider in x and y (px) at a share of blur, (0, 0) at its own.

        None where its openings show no edges under so much blur. Raises what reading the picture
        again raises; see `Picture.pixels`.
        """
        if share <= _ALIKE * self.own_share:
            return 0.0, 0.0
        sigma = float(np.mean(self._sigmas))
        further = sigma * math.sqrt((share / self.own_share) ** 2 - 1)
        window, centre, vectors = self._window
        before = self._before
        after = _widths(opencv.gaussian_blur(window, further), centre, vectors, clipped=False)
        if before is None or after is None:
            return None
        inside = _inside(centre, window.shape, _MARGIN * math.hypot(sigma, further))
        changes = [later - earlier for earlier, later in zip(before, after, strict=True)]
        known = inside & np.isfinite(changes).all(axis=0)
        if known.sum() < _FEWEST:
            return None
        x, y = (float(np.median(change[known])) for change in changes)
        return x, y

    @cached_property
    def _window(self) -> tuple[Float32, Float, Float]:
        """Light (h, w) of the middle of the cloth, and its openings: (n, 2) and (n, 2, 2) px."""
        field, light = self._picture.field, self._picture.pixels
        pitch = field.lattice.pitch
        side = math.ceil(math.sqrt(_OPENINGS) * float(pitch.lengths.max()))
        middle = np.median(field.centre[field.ok], axis=0)
        left, top = np.maximum(middle - side / 2, 0).astype(int)
        window = np.ascontiguousarray(light.window(int(top), int(left), side))
        centre = field.centre[field.ok] - (left, top)
        reach = 0.75 * float(pitch.lengths.max())
        centre = centre[_inside(centre, window.shape, reach)]
        return window, centre, np.broadcast_to(pitch.vectors, (len(centre), 2, 2)).copy()

    @cached_property
    def _before(self) -> list[Float] | None:
        return _widths(*self._window, clipped=True)


def _inside(centre: Float, shape: tuple[int, ...], margin: float) -> Bool:
    """Points (n, 2) px at least a margin inside a window (h, w)."""
    ends = np.array([shape[1], shape[0]]) - 1 - margin
    return np.asarray(((centre >= margin) & (centre <= ends)).all(axis=1))


def _widths(light: Float32, centre: Float, vectors: Float, *, clipped: bool) -> list[Float] | None:
    """Widths (n,) px in x and y of openings at `centre`; None where no edges stand out."""
    if len(centre) < _FEWEST:
        return None
    clip = find_sensor_range(light) if clipped else None
    pitch = np.linalg.norm(vectors[0], axis=1)
    initial = estimate_initial(light, centre, vectors, pitch, clip)
    if initial is None:
        return None
    seen = np.ones(len(centre), np.bool_)
    axes = [measure_axis(light, centre, seen, vectors, initial, clip, k)[1] for k in (0, 1)]
    return [np.where(axis.fit.poor, np.nan, axis.fit.width) for axis in axes]
