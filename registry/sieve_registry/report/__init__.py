"""The check report: one HTML page that stands alone, on screen and on paper."""

from sieve_registry.report.gather import check_view
from sieve_registry.report.page import render_check_report
from sieve_registry.report.view import Apertures, CheckView, Overlay, ScanFile, SieveFacts

__all__ = [
    "Apertures",
    "CheckView",
    "Overlay",
    "ScanFile",
    "SieveFacts",
    "check_view",
    "render_check_report",
]
