"""Reports as self-contained HTML pages, for screen and paper."""

from sieve_registry.report.check_page import render_check_report
from sieve_registry.report.gather import check_view
from sieve_registry.report.history_page import HistoryView, history_view, render_sieve_history
from sieve_registry.report.issuing import issue_report
from sieve_registry.report.pages import pdf_bytes
from sieve_registry.report.view import Apertures, CheckView, Overlay, ScanFile, SieveFacts

__all__ = [
    "Apertures",
    "CheckView",
    "HistoryView",
    "Overlay",
    "ScanFile",
    "SieveFacts",
    "check_view",
    "history_view",
    "issue_report",
    "pdf_bytes",
    "render_check_report",
    "render_sieve_history",
]
