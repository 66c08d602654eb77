"""The check report: one HTML page that stands alone, on screen and on paper."""

from sieve_registry.report.page import render_check_report
from sieve_registry.report.view import Apertures, CheckView, Overlay, ScanFile, SieveFacts

__all__ = [
    "Apertures",
    "CheckView",
    "Overlay",
    "ScanFile",
    "SieveFacts",
    "render_check_report",
]
