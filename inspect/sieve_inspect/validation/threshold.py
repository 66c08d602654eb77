"""A common alternative for comparison: one threshold for the picture, connected regions, area.

Otsu's threshold on the numbers as stored, connected regions without those that touch the border,
and the square root of a region's area in pixels as its width; scikit-image, as its own examples
do it. Nothing is linearised, nothing is sub-pixel.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Float

ROUTE = (
    "scikit-image threshold_otsu on the stored picture, label, regionprops without regions that "
    "touch the border; width = square root of the area; mean over regions of half to twice the "
    "median area"
)


def region_widths(image: NDArray[np.uint8] | NDArray[np.uint16], *, bright: bool = True) -> Float:
    """Widths (n,) in px of the regions in a picture (h, w) or (h, w, 3), by the threshold route.

    `bright` is whether openings are brighter than wires.
    """
    from skimage import filters, measure, segmentation

    # Typed as Any: the library's own hints change with its versions.
    otsu: Any = filters.threshold_otsu
    label: Any = measure.label
    table: Any = measure.regionprops_table
    clear: Any = segmentation.clear_border
    grey = image.mean(axis=2) if image.ndim == 3 else image.astype(np.float64)
    level = float(otsu(grey))
    openings = grey > level if bright else grey <= level
    regions = clear(label(openings, connectivity=1))
    area = np.asarray(table(regions, properties=("area",))["area"], np.float64)
    if not len(area):
        return area
    usual = float(np.median(area[area >= 4])) if (area >= 4).any() else float(np.median(area))
    return np.asarray(np.sqrt(area[(area > 0.5 * usual) & (area < 2 * usual)]))
