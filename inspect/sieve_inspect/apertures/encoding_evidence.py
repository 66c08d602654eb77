"""What edges show of the encoding: under the wrong encoding no blur makes them symmetric."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from sieve_inspect.apertures.prepared_field import PreparedField
from sieve_inspect.arrays import Float
from sieve_inspect.edges.model import EDGES, Parameter, model_of

EXAMINED = 100  # openings, from one place
_AT_EDGE = 0.1  # share of the steepest slope from which a pixel belongs to an edge
_USUAL = 4  # times the median square residual; more is foreign matter with patterns of its own
_BIN = 0.3  # px, bins in which the residuals of many edges are averaged
_REACH = 3  # blur sigmas of those bins to both sides of an edge
_NEAR = 1  # px from an edge: these pixels show how it lies between pixel centres


class EncodingEvidence(NamedTuple):
    """How far pixels are from sharp-edged openings under one blur, if the encoding is right.

    `misfit` is that of single pixels, in stored numbers (0..1), and `pattern` what remains of it
    in the mean over many edges, where noise does not. `excess` is how much larger the misfit is
    at the edges than within the openings, in linear light as a share of an opening's. `alike` is
    1 where all edges lie alike between the pixel centres, 0 where they lie evenly distributed:
    sampled at few places only, an edge may have any shape between them.
    """

    misfit: float
    excess: float
    pattern: float
    alike: float


def encoding_evidence(
    prepared: PreparedField, stored: Callable[[Float], Float]
) -> EncodingEvidence:
    """What the edges show of the encoding under which a field was prepared.

    `stored` turns linear light into the numbers of the file. A blur moves or bends rising and
    falling edges alike; a wrong encoding bends them oppositely, and no blur can undo that. So of
    two encodings that with less misfit is the likelier. Other causes bend edges as well (JPEG,
    focus that varies over the field); therefore the excess counts too, and only openings from one
    place, alike in focus, should be given.
    """
    top = float(prepared.light.max())
    total, patterns, phases, excess = [], [], [], 0.0
    for axis in (0, 1):
        profiles, result = prepared.measured(axis)
        excess = max(excess, result.excess)
        fitted = np.flatnonzero(np.isfinite(result.fit.width))
        profiles, parameters = profiles.take(fitted), result.fit.parameters[fitted]
        model, slopes, _ = model_of(profiles, parameters, result.response, prepared.clip)
        steep = np.abs(slopes[:, EDGES]).max(axis=1)
        weight = profiles.weight * (steep > _AT_EDGE * steep.max())  # plateaus show nothing
        measured, expected = profiles.value, model
        if not prepared.lattice.bright:
            measured, expected = top - measured, top - expected
        off = stored(np.clip(measured, 0, 1)) - stored(np.clip(expected, 0, 1))
        total.append((weight * off**2).sum(axis=1) / np.maximum((weight > 0).sum(axis=1), 1))
        usual = total[-1] < _USUAL * np.median(total[-1])
        for edge, sign in ((Parameter.FIRST_EDGE, 1), (Parameter.SECOND_EDGE, -1)):
            into = sign * (profiles.distance - parameters[:, edge, None])
            patterns.append(_pattern(into[usual], off[usual], weight[usual], result.response.sigma))
            near = profiles.weight * (np.abs(into) < _NEAR)
            phases.append(abs((near * np.exp(2j * np.pi * into)).sum()) / max(near.sum(), 1e-9))
    misfit = float(np.sqrt(np.median(np.concatenate(total))))
    pattern = float(np.sqrt(np.mean(patterns)))
    return EncodingEvidence(misfit, excess, pattern, float(np.mean(phases)))


def _pattern(into: Float, off: Float, weight: Float, sigma: float) -> float:
    """Mean square of what the residuals `off` at places `into` px have in common."""
    reach = _REACH * sigma
    near = (np.abs(into) < reach) & (weight > 0)
    slot = ((into[near] + reach) / _BIN).astype(np.intp)
    count = int(2 * reach / _BIN) + 1
    pixels = np.bincount(slot, weight[near], count)
    common = np.bincount(slot, (weight * off)[near], count) / np.maximum(pixels, 1)
    noise = float((weight * off**2)[near].sum() / max(1, len(slot)))
    some = pixels > 0
    square = (common[some] ** 2).mean() - (noise / pixels[some]).mean()
    return max(float(square), 0.0)
