"""From two scans to their comparison."""

from __future__ import annotations

from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.errors import UsageError
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
    taken for made on one device with one lamp, whose edge bias and light cancel.

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


def compare_measurements(before: Measurement, after: Measurement) -> Comparison:
    """The comparison of the two pictures that agree best. Raises `UsageError`."""
    sizes = [format_length(m.nominal_um) for m in (before, after)]
    if sizes[0] != sizes[1]:
        raise UsageError(
            message=f"The scans show cloth of {sizes[0]} and {sizes[1]}, which cannot be the "
            "same: compare scans of one nominal."
        )
    pairs = product(before.cloth_maps(), after.cloth_maps())
    return min((compare_maps(*pair) for pair in pairs), key=lambda c: c.p_false_match)
