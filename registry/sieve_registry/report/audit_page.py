"""An audit as files: an index page with filters, and one CSV file for each table.

The page is self-contained. Its one script filters the tables; without it every row is shown. The
page's policy allows only that script, by its hash.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from itertools import chain
from operator import itemgetter
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from sieve_registry.audit.clauses import COLUMNS as CLAUSE_COLUMNS
from sieve_registry.exchange.sheets import csv_pieces
from sieve_registry.report.formatting import with_micro
from sieve_registry.report.pages import page_mark, render_page, static_text
from sieve_registry.report.timeline import Mark, common_range, timeline_svg

if TYPE_CHECKING:
    from sieve_registry.audit.queries import Audit, AuditTable

_CLAUSE_PAGE = "by-clause.html"
MOST_TIMELINES = 300  # 3 kB each
MOST_ROWS = 2000  # a longer table makes a slow page; its CSV has every row


@dataclass(frozen=True)
class Links:
    """Addresses of the files the page links to, relative to it.

    `checks` and `sieves` give a page by check number and sieve id; `evidence` is the folder of the
    evidence, None where it is not kept in a folder.
    """

    checks: Mapping[str, str] = field(default_factory=dict)
    sieves: Mapping[str, str] = field(default_factory=dict)
    evidence: str | None = None
    clauses: str | None = None  # the page by clause

    def of(self, column: str, cell: str) -> str | None:
        """The address a cell links to, None without a link."""
        if column == "check":
            return self.checks.get(cell)
        if column == "sieve":
            return self.sieves.get(cell)
        if column == "file" and cell and self.evidence is not None:
            return f"{quote(self.evidence)}/{quote(cell)}"
        return None


_LINKED = ("check", "sieve", "file")  # the columns whose cells may have one
_NO_LINKS = Links()


def render(audit: Audit, links: Links = _NO_LINKS) -> Iterator[tuple[str, Iterable[bytes]]]:
    """The files of `audit --out` by name, in pieces: tables may be very long.

    `index.html`, `by-clause.html` and one CSV per table.
    """
    yield "index.html", [page(audit, replace(links, clauses=_CLAUSE_PAGE)).encode()]
    yield _CLAUSE_PAGE, [_by_clause(audit).encode()]
    for table in audit.tables:
        yield f"{table.name}.csv", csv_pieces(chain([table.columns], table.rows))


def script_policy() -> str:
    """The part of a content policy that allows the page's own script and no other."""
    digest = hashlib.sha256(static_text("audit.js").encode()).digest()
    return f"script-src 'sha256-{base64.b64encode(digest).decode('ascii')}'"


def page(audit: Audit, links: Links = _NO_LINKS) -> str:
    """The audit as one page with all its tables."""
    from markupsafe import Markup

    script = static_text("audit.js")
    context = {
        "audit": audit,
        "page_mark": page_mark(f"sieves as of {audit.as_of}"),
        "links": links,
        "most": MOST_ROWS,
        "totals": [_total(table) for table in audit.tables],
        "tables": [_table(table, links) for table in audit.tables],
        "timelines": _timelines(audit, links),
        "script": Markup(script),
        "script_policy": script_policy(),
    }
    return render_page("audit.html", context)


def _by_clause(audit: Audit) -> str:
    """Each clause with what is held for it, and links to the tables of the audit."""
    tables = {table.name: table for table in audit.tables}
    clauses = tables["clauses"]
    places = [clauses.columns.index(name) for name in CLAUSE_COLUMNS]
    rows = []
    for row in clauses.rows:
        number, subject, held, records, newest, pending, see = (row[place] for place in places)
        links = [tables[name] for name in see.split(", ") if name]
        rows.append((number, subject, held, records, newest, pending, links))
    context = {"audit": audit, "rows": rows, "page_mark": page_mark(f"by clause, {audit.as_of}")}
    return render_page("by_clause.html", context)


def _timelines(audit: Audit, links: Links) -> dict[str, Any]:
    """The lives of the sieves on one axis, and how many more there are."""
    checks = next(table for table in audit.tables if table.name == "checks")
    places = [checks.columns.index(name) for name in ("check", "sieve", "date", "outcome")]
    shown = audit.histories[:MOST_TIMELINES]
    span = common_range(shown, audit.as_of)
    ids = [history.sieve.id for history in shown]
    marks: dict[str, list[Mark]] = {sieve_id: [] for sieve_id in ids}
    for check_id, sieve_id, day, outcome in map(itemgetter(*places), checks.rows):
        if sieve_id in marks:
            marks[sieve_id].append(Mark(check_id, date.fromisoformat(day), outcome))
    bars = [timeline_svg(h, marks[h.sieve.id], audit.as_of, span) for h in shown]
    return {
        "rows": [(name, links.sieves.get(name), bar) for name, bar in zip(ids, bars, strict=True)],
        "more": len(audit.histories) - len(shown),
    }


# Tables that are empty when all is well, or that an auditor asks about first.
_NOTABLE = (
    *("overdue", "never_checked", "no_scale", "conditional", "quarantines", "unauthorised"),
    *("work_findings", "findings"),
)
_COUNTED_BY = {"sieves": "status", "checks": "outcome"}


def _total(table: AuditTable) -> dict[str, Any]:
    """How many rows a table has, and a summary of them."""
    return {
        "name": table.name,
        "title": table.title,
        "count": len(table.rows) or "none",
        "summary": _summary(table),
        "notable": table.name in _NOTABLE and bool(table.rows),
    }


def _summary(table: AuditTable) -> str:
    if table.name in _COUNTED_BY:
        counts = Counter(_column(table, _COUNTED_BY[table.name]))
        return ", ".join(f"{count} {value}" for value, count in counts.items())
    if table.name == "uses":
        return f"{sum(map(int, _column(table, 'uses')))} uses in all"
    if table.name == "evidence":
        return f"{sum(map(int, _column(table, 'bytes'))) / 1e6:.1f} MB"
    return ""


def _column(table: AuditTable, name: str) -> list[str]:
    place = table.columns.index(name)
    return [row[place] for row in table.rows]


def _table(table: AuditTable, links: Links) -> dict[str, Any]:
    """A table for the page: empty columns are named instead of shown."""
    shown = table.rows[:MOST_ROWS]
    kept = [i for i in range(len(table.columns)) if any(map(itemgetter(i), table.rows))]
    empty = [name for i, name in enumerate(table.columns) if i not in kept]
    return {
        "name": table.name,
        "title": table.title,
        "columns": [_micro(table.columns[i]) for i in kept],
        "empty": empty if shown else [],
        "total": len(table.rows),
        "rows": [[_cell(table.columns[i], row[i], links) for i in kept] for row in shown],
    }


def _cell(column: str, text: str, links: Links) -> tuple[str, str | None, str]:
    """A cell's kind, its link and its text."""
    kind = "hash" if column in ("sha256", "file") else "short" if len(text) <= 20 else "long"
    href = links.of(column, text) if column in _LINKED else None
    return kind, href, _micro(text) if "um" in text else text


def _micro(text: str) -> str:
    """Write um as µm, also in the name of a column ("mean x, um")."""
    return re.sub(r"(?<=, )um$", "µm", with_micro(text))
