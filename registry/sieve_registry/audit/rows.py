"""The rows of an audit's tables: records of one day as cells of text."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any, cast

from sqlalchemy import Connection, func, select

from sieve_inspect.units import format_length
from sieve_inspect.verdict.sentences import decimals_for
from sieve_registry import events
from sieve_registry.quality.lookback import lookback_of
from sieve_registry.records import (
    ACTION_DECIDED,
    Check,
    Correction,
    SieveHistory,
    SieveState,
    Use,
)
from sieve_registry.scales.corrections import links_of, voided
from sieve_registry.sieves.state import QUARANTINED, RETIRED
from sieve_registry.store import listing, reader, schema, writer

Pairs = list[tuple[SieveState, SieveHistory]]

LATER = "recorded later"
SIEVES = (
    "sieve", "nominal", "standard", "grade", "status", "last check", "outcome", "check due",
    "overdue", "uses", "location", "maker", "type", "serial", "frame", "height", "cloth",
    "certificate", "warp", "in service", "interval", "signed off by", LATER,
)  # fmt: skip
DUE = ("sieve", "nominal", "last check", "outcome", "check due", "location")
CHECKS = (
    "check", "sieve", "date", "outcome", "mean x, um", "mean y, um", "largest, um", "standard",
    "grade", "decision rule", "proposed", "scale", "by", "software", "recorded at", LATER,
)  # fmt: skip
NO_SCALE = ("check", "sieve", "date", "outcome", "why", LATER)
OPEN = ("sieve", "check", "date", "outcome", "location")
USES = ("sieve", "date", "uses", "method", "material", "note", "by", "recorded at", LATER)
ENDS = ("sieve", "date", "reason", "by", "recorded at", LATER)
LOOKBACKS = ("sieve", "because", "good until", "uses before", "uses after", "decided")
CHANGES = ("sieve", "date", "change", "by", "recorded at", LATER)
CORRECTIONS = (
    "event", "event corrected", "what", "sieve", "was", "should read", "reason", "by",
    "recorded at", LATER,
)  # fmt: skip
EVIDENCE = (
    "sha256", "file", "bytes", "recorded by event", "check", "kept for", "is its", "name", LATER,
)  # fmt: skip
FINDINGS = ("source", "subject", "finding")


def recorded_later(recorded_at: str, as_of: date) -> str:
    """The day something was recorded, when that was after `as_of`; else nothing."""
    if recorded_at <= end_of(as_of):
        return ""
    return datetime.fromisoformat(recorded_at).astimezone().date().isoformat()


_ENDS_OF_DAYS: dict[date, str] = {}


def end_of(day: date) -> str:
    """The last second of a day where this computer stands, as events write their time."""
    if day not in _ENDS_OF_DAYS:
        if day == date.max:
            return "9999-12-31T23:59:59Z"
        midnight = datetime.combine(day + timedelta(days=1), time()).astimezone()
        _ENDS_OF_DAYS[day] = writer.utc_text(midnight - timedelta(seconds=1))
    return _ENDS_OF_DAYS[day]


def sieve_row(state: SieveState, history: SieveHistory) -> tuple[str, ...]:
    """A sieve as it was that day."""
    sieve, last, day, more = state.sieve, state.last_check, state.as_of, state.details
    end = history.retirement if state.status == RETIRED else None
    parts = [
        ("sieve", recorded_later(sieve.recorded_at, day)),
        ("last check", recorded_later(last.recorded_at, day) if last else ""),
        ("retirement", recorded_later(end.recorded_at, day) if end else ""),
    ]
    uses = f" or {state.interval_uses} uses" if state.interval_uses else ""
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
        more.type,
        sieve.serial,
        "" if sieve.frame_nm is None else format_length(sieve.frame_nm / 1000),
        more.height,
        more.cloth,
        more.certificate,
        more.warp,
        str(sieve.in_service or ""),
        f"{state.interval_months} months{uses}",
        state.signed.person if state.signed else "",
        "; ".join(f"{what} {when}" for what, when in parts if when),
    )


def due_row(state: SieveState) -> tuple[str, ...]:
    """A sieve a check is due for."""
    last = state.last_check
    return (
        state.sieve.id,
        format_length(state.sieve.nominal_um),
        str(last.on_date) if last else "",
        last.outcome if last else "never checked",
        str(state.due or ""),
        state.location,
    )


Uncertainties = dict[int, tuple[str | None, str | None, str | None]]


def uncertainties(connection: Connection) -> Uncertainties:
    """Standard uncertainties of the means in x and y and of a largest aperture, by event."""
    check = schema.check
    u_max = func.coalesce(check.c.x_u_max_um, check.c.y_u_max_um)
    query = select(check.c.seq, check.c.x_u_mean_um, check.c.y_u_mean_um, u_max)
    return {seq: (x, y, most) for seq, x, y, most in connection.execute(query)}


def _rounded(value: Decimal, u: str | None) -> str:
    """A figure as far as U = 2u carries (JCGM 100, 7.2.6); two decimals where U is not known."""
    places = 2 if u is None else decimals_for(2 * float(u))
    return f"{value:.{places}f}"


def check_row(row: Any, as_of: date, u: Uncertainties) -> tuple[str, ...]:
    """A check, from a row of the store."""
    largest = [Decimal(one) for one in (row.x_max_um, row.y_max_um) if one is not None]
    u_x, u_y, u_max = u.get(row.seq, (None, None, None))
    return (
        row.id,
        row.sieve_id,
        row.on_date,
        row.outcome,
        _rounded(Decimal(row.x_mean_um), u_x),
        _rounded(Decimal(row.y_mean_um), u_y),
        _rounded(max(largest), u_max) if largest else "",
        row.standard,
        row.grade,
        row.rule,
        row.action,
        row.scale_source or "",
        row.person,
        row.software,
        row.recorded_at,
        recorded_later(row.recorded_at, as_of),
    )


def no_scale(
    checks: list[tuple[str, ...]], recorded: RecordedScales | None, as_of: date
) -> Iterable[tuple[str, ...]]:
    """Checks by no recorded scale, by one that had expired, or by a void one.

    What the file of another scale says of its own certificate nobody recorded, so it never counts.
    A link of a chain that was voided after the day asked for is marked so: it held then.
    """
    place = CHECKS.index("scale")
    known = recorded.checks if recorded else frozenset()
    for row in checks:
        source, later = row[place], row[-1]
        accepted = recorded.accepted.get(row[0]) if recorded else None
        void = recorded.void.get(row[0]) if recorded else None
        if not source:
            yield (*row[:4], "recorded without a scale", later)
        elif "not certified" in source or source.startswith("given by hand"):
            yield (*row[:4], source, later)
        elif accepted:
            yield (*row[:4], accepted, later)
        elif row[0] not in known:
            yield (*row[:4], f"by no recorded scale: {source}", later)
        if void:
            why = f"{void.kind} {void.sieve_id} (event {void.corrects}) is void: {void.reason}"
            yield (*row[:4], why, recorded_later(void.recorded_at, as_of) or later)


@dataclass(frozen=True)
class RecordedScales:
    """The checks by a recorded scale.

    Of these, why an expired one served, and what says that a link of the chain is void.
    """

    checks: frozenset[str]
    accepted: dict[str, str]
    void: dict[str, Correction]


def recorded_scales(connection: Connection, until: int | None) -> RecordedScales | None:
    """What is recorded of scales up to an event, None where none was: then nothing is read.

    An artefact may lie in the scan itself: then a check has a chain without a recorded scale.
    """
    if not reader.facts(connection, [events.SCALE_CALIBRATED, events.ARTEFACT_ADDED], None, until):
        return None
    gone = voided(connection, until)
    checks, accepted, void = set(), {}, {}
    for fact in reader.facts(connection, [events.CHECK_RECORDED], None, until):
        trace = fact.payload.get("trace")
        if trace:
            check = str(fact.payload["check"])
            checks.add(check)
            said = trace.get("accepted")
            if said:
                expired = ", ".join(said["expired"])
                accepted[check] = f"{expired}; accepted by {said['by']}: {said['why']}"
            for seq in links_of(trace):
                if seq in gone:
                    void[check] = gone[seq]
    return RecordedScales(frozenset(checks), accepted, void)


def open_rows(live: list[SieveState]) -> Iterable[tuple[str, ...]]:
    """Sieves in service whose last outcome is conditional."""
    for state in live:
        last = state.last_check
        if last is not None and last.outcome.startswith("conditional"):
            yield state.sieve.id, last.id, str(last.on_date), last.outcome, state.location


def quarantine_rows(states: list[SieveState]) -> Iterable[tuple[str, ...]]:
    """Sieves in quarantine that day."""
    for state in states:
        act = state.quarantine
        if state.status == QUARANTINED and act is not None:
            later = recorded_later(act.recorded_at, state.as_of)
            damage = "damage: " if act.payload.get("damage") else ""
            reason = f"{damage}{act.payload['reason']}"
            yield (
                state.sieve.id, str(act.on_date), reason, act.person, act.recorded_at, later,
            )  # fmt: skip


def retirement_rows(there: Pairs) -> Iterable[tuple[str, ...]]:
    """Sieves retired by that day, with the reason."""
    for state, history in there:
        end = history.retirement
        if state.status == RETIRED and end is not None:
            later = recorded_later(end.recorded_at, state.as_of)
            yield (
                state.sieve.id, str(end.on_date), end.reason, end.person, end.recorded_at, later,
            )  # fmt: skip


def lookback_rows(
    connection: Connection, there: Pairs, until: int | None
) -> Iterable[tuple[str, ...]]:
    """Sieves found bad that had been used: what was decided, or that nothing was yet."""
    if not there:
        return
    day = there[0][0].as_of
    marks = listing.check_marks(connection, day, until)
    uses = _uses(connection, day, until)
    decided: dict[str, list[Any]] = {}
    for fact in reader.facts(connection, [ACTION_DECIDED], None, until):
        decided.setdefault(fact.subject, []).append(fact)
    for state, history in there:
        sieve_id = state.sieve.id
        if sieve_id not in uses:
            continue
        # A look back rests on a check's day, order and outcome alone, which a mark has.
        whole = replace(
            history,
            checks=tuple(cast("list[Check]", marks.get(sieve_id, []))),
            uses=tuple(uses[sieve_id]),
        )
        found = lookback_of(whole, day)
        if found.cause is None or not found.uses:
            continue
        answers = [
            f"{fact.payload.get('action', 'decided')} on {fact.on_date} by {fact.person}"
            for fact in decided.get(sieve_id, [])
            if fact.seq > found.cause.seq and fact.on_date <= day
        ]
        yield (
            sieve_id,
            found.cause.words,
            str(found.good.on_date) if found.good else "never",
            str(sum(use.count for use in found.between)),
            str(sum(use.count for use in found.after)),
            answers[-1] if answers else "open",
        )


def _uses(connection: Connection, day: date, until: int | None) -> dict[str, list[Use]]:
    found: dict[str, list[Use]] = {}
    for row in listing.use_rows(connection, day, until):
        count, on = row._mapping["count"], date.fromisoformat(row.on_date)
        use = Use(row.sieve_id, on, count, row.note, row.seq, row.recorded_at, row.person)
        found.setdefault(row.sieve_id, []).append(use)
    return found


def use_rows(connection: Connection, day: date, until: int | None) -> Iterable[tuple[str, ...]]:
    """Uses up to that day."""
    for row in listing.use_rows(connection, day, until):
        details = {} if row.details == "{}" else json.loads(row.details)
        yield (
            row.sieve_id,
            row.on_date,
            str(row._mapping["count"]),
            details.get("method", ""),
            details.get("material", ""),
            row.note,
            row.person,
            row.recorded_at,
            recorded_later(row.recorded_at, day),
        )


def change_rows(there: Pairs) -> Iterable[tuple[str, ...]]:
    """Edits, acts and ends, in the order of recording."""
    for state, history in there:
        changes: list[tuple[Any, str]] = []
        for edit in history.edits:
            values = (
                ("interval in months", edit.interval_months),
                ("interval in uses", edit.interval_uses),
                ("location", edit.location),
                *edit.details,
            )
            words = ", ".join(f"{name} {value}" for name, value in values if value is not None)
            changes.append((edit, words))
        for act in history.acts:
            said = (act.payload.get(name, "") for name in ("check", "method", "reason", "note"))
            words = ", ".join(str(one) for one in said if one)
            changes.append((act, f"{act.kind}: {words}" if words else act.kind))
        if history.retirement is not None:
            changes.append((history.retirement, f"retired: {history.retirement.reason}"))
        for record, words in sorted(changes, key=lambda pair: pair[0].seq):
            if record.on_date <= state.as_of:
                later = recorded_later(record.recorded_at, state.as_of)
                yield (
                    history.sieve.id, str(record.on_date), words, record.person,
                    record.recorded_at, later,
                )  # fmt: skip


def correction_rows(there: Pairs) -> Iterable[tuple[str, ...]]:
    """Both readings of everything corrected, also when it was corrected only later."""
    names = {"on_date": "date", "frame_nm": "frame in nm", "in_service": "in service"}

    def words(values: Any) -> str:
        return ", ".join(f"{names.get(name, name)} {value}" for name, value in values.items())

    for state, history in there:
        for one in history.corrections:
            reads = "void" if one.void else words(one.now) or "as first recorded"
            yield (
                str(one.seq), str(one.corrects), one.kind, one.sieve_id, words(one.was), reads,
                one.reason, one.person, one.recorded_at,
                recorded_later(one.recorded_at, state.as_of),
            )  # fmt: skip


def evidence_rows(
    connection: Connection, day: date, until: int | None
) -> Iterable[tuple[str, ...]]:
    """Every file kept of what concerns that day or an earlier one, and what it was first kept for.

    A file is told by its hash; a table read in speaks of days before it was, so it is always one.
    """
    used = _files_of_acts(connection, day, until)
    for link in listing.evidence_links(connection, day, until):
        used.setdefault(link.sha256, (link.check_id, "", link.role, link.name))
    recorded = {e.seq: e.recorded_at for e in connection.execute(_EVENTS_WITH_FILES)}
    for sha256, extension, size, seq in reader.evidence_files(connection):
        if sha256 in used and (until is None or seq <= until):
            place = f"{sha256[:2]}/{sha256}{extension}"
            later = recorded_later(recorded[seq], day)
            yield sha256, place, str(size), str(seq), *used[sha256], later


_EVENTS_WITH_FILES = select(schema.event.c.seq, schema.event.c.recorded_at).where(
    schema.event.c.seq.in_(select(schema.evidence.c.seq))
)


def _files_of_acts(
    connection: Connection, day: date, until: int | None
) -> dict[str, tuple[str, str, str, str]]:
    """The files of certificates, scales and tables read in, by hash: cells of `evidence_rows`."""
    found: dict[str, tuple[str, str, str, str]] = {}
    kept = [events.ARTEFACT_ADDED, events.SCALE_CALIBRATED, events.IMPORTED]
    for fact in reader.facts(connection, kept, None, until):
        if fact.on_date <= day or fact.kind == events.IMPORTED:
            for file in fact.payload.get("evidence", ()):
                told = ("", f"{fact.kind}: {fact.subject}", file["role"], file["name"])
                found.setdefault(file["sha256"], told)
    return found
