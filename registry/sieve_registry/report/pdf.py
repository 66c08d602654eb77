"""A page as a PDF file."""

from __future__ import annotations

from sieve_inspect.errors import UsageError

__all__ = ["pdf_bytes"]

_NO_WEASYPRINT = (
    "PDF files need an extra part: pip install 'sieveward[pdf]'; or write the page as .html and "
    "print it from a browser."
)


def pdf_bytes(page: str) -> bytes:
    """A page as an accessible PDF (PDF/UA) of A4; the same page gives the same bytes.

    Nothing is fetched. Raises `UsageError` if the extra is not installed.
    """
    try:
        from weasyprint import HTML
    except (ImportError, OSError):  # OSError: a shared library is missing
        raise UsageError(message=_NO_WEASYPRINT) from None
    data: bytes = HTML(string=page).write_pdf(pdf_variant="pdf/ua-1", pdf_identifier=b"sieveward")
    return data
