"""What was true on one past day, as tables: for the terminal, CSV files and a page to file away.

Two times are kept apart. A row belongs to the day it concerns (`on_date`); when it was recorded
only after the day asked for, the column "recorded later" says on which day, so that nobody takes
what is known today for what was known then.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sieve_inspect.units import format_length
from sieve_registry import service
from sieve_registry.records import Check, Retirement, SieveEdit, SieveHistory, SieveState
from sieve_registry.rules.lifecycle import refuse_future
from sieve_registry.rules.state import state_as_of
from sieve_registry.service import Registry

__all__ = ["Audit", "AuditTable", "audit", "csv_cell", "recorded_later", "render"]

LATER = "recorded later"
_SIEVES = (
    "sieve",
    "nominal",
    "standard",
    "grade",
    "status",
    "last check",
    "outcome",
    "check due",
    "overdue",
    "uses",
    "location",
    "maker",
    "serial",
    LATER,
)
_CHECKS = (
    "check",
    "sieve",
    "date",
    "outcome",
    "mean x, um",
    "mean y, um",
    "largest, um",
    "standard",
    "grade",
    "decision rule",
    "proposed",
    "by",
    "software",
    "recorded at",
    LATER,
)
_USES = ("sieve", "date", "uses", "note", "by", "recorded at", LATER)
_CHANGES = ("sieve", "date", "change", "by", "recorded at", LATER)


@dataclass(frozen=True)
class AuditTable:
    """One table; every cell is text, empty where nothing is to be said."""

    name: str
    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Audit:
    """Everything that concerned `as_of` or earlier; `events` and `head` are the ledger's today."""

    as_of: date
    made_at: str
    events: int
    head: str | None
    tables: tuple[AuditTable, ...]
    remarks: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """`audit --json`: the tables as lists of rows by column name."""
        return {
            "as_of": self.as_of.isoformat(),
            "made_at": self.made_at,
            "ledger": {"events": self.events, "head": self.head},
            "remarks": list(self.remarks),
            **{
                table.name: [dict(zip(table.columns, row, strict=True)) for row in table.rows]
                for table in self.tables
            },
        }


def audit(registry: Registry, as_of: date) -> Audit:
    """The state and history of every sieve at the end of `as_of`.

    Raises `DateRefusedError` for a day to come: nothing can be said of it yet.
    """
    refuse_future(as_of, registry.today(), "an audit")
    histories = service.all_histories(registry)
    pairs = [(state_as_of(history, as_of), history) for history in histories]
    there = [(state, history) for state, history in pairs if state is not None]
    events, head = service.ledger_head(registry)
    tables = (
        _table("sieves", "Sieves", _SIEVES, (_sieve_row(*pair) for pair in there)),
        _table("checks", "Checks", _CHECKS, _check_rows(there)),
        _table("uses", "Uses", _USES, _use_rows(there)),
        _table("changes", "Changes and retirements", _CHANGES, _change_rows(there)),
    )
    remarks = [f"{one.subject}: {one.message}" for state, _ in there for one in state.remarks]
    made_at = registry.now().astimezone().isoformat(timespec="seconds")
    return Audit(as_of, made_at, events, head, tables, tuple(remarks))


def recorded_later(recorded_at: str, as_of: date) -> str:
    """The day something was recorded, when that was after `as_of`; else nothing."""
    day = datetime.fromisoformat(recorded_at).astimezone().date()
    return day.isoformat() if day > as_of else ""


def render(found: Audit) -> dict[str, bytes]:
    """The files of `audit --out`, by name: `index.html` and one CSV per table."""
    files = {f"{table.name}.csv": _csv_bytes(table) for table in found.tables}
    return {"index.html": _page(found).encode("utf-8"), **files}


def csv_cell(text: str) -> str:
    """A cell no spreadsheet will run: what could begin a formula gets an apostrophe before it."""
    return f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text


def _table(
    name: str, title: str, columns: tuple[str, ...], rows: Iterable[tuple[str, ...]]
) -> AuditTable:
    return AuditTable(name, title, columns, tuple(rows))


_Pairs = list[tuple[SieveState, SieveHistory]]


