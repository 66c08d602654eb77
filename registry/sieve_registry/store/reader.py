"""Reading: rows back to records."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from itertools import chain
from typing import Any, TypeVar, cast

from sqlalchemy import Connection, FromClause, Row, Select, Table, func, select

from sieve_inspect.outcomes import FOR_INFORMATION
from sieve_registry.errors import BrokenRecordError
from sieve_registry.ledger import corrections
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.events import (
    SIEVE_LIFE,
    ActionDecided,
    CertificateRecorded,
    LaboratoryRulesSet,
    RecordCorrected,
    ReferenceChecked,
    ResultReviewed,
    SieveAdded,
)
from sieve_registry.ledger.figures import EvidenceFile
from sieve_registry.ledger.records import (
    Check,
    CheckDetail,
    Event,
    Fact,
    SieveHistory,
    Use,
    facts_of_type,
)
from sieve_registry.store import rows, schema

Payload = TypeVar("Payload", bound=EventPayload)
Made = TypeVar("Made")


def last_event(connection: Connection) -> Event | None:
    """The head of the ledger, or None when nothing was recorded yet."""
    query = select(schema.event).order_by(schema.event.c.seq.desc()).limit(1)
    row = connection.execute(query).first()
    return None if row is None else Event(*row)


def count_events(connection: Connection) -> int:
    """How many events the ledger holds."""
    return connection.execute(select(func.count()).select_from(schema.event)).scalar_one()


def events(connection: Connection) -> Iterator[Event]:
    """All events in order."""
    for row in connection.execute(select(schema.event).order_by(schema.event.c.seq)):
        yield Event(*row)


def rows_by_many(connection: Connection, query: Select[Any]) -> Iterator[Row[Any]]:
    """The rows of a query, fetched a thousand at a time: a third quicker than each alone."""
    return chain.from_iterable(connection.execute(query).partitions(1000))


@contextmanager
def legible() -> Iterator[None]:
    """Raise `BrokenRecordError` for a row that cannot be read as a record."""
    try:
        yield
    except (LookupError, ValueError, TypeError, ArithmeticError) as error:
        raise BrokenRecordError(count=1, first=f"a row cannot be read ({error})") from error


def event_of(connection: Connection, seq: int) -> Event | None:
    """One event by its number, or None."""
    row = connection.execute(select(schema.event).where(schema.event.c.seq == seq)).first()
    return None if row is None else Event(*row)


def event_known_on(connection: Connection, end_of_day: str) -> int:
    """The number of the last event recorded up to a moment (ISO text in UTC), 0 when there is none.

    Later events were not known then, even with an earlier time by a clock set back.
    """
    event = schema.event
    query = select(func.min(event.c.seq)).where(event.c.recorded_at > end_of_day)
    after = connection.execute(query).scalar_one()
    last = select(func.coalesce(func.max(event.c.seq), 0))
    return int(connection.execute(last).scalar_one() if after is None else after - 1)


@legible()
def facts(
    connection: Connection,
    wanted: Sequence[type[Payload]],
    subject: str | None = None,
    until: int | None = None,
) -> list[Fact[Payload]]:
    """Events of the wanted types with their payloads, in the order of recording.

    `subject` None: about anything. `until` leaves out events after that number. Raises
    `BrokenRecordError` for a payload that cannot be read.
    """
    query = select(schema.event).where(
        schema.event.c.kind.in_([event_type.KIND for event_type in wanted])
    )
    if until is not None:
        query = query.where(schema.event.c.seq <= until)
    if subject is not None:
        query = query.where(schema.event.c.subject == subject)
    matching = connection.execute(query.order_by(schema.event.c.seq))
    return [cast("Fact[Payload]", rows.fact(row)) for row in matching]


@legible()
def histories(
    connection: Connection, sieve_id: str | None = None, until: int | None = None
) -> dict[str, SieveHistory]:
    """The history of every sieve, or of a single sieve, by sieve id in alphabetical order.

    Records are as corrected; the corrections are listed too.
    `until` leaves out events after that number.
    """
    return _build(
        connection,
        sieve_id,
        _grouped(connection, schema.check, sieve_id, until),
        _grouped(connection, schema.use, sieve_id, until),
        until,
    )


@legible()
def histories_at(
    connection: Connection, day: date, until: int | None = None, *, marks: bool = False
) -> dict[str, SieveHistory]:
    """Short histories for very many sieves: all that the state on `day` depends on.

    They hold the last check up to `day`, and sums of uses. `state_as_of` gives the same state for
    that day as with `histories`. `until` leaves out events after that number. With `marks` the last
    check of most sieves is a `CheckMark`, for lists of due days, which show no more.
    """
    last = _last_checks(connection, day, until, marks)
    uses = _summed_uses(connection, day, last, until)
    read_check = cast("Callable[[Row[Any]], Check]", rows.mark) if marks else rows.check
    short = _build(connection, None, last, uses, until, read_check)
    more = [name for name, of in short.items() if (of.corrections or of.acts) and _needs_all(of)]
    for sieve_id in more:
        short |= histories(connection, sieve_id, until)
    return short


def _needs_all(history: SieveHistory) -> bool:
    """Whether sums do not do: something was corrected, or counted from a certificate."""
    last = max(((c.on_date, c.seq) for c in history.checks), default=(date.min, 0))
    certificates = facts_of_type(history.acts, CertificateRecorded)
    return bool(history.corrections) or any((c.on_date, c.seq) > last for c in certificates)


def _build(
    connection: Connection,
    sieve_id: str | None,
    checks: Mapping[str, list[Row[Any]]],
    uses: Mapping[str, list[Any]],
    until: int | None = None,
    read_check: Callable[[Row[Any]], Check] = rows.check,
) -> dict[str, SieveHistory]:
    edits = _made(_grouped(connection, schema.sieve_edit, sieve_id, until), rows.edit)
    ends = _made(_grouped(connection, schema.retirement, sieve_id, until), rows.retirement)
    made_checks, made_uses = _made(checks, read_check), _made(uses, _use)
    acts = _by_subject(facts(connection, SIEVE_LIFE, sieve_id, until))
    corrected = _by_subject(facts(connection, [RecordCorrected], sieve_id, until))
    opinion_types: Sequence[type[EventPayload]] = (ActionDecided, ReferenceChecked, ResultReviewed)
    opinions = _by_subject(facts(connection, opinion_types, sieve_id, until))
    sign_off = _sign_off(connection, until)
    query = _known(_with_event(schema.sieve), schema.sieve, until)
    if sieve_id is not None:
        query = query.where(schema.sieve.c.id == sieve_id)
    renamed = _renamed(fact for group in corrected.values() for fact in group)
    amended = _made(corrected, rows.correction)
    by_id = {row[0]: row for row in rows_by_many(connection, query)}
    built = {}
    for name in sorted(by_id.keys() - renamed.keys(), key=str):
        # There may be very many: the constructor of a frozen record takes five times longer.
        history = object.__new__(SieveHistory)
        history.__dict__.update(
            sieve=rows.sieve(by_id[name]),
            edits=edits.get(name, ()),
            checks=made_checks.get(name, ()),
            uses=made_uses.get(name, ()),
            retirement=next(iter(ends.get(name, ())), None),
            acts=tuple(acts.get(name, ())),
            corrections=amended.get(name, ()),
            sign_off=sign_off,
            opinions=tuple(opinions.get(name, ())),
        )
        built[name] = corrections.apply(history)
    return built


def _use(row: Any) -> Use:
    return row if isinstance(row, Use) else rows.use(row)


def _made(
    groups: Mapping[str, Sequence[Any]], read: Callable[[Any], Made]
) -> dict[str, tuple[Made, ...]]:
    """The records of each sieve that has some."""
    return {sieve_id: tuple(map(read, group)) for sieve_id, group in groups.items()}


def _by_subject(facts: list[Fact[Payload]]) -> dict[str, list[Fact[Payload]]]:
    groups: dict[str, list[Fact[Payload]]] = {}
    for fact in facts:
        groups.setdefault(fact.subject, []).append(fact)
    return groups


def _known(query: Select[Any], table: FromClause, until: int | None) -> Select[Any]:
    return query if until is None else query.where(table.c.seq <= until)


def _sign_off(connection: Connection, until: int | None = None) -> tuple[tuple[date, bool], ...]:
    """From which day the laboratory requires a second person, or no longer does."""
    rules = facts(connection, [LaboratoryRulesSet], None, until)
    days = sorted(rules, key=lambda fact: (fact.on_date, fact.seq))
    return tuple((fact.on_date, fact.payload.sign_off) for fact in days)


def _last_checks(
    connection: Connection, day: date, until: int | None, marks: bool
) -> dict[str, list[Row[Any]]]:
    check = schema.check
    inner = check.alias()
    newest = (
        _known(select(inner.c.seq), inner, until)
        .where(inner.c.sieve_id == schema.sieve.c.id, inner.c.on_date <= day.isoformat())
        .where(inner.c.outcome != FOR_INFORMATION)
        .order_by(inner.c.on_date.desc(), inner.c.seq.desc())
        .limit(1)
        .correlate(schema.sieve)
        .scalar_subquery()
    )
    plain: Select[Any] = select(*rows.MARK_COLUMNS, check.c.sieve_id)
    query = (plain if marks else _with_event(check)).join(schema.sieve, check.c.seq == newest)
    return {row.sieve_id: [row] for row in rows_by_many(connection, query)}


def _summed_uses(
    connection: Connection,
    day: date,
    last: Mapping[str, list[Row[Any]]],
    until: int | None = None,
) -> dict[str, list[Any]]:
    """Uses up to `day`: one record for those before the last check, and those since.

    Uses since stay single where a limit by uses was ever set: any may reach the limit.
    """
    use = schema.use
    limited = set(connection.execute(
        select(schema.sieve.c.id).where(schema.sieve.c.interval_uses.is_not(None))
    ).scalars())  # fmt: skip
    edit = schema.sieve_edit
    limited |= set(connection.execute(
        select(edit.c.sieve_id).where(edit.c.interval_uses.is_not(None))
    ).scalars())  # fmt: skip
    columns = (use.c.sieve_id, use.c.on_date, use.c.count, use.c.seq)
    query = select(*columns).where(use.c.on_date <= day.isoformat()).order_by(use.c.seq)
    query = _known(query, use, until)
    by_sieve: dict[str, list[Any]] = {}
    uses: Any = connection.execute(query)
    for sieve_id, on_date, count, seq in uses:
        checked = last.get(sieve_id)
        since = checked is None or (on_date, seq) > (checked[0].on_date, checked[0].seq)
        records = by_sieve.setdefault(sieve_id, [])
        if since and sieve_id in limited:
            records.append([since, on_date, count, seq])
            continue
        total = next((record for record in records if record[0] == since), None)
        if total is None:
            records.append([since, on_date, count, seq])
        else:
            total[2] += count
            if since:
                total[1], total[3] = max((total[1], total[3]), (on_date, seq))
    return {
        sieve_id: [Use(sieve_id, date.fromisoformat(r[1]), r[2], "", r[3], "", "") for r in records]
        for sieve_id, records in by_sieve.items()
    }


@legible()
def check_detail(connection: Connection, check_id: str) -> CheckDetail | None:
    """One check with everything that belongs to it, or None."""
    check, margin, link = schema.check, schema.check_margin, schema.check_evidence
    row = connection.execute(_with_event(check).where(check.c.id == check_id)).first()
    if row is None:
        return None
    margins = connection.execute(
        select(margin).where(margin.c.check_id == check_id).order_by(margin.c.position)
    )
    kept = schema.evidence
    files = connection.execute(
        select(kept.c.sha256, kept.c.extension, kept.c.size, link.c.role, link.c.name)
        .join_from(link, kept)
        .where(link.c.check_id == check_id)
        .order_by(link.c.position)
    )
    event = connection.execute(select(schema.event).where(schema.event.c.seq == row.seq)).one()
    return CheckDetail(
        check=rows.check(row),
        margins=tuple(rows.margin(r) for r in margins),
        evidence=tuple(EvidenceFile(*r) for r in files),
        event=Event(*event),
    )


def cloth_files(
    connection: Connection, nominal_nm: int
) -> list[tuple[str, str, date, int, EvidenceFile]]:
    """Every map of a cloth of one nominal: sieve, check, day and event of the check, and the file.

    In the order of day and recording; those of void checks are left out.
    """
    check, link, kept = schema.check, schema.check_evidence, schema.evidence
    query = (
        select(
            check.c.sieve_id, check.c.id, check.c.on_date, check.c.seq,
            kept.c.sha256, kept.c.extension, kept.c.size, link.c.role, link.c.name,
        )
        .join_from(check, link, check.c.id == link.c.check_id)
        .join(kept, kept.c.sha256 == link.c.sha256)
        .where(check.c.nominal_nm == nominal_nm, link.c.role == "cloth")
        .order_by(check.c.on_date, check.c.seq, link.c.position)
    )  # fmt: skip
    corrected = facts(connection, [RecordCorrected])
    void = {fact.payload.corrects for fact in corrected if fact.payload.void}
    return [
        (row[0], row[1], date.fromisoformat(row[2]), row[3], EvidenceFile(*row[4:]))
        for row in connection.execute(query)
        if row[3] not in void
    ]


def has_sieve(connection: Connection, sieve_id: str) -> bool:
    """Whether a sieve of that id was ever added, under a wrong name since put right too."""
    query = _with_event(schema.sieve).where(schema.sieve.c.id == sieve_id)
    return connection.execute(query).first() is not None


def sieve_ids(connection: Connection) -> list[str]:
    """The ids of all sieves, by id; names since put right are left out."""
    ids = set(connection.execute(select(schema.sieve.c.id)).scalars())
    return sorted(ids - renamed_sieves(connection).keys())


def renamed_sieves(connection: Connection) -> dict[str, str]:
    """The right name of every sieve that was entered under a wrong name, by the wrong name."""
    return _renamed(facts(connection, [RecordCorrected]))


def _renamed(corrected: Iterable[Fact[RecordCorrected]]) -> dict[str, str]:
    """A record of a new sieve is void only where the sieve was added anew under another name."""
    return {
        fact.subject: str(fact.payload.now["id"])
        for fact in corrected
        if fact.payload.void and fact.payload.kind == SieveAdded.KIND
    }


def evidence_extension(connection: Connection, sha256: str) -> str | None:
    """The extension under which evidence of that hash is kept, or None when there is none."""
    table = schema.evidence
    query = select(table.c.extension).where(table.c.sha256 == sha256)
    return connection.execute(query).scalar_one_or_none()


def _with_event(table: Table) -> Select[Any]:
    """A table's rows with the time, person and software of the event that recorded each."""
    event = schema.event
    return select(table, event.c.recorded_at, event.c.person, event.c.software).join_from(
        table, event, table.c.seq == event.c.seq
    )


def _grouped(
    connection: Connection, table: Table, sieve_id: str | None, until: int | None = None
) -> defaultdict[str, list[Row[Any]]]:
    query = _known(_with_event(table).order_by(table.c.seq), table, until)
    if sieve_id is not None:
        query = query.where(table.c.sieve_id == sieve_id)
    groups: defaultdict[str, list[Row[Any]]] = defaultdict(list)
    for row in rows_by_many(connection, query):
        groups[row.sieve_id].append(row)
    return groups
