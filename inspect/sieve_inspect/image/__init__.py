"""Scan files to linear light: reading, and undoing the encoding."""

from sieve_inspect.image.bands import Box, ScanSource, open_source, size_of
from sieve_inspect.image.encoding import (
    Assumption,
    assumed_encoding,
    light_of,
    light_table,
    linear_light,
    linear_to_srgb,
    srgb_to_linear,
    stored_by,
)
from sieve_inspect.image.reading import MAX_MEGAPIXELS, Scan, dpi_of, load_scan

__all__ = [
    "MAX_MEGAPIXELS",
    "Assumption",
    "Box",
    "Scan",
    "ScanSource",
    "assumed_encoding",
    "dpi_of",
    "light_of",
    "light_table",
    "linear_light",
    "linear_to_srgb",
    "load_scan",
    "open_source",
    "size_of",
    "srgb_to_linear",
    "stored_by",
]
