"""From two scans to their comparison."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.errors import UsageError
from sieve_inspect.identity.alignment import Alignment
from sieve_inspect.identity.change import offset_of
from sieve_inspect.identity.cloth_map import ClothMap
from sieve_inspect.identity.common_errors import Offset
from sieve_inspect.identity.comparison import Comparison, compare_maps
from sieve_inspect.illumination.model import NOT_STATED, Illumination
from sieve_inspect.measurement.model import Measurement
from sieve_inspect.measurement.pipeline import measure, measure_array
from sieve_inspect.scale import Scale
from sieve_inspect.units import format_length

Source = str | Path | NDArray[Any] | Measurement
PerPx = float | tuple[float, float]


def compare(
    before: Source,
    after: Source,
    *,
    nominal_um: float | str | None = None,
    scale: Scale | None = None,
    um_per_px: PerPx | None = None,
    scale_after: Scale | None = None,
    um_per_px_after: PerPx | None = None,
    encoding: str = "auto",
    illumination: Illumination = NOT_STATED,
    illumination_after: Illumination | None = None,
) -> Comparison:
    """Whether two scans show the same cloth, and what changed on it.

    `before` and `after` are each the path of a scan, an array as for `measure_array`, or a
    `Measurement`; the other arguments are those of `measure`. `scale_after` or `um_per_px_after`
    and `illumination_after` are for a second scan made another way; without them both scans are
    taken for made on one device with one lamp, whose edge bias and light cancel. What else two
    devices share is for `compare_measurements`.

    The change of each direction is after less before at equal pitch, um. Raises `UsageError` for
    measurements of different nominals, and as `measure`.

    >>> c = compare("s0125-1.tif", "s0125-1.tif", nominal_um=125, um_per_px=5.29)
    >>> c.same_cloth, c.changes.directions[0].mean_um
    (True, 0.0)
    """

    def measured(
        source: Source, scale: Scale | None, um_per_px: PerPx | None, light: Illumination
    ) -> Measurement:
        if isinstance(source, Measurement):
            return source
        if isinstance(source, np.ndarray):
            return measure_array(
                source,
                nominal_um=nominal_um,
                scale=scale,
                um_per_px=um_per_px,
                encoding=encoding,
                illumination=light,
            )
        return measure(
            source,
            nominal_um=nominal_um,
            scale=scale,
            um_per_px=um_per_px,
            encoding=encoding,
            illumination=light,
        )

    own_scale = scale_after is not None or um_per_px_after is not None
    scales = (scale_after, um_per_px_after) if own_scale else (scale, um_per_px)
    first = measured(before, scale, um_per_px, illumination)
    second = measured(after, *scales, illumination_after or illumination)
    return compare_measurements(first, second)


def compare_measurements(
    before: Measurement,
    after: Measurement,
    *,
    same_device: bool = False,
    reference: tuple[Measurement, Measurement] | None = None,
) -> Comparison:
    """The comparison of the two pictures that agree best.

    `same_device`: one device made both, with the same settings of its driver but perhaps another
    resolution; its edge bias is then one, whatever the two scales are. `reference` are measurements
    of another cloth of that nominal, made before and after as the scans were, without wear between:
    its change is what the two devices differ by, and is taken off. Raises `UsageError` for other
    nominals, and for a reference cloth that is not one or lay otherwise.
    """
    _refuse_other_nominals([before, after, *(reference or ())])
    maps = [_maps(m, same_device) for m in (before, after)]
    offset = None
    if reference is not None:
        offset = _offset(*(_maps(m, same_device) for m in reference))
    best = _best(maps[0], maps[1], offset)
    if offset is not None and best.aligned is not None:
        _refuse_other_ways(best.aligned, offset)
    return best


def _refuse_other_nominals(measurements: Sequence[Measurement]) -> None:
    sizes = list(dict.fromkeys(format_length(m.nominal_um) for m in measurements))
    if len(sizes) > 1:
        raise UsageError(
            message=f"The scans show cloth of {' and '.join(sizes)}, which cannot be the "
            "same: compare scans of one nominal."
        )


def _maps(measurement: Measurement, same_device: bool) -> list[ClothMap]:
    if not same_device:
        return list(measurement.cloth_maps())
    return [
        replace(each, known=replace(each.known, device="one device"))
        for each in measurement.cloth_maps()
    ]


def _best(
    before: Sequence[ClothMap], after: Sequence[ClothMap], offset: Offset | None = None
) -> Comparison:
    """The comparison of the two pictures that agree best."""
    pairs = product(before, after)
    return min(
        (compare_maps(first, second, offset=offset) for first, second in pairs),
        key=lambda c: c.p_false_match,
    )


def _offset(before: Sequence[ClothMap], after: Sequence[ClothMap]) -> Offset:
    """What the devices differ by, by the pictures of the reference cloth that agree best."""
    best = _best(before, after)
    if best.aligned is None:
        raise UsageError(
            message=f"`reference`: {best.match.reason}. Scan one place of a cloth on both devices."
        )
    return offset_of(best.aligned)


def _refuse_other_ways(aligned: Alignment, offset: Offset) -> None:
    """Raise `UsageError` where the reference cloth was not scanned as the cloth was."""
    if aligned.overlap.place.turn.swaps != offset.swaps:
        raise UsageError(
            message="`reference`: one of the two cloths lay a quarter turn from the other: lay the "
            "reference cloth on both devices as the cloth lay."
        )
    scales = aligned.before.known.scale, aligned.after.known.scale
    if scales != offset.scales:
        raise UsageError(
            message="`reference`: its scans have other scales or lamps: measure each with that of "
            "the scan it belongs to."
        )
