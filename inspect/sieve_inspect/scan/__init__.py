"""Scan files to linear light: reading, and undoing the encoding."""

from sieve_inspect.scan.encoding import (
    Assumption,
    assumed_encoding,
    linear_light,
    linear_to_srgb,
    srgb_to_linear,
)
from sieve_inspect.scan.source import Scan, load_scan

__all__ = [
    "Assumption",
    "Scan",
    "assumed_encoding",
    "linear_light",
    "linear_to_srgb",
    "load_scan",
    "srgb_to_linear",
]
