"""An audit as files: an index page with filters, and one CSV beside each table.

The page needs nothing from elsewhere. Its one script, our own, narrows the tables; without it
every row is there. Only that very script may run: the page's policy names its hash.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from sieve_registry.exchange.sheets import csv_bytes

if TYPE_CHECKING:
    from sieve_registry.audit.queries import Audit, AuditTable

__all__ = ["MOST_ROWS", "Links", "render"]

MOST_ROWS = 2000  # a longer table makes a slow page; its CSV has every row


@dataclass(frozen=True)
class Links:
    """Where a reader of the page finds the files: addresses relative to it.

    `checks` and `sieves` name a page by check number and sieve id; `evidence` is the folder the
    evidence lies in, None where it lies in no folder.
    """

    checks: Mapping[str, str] = field(default_factory=dict)
    sieves: Mapping[str, str] = field(default_factory=dict)
    evidence: str | None = None

    def of(self, column: str, cell: str) -> str | None:
        """The address a cell leads to."""
        if column == "check":
            return self.checks.get(cell)
        if column == "sieve":
            return self.sieves.get(cell)
        if column == "file" and cell and self.evidence is not None:
            return f"{quote(self.evidence)}/{quote(cell)}"
        return None


_SCRIPT = """
(function () {
  var form = document.getElementById("filters");
  var words = document.getElementById("words");
  var from = document.getElementById("from");
  var until = document.getElementById("until");
  var late = document.getElementById("late");
  var said = document.getElementById("said");
  var tables = Array.prototype.slice.call(document.querySelectorAll("table[data-name]"));
  function column(table, name) {
    var heads = table.tHead.rows[0].cells;
    for (var i = 0; i < heads.length; i++) if (heads[i].textContent === name) return i;
    return -1;
  }
  function narrow() {
    var wanted = words.value.toLowerCase().split(/\\s+/).filter(Boolean);
    var shown = 0, all = 0;
    tables.forEach(function (table) {
      var day = column(table, "date"), later = column(table, "recorded later"), left = 0;
      Array.prototype.forEach.call(table.tBodies[0].rows, function (row) {
        var text = row.textContent.toLowerCase();
        var date = day < 0 ? "" : row.cells[day].textContent;
        var ok = wanted.every(function (word) { return text.indexOf(word) >= 0; });
        if (date && from.value && date < from.value) ok = false;
        if (date && until.value && date.slice(0, until.value.length) > until.value) ok = false;
        if (late.checked && (later < 0 || !row.cells[later].textContent)) ok = false;
        row.hidden = !ok;
        all += 1;
        if (ok) { left += 1; shown += 1; }
      });
      table.parentNode.previousElementSibling.querySelector(".left").textContent =
        left === table.tBodies[0].rows.length ? "" : left + " of them shown. ";
    });
    // While rows are looked for, tables that have none of them are out of the way.
    Array.prototype.forEach.call(document.querySelectorAll("section"), function (section) {
      section.hidden = shown < all && !section.querySelector("tbody tr:not([hidden])");
    });
    said.textContent = shown === all ? "All " + all + " rows are shown."
      : shown + " of " + all + " rows are shown" + (shown ? "." : ": widen the filter.");
  }
  form.hidden = false;
  form.addEventListener("input", narrow);
  form.addEventListener("submit", function (event) { event.preventDefault(); narrow(); });
  form.addEventListener("reset", function () { setTimeout(narrow, 0); });
  narrow();
})();
"""

_PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; \
style-src 'unsafe-inline'; script-src 'sha256-{{ digest }}'">
<title>Sieves as of {{ found.as_of }}</title>
<style>
@page { size: A4 landscape; margin: 12mm; }
body { font: 11pt/1.45 "Liberation Sans", Arial, Helvetica, sans-serif; color: #1a1a1a;
  background: #fff; margin: 0 auto; max-width: 82rem; padding: 1rem; }
h1 { font-size: 17pt; margin: 0 0 .3rem; }
h2 { font-size: 13pt; margin: 1.8rem 0 .2rem; border-bottom: 1px solid #767676; }
a { color: #1a1a1a; }
:focus-visible { outline: 3px solid #1a1a1a; outline-offset: 2px; }
.totals { display: grid; grid-template-columns: repeat(auto-fill, minmax(10rem, 1fr)); gap: .6rem;
  margin: 1rem 0; padding: 0; list-style: none; }
.totals li { border: 1px solid #767676; padding: .4rem .7rem; }
.totals b { display: block; font-size: 15pt; }
.totals .look { border: 3px double #1a1a1a; }
.small { font-size: 9.5pt; color: #3d3d3d; }
form { display: flex; flex-wrap: wrap; gap: .5rem 1.2rem; align-items: end; padding: .6rem 0; }
form[hidden], section[hidden] { display: none; }
::placeholder { color: #595959; }
label { font-size: 10pt; }
input[type=search], input[type=text] { display: block; font: inherit; padding: .2rem .4rem;
  border: 1px solid #595959; }
button { font: inherit; padding: .2rem .8rem; border: 1px solid #595959; background: #fff; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; font-size: 9.5pt; }
th, td { border-bottom: 1px solid #b0b0b0; padding: .2rem .7rem .2rem 0; text-align: left;
  vertical-align: top; }
th { border-bottom: 1.5px solid #1a1a1a; white-space: nowrap; }
td { min-width: 4rem; max-width: 24rem; overflow-wrap: break-word; }
td.short { white-space: nowrap; }
td.long { min-width: 16rem; }
td.hash, code { font: 8.5pt/1.4 ui-monospace, "Liberation Mono", monospace;
  overflow-wrap: anywhere; }
@media print { form, .left { display: none; } thead { display: table-header-group; }
  tr { break-inside: avoid; } .wide { overflow: visible; } }
</style>
</head>
<body>
<main>
<h1>Sieves as of {{ found.as_of }}</h1>
{% if found.verification.ok %}
<p>Verified: {{ "everything is" if found.proven == "all" else
"the chain of events and the evidence are" }} as recorded{% if found.proven != "all" %}; for the
rows derived from a ledger this long run <code>sieveward verify</code>{% endif %}.</p>
{% else %}
<p><strong>Not as recorded: {{ found.verification.findings | length }} findings, see
<a href="#findings">what verify found</a>.</strong></p>
{% endif %}
{% if found.known_then %}
<p>Only what was recorded by the end of that day is listed: exactly what was known then.</p>
{% else %}
<p>Only what concerns {{ found.as_of }} or an earlier day is listed; what was recorded after that
day is marked in the column “recorded later”.</p>
{% endif %}
<ul class="totals">
{% for one in totals %}
<li{% if one.look %} class="look"{% endif %}><a href="#{{ one.name }}">{{ one.title }}</a>
<b>{{ one.count }}</b><span class="small">{{ one.told }}</span></li>
{% endfor %}
</ul>
<p class="small">Made {{ found.made_at }} from a ledger of {{ found.events }} events with the head
<code>{{ found.head or "-" }}</code>. At the end of {{ found.as_of }} it held
{{ found.events_then }} events with the head <code>{{ found.head_then or "-" }}</code>.</p>
{% if found.remarks %}
<h2 id="notes">To note</h2>
<ul>
{% for remark in found.remarks[:most] %}<li>{{ remark }}</li>{% endfor %}
{% if found.remarks | length > most %}
<li>and {{ found.remarks | length - most }} more</li>
{% endif %}
</ul>
{% endif %}
<form id="filters" hidden>
<label>Rows with these words <input type="search" id="words" autocomplete="off"></label>
<label>dated from <input type="text" id="from" size="10" maxlength="10" \
placeholder="YYYY-MM-DD" autocomplete="off"></label>
<label>until <input type="text" id="until" size="10" maxlength="10" placeholder="YYYY-MM-DD" \
autocomplete="off"></label>
<label><input type="checkbox" id="late"> recorded later only</label>
<button type="reset">Show all</button>
<span id="said" role="status"></span>
</form>
{% for table in tables %}
<section aria-labelledby="{{ table.name }}">
<h2 id="{{ table.name }}">{{ table.title }}</h2>
{% if table.rows %}
<p class="small"><span class="left"></span><a href="{{ table.name }}.csv">{{ table.name }}.csv</a>
{% if table.total > most %}has all {{ table.total }} rows; here are the first {{ most }}.
{% else %}has the same {{ table.total }} row{{ "" if table.total == 1 else "s" }}.{% endif %}
{% if table.empty %} Nothing is recorded for: {{ table.empty | join(", ") }}.{% endif %}</p>
<div class="wide" tabindex="0" role="group" aria-labelledby="{{ table.name }}">
<table data-name="{{ table.name }}">
<thead><tr>{% for name in table.columns %}<th scope="col">{{ name }}</th>{% endfor %}</tr></thead>
<tbody>
{% for row in table.rows %}
<tr>{% for cell in row %}<td class="{{ cell.kind }}">\
{% if cell.href %}<a href="{{ cell.href }}">{{ cell.text }}</a>{% else %}{{ cell.text }}\
{% endif %}</td>{% endfor %}</tr>
{% endfor %}
</tbody></table></div>
{% else %}<p>None.</p>{% endif %}
</section>
{% endfor %}
{% if not links.checks %}
<p class="small">The report of a check: <code>sieveward report C-0001</code>; of a sieve:
<code>sieveward report ID</code>. With <code>sieveward audit --with-files</code> all of them are
written and linked here, and the evidence is copied beside this page.</p>
{% endif %}
</main>
<script>{{ script }}</script>
</body>
</html>
"""


