"""What edges show of the encoding: under the wrong encoding no blur makes them symmetric."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from sieve_inspect.apertures.prepared_field import PreparedField
from sieve_inspect.arrays import Float, Index
from sieve_inspect.edges.direction import Axis
from sieve_inspect.edges.model import EDGES, Parameter, model_of
from sieve_inspect.edges.profiles import Profiles

EXAMINED = 200  # openings, from one place; of 100 the misfits of both encodings may be too alike
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
    fitted = [prepared.measured(axis) for axis in (0, 1)]
    shown = [_shown(prepared, top, *each, stored) for each in fitted]
    return EncodingEvidence(
        float(np.sqrt(np.median(np.concatenate([each.square for each in shown])))),
        max(result.excess for _, result in fitted),
        float(np.sqrt(np.mean([each.pattern for each in shown]))),
        float(np.mean([each.alike for each in shown])),
    )


def edge_pattern(
    prepared: PreparedField,
    profiles: Profiles,
    result: Axis,
    near: Index,
    stored: Callable[[Float], Float],
) -> float:
    """Mean square of the `EncodingEvidence.pattern` of some openings in one direction, as measured.

    All openings of the field share the edge response, so that a blur that varies over the field
    adds to it.
    """
    some = replace(result, fit=result.fit.take(near))
    return _shown(prepared, float(prepared.light.max()), profiles.take(near), some, stored).pattern


class _Shown(NamedTuple):
    """What one direction shows: the mean square residual of each opening, and their like."""

    square: Float
    pattern: float
    alike: float


def _shown(
    prepared: PreparedField,
    top: float,
    profiles: Profiles,
    result: Axis,
    stored: Callable[[Float], Float],
) -> _Shown:
    patterns, phases = [], []
    fitted = np.flatnonzero(np.isfinite(result.fit.width))
    profiles, parameters = profiles.take(fitted), result.fit.parameters[fitted]
    model, slopes, _ = model_of(profiles, parameters, result.response, prepared.clip)
    steep = np.abs(slopes[:, EDGES]).max(axis=1)
    weight = profiles.weight * (steep > _AT_EDGE * steep.max())  # plateaus show nothing
    measured, expected = profiles.value, model
    if not prepared.lattice.bright:
        measured, expected = top - measured, top - expected
    off = stored(np.clip(measured, 0, 1)) - stored(np.clip(expected, 0, 1))
    square = (weight * off**2).sum(axis=1) / np.maximum((weight > 0).sum(axis=1), 1)
    usual = square < _USUAL * np.median(square)
    for edge, sign in ((Parameter.FIRST_EDGE, 1), (Parameter.SECOND_EDGE, -1)):
        into = sign * (profiles.distance - parameters[:, edge, None])
        patterns.append(_pattern(into[usual], off[usual], weight[usual], result.response.sigma))
        near = profiles.weight * (np.abs(into) < _NEAR)
        phases.append(abs((near * np.exp(2j * np.pi * into)).sum()) / max(near.sum(), 1e-9))
    return _Shown(square, float(np.mean(patterns)), float(np.mean(phases)))


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
