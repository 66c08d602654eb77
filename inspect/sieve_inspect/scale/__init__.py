"""From pixels to micrometres: x and y apart, with their uncertainty and where they come from."""

from sieve_inspect.scale.model import (
    Scale,
    load_scale,
    scale_from_dict,
    scale_from_text,
    scale_to_dict,
)
from sieve_inspect.scale.pixel_map import PixelMap

__all__ = [
    "PixelMap",
    "Scale",
    "load_scale",
    "scale_from_dict",
    "scale_from_text",
    "scale_to_dict",
]