def render(found: Audit, links: Links | None = None) -> dict[str, bytes]:
    """The files of `audit --out`, by name: `index.html` and one CSV per table."""
    files = {f"{table.name}.csv": csv_bytes([table.columns, *table.rows]) for table in found.tables}
    return {"index.html": _page(found, links or Links()).encode("utf-8"), **files}


def _page(found: Audit, links: Links) -> str:
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    return environment.from_string(_PAGE).render(
        found=found,
        links=links,
        most=MOST_ROWS,
        totals=[_total(table) for table in found.tables],
        tables=[_table(table, links) for table in found.tables],
        script=Markup(_SCRIPT),
        digest=base64.b64encode(hashlib.sha256(_SCRIPT.encode()).digest()).decode("ascii"),
    )


# Tables that should be empty when all is well, or that an auditor asks about first.
_LOOK = ("overdue", "never_checked", "no_scale", "conditional", "quarantines", "findings")
_BY = {"sieves": "status", "checks": "outcome"}  # columns worth counting


def _total(table: AuditTable) -> dict[str, Any]:
    """How many rows a table has, and in words what they are."""
    told = ""
    if table.name in _BY:
        place = table.columns.index(_BY[table.name])
        told = ", ".join(f"{n} {what}" for what, n in Counter(r[place] for r in table.rows).items())
    elif table.name in ("uses", "evidence"):
        place = table.columns.index("uses" if table.name == "uses" else "bytes")
        total = sum(int(row[place]) for row in table.rows)
        told = f"{total} uses in all" if table.name == "uses" else f"{total / 1e6:.1f} MB"
    look = table.name in _LOOK and bool(table.rows)
    count = len(table.rows) or "none"
    return {"name": table.name, "title": table.title, "count": count, "told": told, "look": look}


def _table(table: AuditTable, links: Links) -> dict[str, Any]:
    """A table for the page: columns nothing is recorded in are named instead of shown."""
    shown = table.rows[:MOST_ROWS]
    kept = [i for i in range(len(table.columns)) if any(row[i] for row in table.rows)]
    names = [table.columns[i] for i in kept]
    return {
        "name": table.name,
        "title": table.title,
        "columns": [_micro(name) for name in names],
        "empty": [name for name in table.columns if name not in names] if shown else [],
        "total": len(table.rows),
        "rows": [[_cell(table.columns[i], row[i], links) for i in kept] for row in shown],
    }


def _cell(column: str, text: str, links: Links) -> dict[str, Any]:
    kind = "hash" if column in ("sha256", "file") else "short" if len(text) <= 20 else "long"
    return {"text": _micro(text), "href": links.of(column, text), "kind": kind}


def _micro(text: str) -> str:
    return re.sub(r"(?<=\d )um\b|(?<=, )um$", "µm", text)
