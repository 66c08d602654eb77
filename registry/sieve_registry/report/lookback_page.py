"""The look back as a table for a spreadsheet and as one page to work through on paper."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from sieve_registry.exchange.sheets import csv_bytes
from sieve_registry.quality.lookback import Lookback
from sieve_registry.report.pages import page_mark, render_page

COLUMNS = (
    "event", "date", "uses", "when", "by", "stack", "method", "material", "note", "reviewed",
    "result",
)  # fmt: skip


def _rows(lookback: Lookback) -> list[list[str]]:
    """All uses as rows of `COLUMNS`, the last two empty where nothing is decided."""
    rows = []
    for when, uses in (("before", lookback.between), ("after", lookback.after)):
        for use in uses:
            d, fact = use.details, lookback.decided.get(use.seq)
            reviewed = "" if fact is None else f"{fact.on_date} {fact.person}"
            result = "" if fact is None else f"{fact.payload.result}: {fact.payload.reason}"
            rows.append(
                [str(use.seq), use.on_date.isoformat(), str(use.count), when, use.person, d.stack,
                 d.method, d.material, use.note, reviewed, result]
            )  # fmt: skip
    return rows


def lookback_csv(reviews: Sequence[Lookback]) -> bytes:
    """Every use to review, one per line, with the cause that puts it in question."""
    rows = [
        (review.cause.reason if review.cause else "", *row)
        for review in reviews
        for row in _rows(review)
    ]
    return csv_bytes([("cause", *COLUMNS), *rows])


def lookback_html(
    sieve_id: str, day: date, reviews: Sequence[Lookback], sentences: Sequence[str], head: str
) -> str:
    """A self-contained page with boxes to fill; `head` is the hash of the ledger's last event."""
    return render_page(
        "lookback.html",
        {
            "sieve_id": sieve_id,
            "day": day,
            "page_mark": page_mark(f"look back, sieve {sieve_id}, {day}"),
            "sentences": sentences,
            "columns": COLUMNS,
            "causes": [
                (review.cause.reason if review.cause else "", _rows(review)) for review in reviews
            ],
            "head": head,
        },
    )
