"""A page as a PDF file."""

from __future__ import annotations

from sieve_inspect.errors import UsageError

__all__ = ["pdf_bytes"]

_NO_WEASYPRINT = (
    "PDF files need an extra part: pip install 'sieveward[pdf]'; or write the page as .html and "
    "print it from a browser."
)


def pdf_bytes(page: str) -> bytes:
    """One of our pages as PDF, A4, for screen readers too (PDF/UA); the same page, the same bytes.

    Nothing is fetched: the page has all it needs. Raises `UsageError` where the extra is missing.
    """
    try:
        from weasyprint import HTML
    except (ImportError, OSError):  # OSError: its own libraries are not there
        raise UsageError(message=_NO_WEASYPRINT) from None
    data: bytes = HTML(string=page).write_pdf(pdf_variant="pdf/ua-1", pdf_identifier=b"sieveward")
    return data
