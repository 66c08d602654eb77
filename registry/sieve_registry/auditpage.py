"""An audit as files: an index page, and one CSV beside each table."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sieve_registry.sheets import csv_bytes

if TYPE_CHECKING:
    from sieve_registry.audit import Audit

__all__ = ["MOST_ROWS", "render"]

MOST_ROWS = 500  # nobody reads a longer table on a page; its CSV has every row

_PAGE = """<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Sieves as of {{ found.as_of }}</title>
<style>
body { font: 15px/1.5 Georgia, serif; margin: 2rem auto; max-width: 78rem; padding: 0 1rem; }
table { border-collapse: collapse; font-size: 13px; }
th, td { border-bottom: 1px solid #bbb; padding: .25rem .6rem .25rem 0; text-align: left;
  vertical-align: top; overflow-wrap: anywhere; }
.wide { overflow-x: auto; }
code { overflow-wrap: anywhere; }
</style>
<h1>Sieves as of {{ found.as_of }}</h1>
<p>Made {{ found.made_at }} from a ledger of {{ found.events }} events with the head
<code>{{ found.head or "-" }}</code>. At the end of {{ found.as_of }} it held
{{ found.events_then }} events with the head <code>{{ found.head_then or "-" }}</code>.</p>
{% if found.known_then %}
<p>Only what was recorded by the end of that day is listed: exactly what was known then.</p>
{% else %}
<p>Only what concerns {{ found.as_of }} or an earlier day is listed; what was recorded after that
day is marked.</p>
{% endif %}
{% if found.verification.ok %}
<p>Verified: {{ "everything is" if found.proven == "all" else
"the chain of events and the evidence are" }} as recorded{% if found.proven != "all" %}; for the
rows derived from a ledger this long run <code>sieveward verify</code>{% endif %}.</p>
{% else %}
<p><strong>Not as recorded: {{ found.verification.findings | length }} findings, see
<a href="#findings">what verify found</a>.</strong></p>
{% endif %}
<h2>Contents</h2>
<ul>
{% for table in found.tables %}
<li><a href="#{{ table.name }}">{{ table.title }}</a>: {{ table.rows | length or "none" }}</li>
{% endfor %}
</ul>
{% if found.remarks %}
<h2>To note</h2>
<ul>
{% for remark in found.remarks[:most] %}<li>{{ remark }}</li>{% endfor %}
{% if found.remarks | length > most %}
<li>and {{ found.remarks | length - most }} more</li>
{% endif %}
</ul>
{% endif %}
{% for table in found.tables %}
<h2 id="{{ table.name }}">{{ table.title }}</h2>
{% if table.rows %}
<p><a href="{{ table.name }}.csv">{{ table.name }}.csv</a>{% if table.rows | length > most %}
has all {{ table.rows | length }} rows; here are the first {{ most }}{% endif %}</p>
<div class="wide"><table>
<thead><tr>{% for name in table.columns %}<th scope="col">{{ name }}</th>{% endfor %}</tr></thead>
<tbody>
{% for row in table.rows[:most] %}
<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>
{% endfor %}
</tbody></table></div>
{% else %}<p>None.</p>{% endif %}
{% endfor %}
</html>
"""


def render(found: Audit) -> dict[str, bytes]:
    """The files of `audit --out`, by name: `index.html` and one CSV per table."""
    files = {f"{table.name}.csv": csv_bytes([table.columns, *table.rows]) for table in found.tables}
    return {"index.html": _page(found).encode("utf-8"), **files}


def _page(found: Audit) -> str:
    from jinja2 import Environment, StrictUndefined

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    return environment.from_string(_PAGE).render(found=found, most=MOST_ROWS)
