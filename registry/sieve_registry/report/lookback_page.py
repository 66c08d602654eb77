"""The look back as a table for a spreadsheet and as one page to work through on paper."""

from __future__ import annotations

from collections.abc import Sequence

from sieve_registry.exchange.sheets import csv_bytes
from sieve_registry.quality.lookback import Lookback
from sieve_registry.report.pages import page_mark, render_page

COLUMNS = ("date", "uses", "when", "by", "stack", "method", "material", "note")


def _rows(lookback: Lookback) -> list[list[str]]:
    """All uses as rows of `COLUMNS`."""
    parts = (("before", lookback.between), ("after", lookback.after))
    return [
        [use.on_date.isoformat(), str(use.count), when, use.person, d.stack, d.method, d.material,
         use.note]
        for when, uses in parts for use in uses for d in [use.details]
    ]  # fmt: skip


def lookback_csv(lookback: Lookback) -> bytes:
    """Every use to review, one per line."""
    rows = [(*row, "", "") for row in _rows(lookback)]
    return csv_bytes([(*COLUMNS, "reviewed", "result affected"), *rows])


def lookback_html(lookback: Lookback, sentences: Sequence[str], head: str) -> str:
    """A self-contained page with boxes to tick; `head` is the hash of the ledger's last event."""
    return render_page(
        "lookback.html",
        {
            "lookback": lookback,
            "page_mark": page_mark(f"look back, sieve {lookback.sieve_id}, {lookback.as_of}"),
            "sentences": sentences,
            "columns": COLUMNS,
            "rows": _rows(lookback),
            "head": head,
        },
    )
