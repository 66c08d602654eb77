"""Proves the measuring against drawn cloth of known truth, on the user's own machine."""

from sieve_inspect.validate.model import Report, Row
from sieve_inspect.validate.page import as_csv, as_html, as_json, as_markdown, files_of
from sieve_inspect.validate.run import run_validation

__all__ = [
    "Report",
    "Row",
    "as_csv",
    "as_html",
    "as_json",
    "as_markdown",
    "files_of",
    "run_validation",
]
