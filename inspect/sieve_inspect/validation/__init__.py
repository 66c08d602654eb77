"""Proves the measuring against drawn cloth of known truth, on the user's own machine."""

from sieve_inspect.validation.model import Report, Row
from sieve_inspect.validation.page import as_csv, as_html, as_json, as_markdown, files_of
from sieve_inspect.validation.run import RowTask, mark_of, run_validation, taken_for, tasks_of

__all__ = [
    "Report",
    "Row",
    "RowTask",
    "as_csv",
    "as_html",
    "as_json",
    "as_markdown",
    "files_of",
    "mark_of",
    "run_validation",
    "taken_for",
    "tasks_of",
]
