"""From pixels to micrometres: x and y apart, with uncertainty and certificate chain."""

from sieve_inspect.scale.model import (
    Scale,
    certified_by_source,
    exact_scale,
    load_scale,
    scale_from_dpi,
    scale_from_text,
)
from sieve_inspect.scale.pixel_map import PixelMap

__all__ = [
    "PixelMap",
    "Scale",
    "certified_by_source",
    "exact_scale",
    "load_scale",
    "scale_from_dpi",
    "scale_from_text",
]
