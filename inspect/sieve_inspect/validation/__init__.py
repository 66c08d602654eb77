"""Proof of the measuring on drawn cloth of known truth, on the user's own machine."""

from sieve_inspect.validation.model import Group, Report, Row
from sieve_inspect.validation.page import as_csv, as_html, as_json, as_markdown, files_of
from sieve_inspect.validation.run import RowTask, cache_key, cached_row, run_validation, tasks_of

__all__ = [
    "Group",
    "Report",
    "Row",
    "RowTask",
    "as_csv",
    "as_html",
    "as_json",
    "as_markdown",
    "cache_key",
    "cached_row",
    "files_of",
    "run_validation",
    "tasks_of",
]
