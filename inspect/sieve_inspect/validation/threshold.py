"""The route people often take instead: one threshold for the picture, blobs, their area.

Otsu's threshold on the numbers as stored, connected regions, those that touch the border left
out, and of the rest the square root of the area in pixels as the width. All of it scikit-image,
as its own examples do it; nothing is linearised, nothing is sub-pixel.
"""

from __future__ import annotations

import importlib.util
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["ROUTE", "blob_widths", "has_reference"]

ROUTE = (
    "scikit-image threshold_otsu on the stored picture, label, regionprops without regions that "
    "touch the border; width = square root of the area; mean over regions of half to twice the "
    "median area"
)


def has_reference() -> bool:
    """Whether scikit-image is installed."""
    return importlib.util.find_spec("skimage") is not None


def blob_widths(
    image: NDArray[np.uint8] | NDArray[np.uint16], bright: bool = True
) -> NDArray[np.float64]:
    """Widths (n,) in px by that route; `bright` tells whether openings are brighter than wires."""
    from skimage import filters, measure, segmentation

    # Typed as what they are: the library's own hints come and go with its versions.
    otsu: Any = filters.threshold_otsu
    label: Any = measure.label
    table: Any = measure.regionprops_table
    clear: Any = segmentation.clear_border
    grey = image.mean(axis=2) if image.ndim == 3 else image.astype(np.float64)
    level = float(otsu(grey))
    open_ = grey > level if bright else grey <= level
    regions = clear(label(open_, connectivity=1))
    area = np.asarray(table(regions, properties=("area",))["area"], np.float64)
    if not len(area):
        return area
    usual = float(np.median(area[area >= 4])) if (area >= 4).any() else float(np.median(area))
    return np.asarray(np.sqrt(area[(area > 0.5 * usual) & (area < 2 * usual)]))
