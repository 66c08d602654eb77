"""Scan files to linear light: reading, and undoing the encoding."""

from sieve_inspect.scan.encoding import assumed_encoding, linear_light, srgb_to_linear
from sieve_inspect.scan.source import Scan, load_scan

__all__ = ["Scan", "assumed_encoding", "linear_light", "load_scan", "srgb_to_linear"]
