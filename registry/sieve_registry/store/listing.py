"""Long lists, read without making a record of every row: for audits of very many checks."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Any

from sqlalchemy import Connection, Label, Row, Select, select

from sieve_inspect.outcomes import FAILING
from sieve_registry.ledger import corrections, events
from sieve_registry.ledger.records import CheckMark, Sieve
from sieve_registry.store import reader, rows, schema

# Events that may cause a look-back, beside failed checks.
CAUSES = (events.SieveQuarantined, events.CertificateRecorded, events.ReferenceChecked)


def check_rows(connection: Connection, day: date, until: int | None) -> Iterator[Row[Any]]:
    """Checks up to a day as rows of the table with time, person and software, as corrected.

    A corrected day moves a check; a void check is left out.
    """
    check, event = schema.check, schema.event
    columns = [
        check.c.id, check.c.sieve_id, check.c.on_date, check.c.outcome, check.c.x_mean_um,
        check.c.y_mean_um, check.c.x_max_um, check.c.y_max_um, check.c.standard, check.c.grade,
        check.c.rule, check.c.action, check.c.scale_source, check.c.seq,
        check.c.x_u_mean_um, check.c.y_u_mean_um, check.c.x_u_max_um, check.c.y_u_max_um,
        event.c.recorded_at, event.c.person, event.c.software,
        _expanded_mean("x"), _expanded_mean("y"),
    ]  # fmt: skip
    query = select(*columns).join_from(check, event, check.c.seq == event.c.seq)
    yield from _as_corrected(connection, query.order_by(check.c.seq), until, day)


def _expanded_mean(direction: str) -> Label[Any]:
    """U of a check's mean as it was judged (k u with its own k), a column of its row."""
    from sieve_inspect.verdict.model import Value  # brings NumPy, `due` needs none

    margin = schema.check_margin
    wanted = select(margin.c.expanded_um).where(
        margin.c.check_id == schema.check.c.id,
        margin.c.name == Value.MEAN,
        margin.c.direction == direction,
    )
    return wanted.limit(1).scalar_subquery().label(f"{direction}_expanded_um")


def use_rows(connection: Connection, day: date, until: int | None) -> Iterator[Row[Any]]:
    """Uses up to a day as rows of the table with time and person, as corrected."""
    use, event = schema.use, schema.event
    query = select(use, event.c.recorded_at, event.c.person)
    query = query.join_from(use, event, use.c.seq == event.c.seq).order_by(use.c.seq)
    yield from _as_corrected(connection, query, until, day)


def check_marks(connection: Connection, day: date, until: int | None) -> dict[str, list[CheckMark]]:
    """Checks up to a day as marks, in recorded order, by sieve: all that look-backs rest on.

    Only of sieves that were used, and failed a check or had another event that may be a cause.
    """
    check, event = schema.check, schema.event
    bad = check.alias()
    failed = select(bad.c.sieve_id).where(
        bad.c.sieve_id.in_(select(schema.use.c.sieve_id)), bad.c.outcome.in_(FAILING)
    )
    kinds = [cause.KIND for cause in CAUSES]
    doubted = failed.union(select(event.c.subject).where(event.c.kind.in_(kinds)))
    query = (
        select(*rows.MARK_COLUMNS, check.c.sieve_id)
        .where(check.c.sieve_id.in_(select(schema.use.c.sieve_id)), check.c.sieve_id.in_(doubted))
        .order_by(check.c.seq)
    )
    marks: dict[str, list[CheckMark]] = {}
    for row in _as_corrected(connection, query, until, day):
        marks.setdefault(row.sieve_id, []).append(rows.mark(row))
    return marks


def used_sieves(connection: Connection) -> list[Sieve]:
    """The sieves that ever were used, as they were added, by id."""
    sieve, event = schema.sieve, schema.event
    query = (
        select(sieve, event.c.recorded_at, event.c.person, event.c.software)
        .join_from(sieve, event, sieve.c.seq == event.c.seq)
        .where(sieve.c.id.in_(select(schema.use.c.sieve_id)))
        .order_by(sieve.c.id)
    )
    return [rows.sieve(row) for row in connection.execute(query)]


def evidence_links(
    connection: Connection, day: date, until: int | None
) -> Iterator[tuple[str, str, str, str]]:
    """The files of checks up to a day, by check: sha256, check, role and name.

    A corrected day moves them with their check. Those of a void check stay: it was made.
    """
    link, check = schema.check_evidence, schema.check
    columns = (link.c.sha256, link.c.check_id, link.c.role, link.c.name, check.c.seq)
    query = select(*columns, check.c.on_date).join_from(link, check)
    now, last = _corrected_readings(connection, until), day.isoformat()
    query = query.order_by(link.c.check_id, link.c.position)
    links: Iterator[Any] = reader.rows_by_many(connection, query)
    for sha256, check_id, role, name, seq, on_date in links:
        if seq in now:
            on_date = now[seq][1].get("on_date", on_date)  # noqa: PLW2901
        if on_date <= last and (until is None or seq <= until):
            yield sha256, check_id, role, name


def evidence_files(connection: Connection) -> Iterator[tuple[str, str, int, int]]:
    """Everything kept: SHA-256, extension, size in bytes, and the event that brought it."""
    kept = schema.evidence
    query = select(kept.c.sha256, kept.c.extension, kept.c.size, kept.c.seq)
    for row in connection.execute(query.order_by(kept.c.seq, kept.c.sha256)):
        yield row.sha256, row.extension, row.size, row.seq


def _corrected_readings(
    connection: Connection, until: int | None
) -> dict[int, tuple[bool, dict[str, Any]]]:
    facts = reader.facts(connection, [events.RecordCorrected], None, until)
    return corrections.current_readings(rows.correction(fact) for fact in facts)


def _as_corrected(
    connection: Connection, query: Select[Any], until: int | None, day: date
) -> Iterator[Any]:
    now, last = _corrected_readings(connection, until), day.isoformat()
    if until is not None:
        query = query.where(query.selected_columns.seq <= until)
    if not now:
        yield from reader.rows_by_many(
            connection, query.where(query.selected_columns.on_date <= last)
        )
        return
    for row in reader.rows_by_many(connection, query):
        if row.seq not in now:
            if row.on_date <= last:
                yield row
            continue
        void, fields = now[row.seq]
        changed = _Corrected(row, fields)
        if not void and changed.on_date <= last:
            yield changed


class _Corrected:
    """A row some of whose columns read otherwise."""

    def __init__(self, row: Row[Any], fields: dict[str, Any]) -> None:
        self._mapping = {**row._mapping, **fields}

    def __getattr__(self, name: str) -> Any:
        return self._mapping[name]

    def __iter__(self) -> Iterator[Any]:
        return iter(self._mapping.values())
