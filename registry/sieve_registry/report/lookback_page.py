"""The look back as a table for a spreadsheet and as one page to work through on paper."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence

from sieve_registry.quality.lookback import Lookback
from sieve_registry.records import Use
from sieve_registry.report.formatting import clean

__all__ = ["COLUMNS", "lookback_csv", "lookback_html", "use_cells"]

COLUMNS = ("date", "uses", "when", "by", "stack", "method", "material", "note")


def use_cells(use: Use, when: str) -> list[str]:
    """One use as the cells of a row."""
    told = use.details
    return [
        use.on_date.isoformat(),
        str(use.count),
        when,
        use.person,
        told.stack,
        told.method,
        told.material,
        use.note,
    ]


def _rows(found: Lookback) -> list[list[str]]:
    before = [use_cells(use, "before") for use in found.between]
    return before + [use_cells(use, "after") for use in found.after]


def lookback_csv(found: Lookback, safe: Callable[[str], str]) -> bytes:
    """Every use to look at, one a line; `safe` keeps a cell from being read as a formula."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow([*COLUMNS, "looked at", "result affected"])
    writer.writerows([*(safe(cell) for cell in row), "", ""] for row in _rows(found))
    return text.getvalue().encode("utf-8-sig")


def lookback_html(found: Lookback, sentences: Sequence[str], head: str) -> str:
    """One page that needs nothing from elsewhere, with boxes to tick; `head` is the ledger's."""
    import jinja2

    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, finalize=clean
    )
    return environment.from_string(_PAGE).render(
        found=found, sentences=sentences, columns=COLUMNS, rows=_rows(found), head=head
    )


_PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Look back: sieve {{ found.sieve_id }}</title>
<style>
@page { size: A4; margin: 15mm; }
body { font: 11pt/1.45 Georgia, "DejaVu Serif", serif; color: #1a1a1a; max-width: 60em;
  margin: 2em auto; padding: 0 1em; overflow-wrap: anywhere; }
table { border-collapse: collapse; width: 100%; font-size: 10pt; }
caption { text-align: left; padding: .4em 0; }
th, td { text-align: left; vertical-align: top; padding: .25em .5em;
  border-bottom: 1px solid #999; }
th { border-bottom: 2px solid #1a1a1a; }
td.count { text-align: right; }
td.box { min-width: 5em; }
tr { break-inside: avoid; }
.sign { margin-top: 3em; }
</style>
</head>
<body>
<h1>Look back: sieve {{ found.sieve_id }}</h1>
{% for sentence in sentences %}
<p>{{ sentence }}</p>
{% endfor %}
{% if rows %}
<table>
<caption>Every use to look at. Before: between the good check and the bad one; after: used in
spite of it.</caption>
<thead><tr>{% for name in columns %}<th scope="col">{{ name }}</th>{% endfor %}
<th scope="col">looked at</th><th scope="col">result affected?</th></tr></thead>
<tbody>
{% for row in rows %}
<tr>{% for cell in row %}<td{% if loop.index == 2 %} class="count"{% endif %}>{{ cell }}</td>
{% endfor %}<td class="box"></td><td class="box"></td></tr>
{% endfor %}
</tbody>
</table>
{% endif %}
<p class="sign">Looked through by, on: ______________________________</p>
<p>As of {{ found.as_of }}. Ledger head {{ head }}.</p>
</body>
</html>
"""