def _sieve_row(state: SieveState, history: SieveHistory) -> tuple[str, ...]:
    sieve, last, day = state.sieve, state.last_check, state.as_of
    end = history.retirement if state.status == "retired" else None
    parts = [
        ("sieve", recorded_later(sieve.recorded_at, day)),
        ("last check", recorded_later(last.recorded_at, day) if last else ""),
        ("retirement", recorded_later(end.recorded_at, day) if end else ""),
    ]
    return (
        sieve.id,
        format_length(sieve.nominal_um),
        sieve.standard,
        sieve.grade,
        state.status,
        str(last.on_date) if last else "",
        last.outcome if last else "never checked",
        str(state.due or ""),
        "yes" if state.overdue else "no",
        str(state.uses_total),
        state.location,
        sieve.maker,
        sieve.serial,
        "; ".join(f"{what} {when}" for what, when in parts if when),
    )


def _check_rows(there: _Pairs) -> list[tuple[str, ...]]:
    found = [
        (check, state.as_of)
        for state, history in there
        for check in history.checks
        if check.on_date <= state.as_of
    ]
    return [_check_row(check, day) for check, day in sorted(found, key=lambda pair: pair[0].seq)]


def _check_row(check: Check, as_of: date) -> tuple[str, ...]:
    largest = [one.max_um for one in (check.x, check.y) if one.max_um is not None]
    return (
        check.id,
        check.sieve_id,
        str(check.on_date),
        check.outcome,
        f"{check.x.mean_um:.2f}",
        f"{check.y.mean_um:.2f}",
        f"{max(largest):.2f}" if largest else "",
        check.standard,
        check.grade,
        check.rule,
        check.action,
        check.person,
        check.software,
        check.recorded_at,
        recorded_later(check.recorded_at, as_of),
    )


def _use_rows(there: _Pairs) -> list[tuple[str, ...]]:
    return [
        (
            use.sieve_id,
            str(use.on_date),
            str(use.count),
            use.note,
            use.person,
            use.recorded_at,
            recorded_later(use.recorded_at, state.as_of),
        )
        for state, history in there
        for use in history.uses
        if use.on_date <= state.as_of
    ]


def _change_rows(there: _Pairs) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for state, history in there:
        changes: list[tuple[SieveEdit | Retirement, str]]
        changes = [(edit, _change_words(edit)) for edit in history.edits]
        if history.retirement is not None:
            changes.append((history.retirement, f"retired: {history.retirement.reason}"))
        rows += [
            (
                record.sieve_id,
                str(record.on_date),
                words,
                record.person,
                record.recorded_at,
                recorded_later(record.recorded_at, state.as_of),
            )
            for record, words in changes
            if record.on_date <= state.as_of
        ]
    return rows


def _change_words(edit: SieveEdit) -> str:
    values = (
        ("interval in months", edit.interval_months),
        ("interval in uses", edit.interval_uses),
        ("location", edit.location),
    )
    return ", ".join(f"{name} {value}" for name, value in values if value is not None)


def _csv_bytes(table: AuditTable) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(table.columns)
    writer.writerows([csv_cell(cell) for cell in row] for row in table.rows)
    return text.getvalue().encode("utf-8-sig")  # the mark lets spreadsheets read the letters


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
<code>{{ found.head or "-" }}</code>. Only what concerns {{ found.as_of }} or an earlier day is
listed; what was recorded after that day is marked.</p>
{% if found.remarks %}
<h2>To note</h2>
<ul>{% for remark in found.remarks %}<li>{{ remark }}</li>{% endfor %}</ul>
{% endif %}
{% for table in found.tables %}
<h2>{{ table.title }}</h2>
{% if table.rows %}
<p><a href="{{ table.name }}.csv">{{ table.name }}.csv</a></p>
<div class="wide"><table>
<thead><tr>{% for name in table.columns %}<th scope="col">{{ name }}</th>{% endfor %}</tr></thead>
<tbody>
{% for row in table.rows %}
<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>
{% endfor %}
</tbody></table></div>
{% else %}<p>None.</p>{% endif %}
{% endfor %}
</html>
"""


def _page(found: Audit) -> str:
    from jinja2 import Environment, StrictUndefined

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    return environment.from_string(_PAGE).render(found=found)
