"""An audit's tables of checks and evidence: checks, those without a valid scale, files kept."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from sys import intern
from typing import Any

from sqlalchemy import select

from sieve_inspect.scale import certified_by_source
from sieve_inspect.verdict.sentences import decimals_for
from sieve_registry.audit.table import RECORDED_LATER, AuditTable, Scope, end_of
from sieve_registry.checks.validation import standing
from sieve_registry.ledger import events
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.records import Correction
from sieve_registry.scales.corrections import links_of, voided
from sieve_registry.store import content, listing, schema

_CHECK_COLUMNS = (
    *("check", "sieve", "date", "outcome", "mean x, um", "U mean x, um", "mean y, um"),
    *("U mean y, um", "largest, um", "standard", "grade", "decision rule", "proposed", "scale"),
    *("by", "signed off by", "software", "software validated", "recorded at", RECORDED_LATER),
)


def check_tables(scope: Scope) -> list[AuditTable]:
    """Checks up to the day of the audit, and those whose scale is not proven, with the reason.

    There may be very many: each is turned into cells as it is read.
    """
    recorded, cells_of = _recorded_scales(scope), _check_cells(scope)
    seq, scale = next(recorded, _NO_MORE)
    unrecorded = lru_cache(4096)(_scale_doubt)  # many checks share the text of a source
    checks: list[tuple[str, ...]] = []
    doubtful: list[tuple[str, ...]] = []
    for row in listing.check_rows(scope.connection, scope.as_of, scope.until):
        cells = cells_of(row)
        checks.append(cells)
        own = None
        if scale is not None:  # both are in the order of recording
            number = row.seq
            while seq < number:
                seq, scale = next(recorded, _NO_MORE)
            own = scale if seq == number else None
        why = unrecorded(cells[13] or None, None) if own is None else ""
        # The cells of its row that are held already, and two more.
        if why:
            doubtful.append((*cells[:4], why, cells[-1]))
        for why, later in () if own is None else _doubts(row.scale_source, own, cells[-1], scope):
            doubtful.append((*cells[:4], intern(why), later))
    title = "Checks without a valid recorded scale"
    return [
        AuditTable("checks", "Checks", _CHECK_COLUMNS, tuple(checks)),
        AuditTable(
            "no_scale", title, (*_CHECK_COLUMNS[:4], "why", RECORDED_LATER), tuple(doubtful)
        ),
    ]


def _check_cells(scope: Scope) -> Callable[[Sequence[Any]], tuple[str, ...]]:
    """The cells of a row of `listing.check_rows`; texts that occur again are held once."""
    validated, end, later = _validated(scope), end_of(scope.as_of), scope.recorded_later
    signed = {f.payload.check: f"{f.person}, {f.on_date}" for f in scope.facts(events.CheckSigned)}

    def cells(row: Sequence[Any]) -> tuple[str, ...]:
        # fmt: off
        (check_id, sieve, day, outcome, x, y, x_max, y_max, standard, grade, rule, action, source,
         _, u_x, u_y, u_x_max, u_y_max, recorded_at, person, software, wide_x, wide_y) = row
        # fmt: on
        return (
            intern(check_id),
            intern(sieve),
            intern(day),
            intern(outcome),
            _rounded(x, u_x),
            _rounded(wide_x, u_x),
            _rounded(y, u_y),
            _rounded(wide_y, u_y),
            _largest(x_max, y_max, u_y_max if u_x_max is None else u_x_max),
            intern(standard),
            intern(grade),
            intern(rule),
            intern(action),
            intern(source or ""),
            intern(person),
            signed.get(check_id, ""),
            intern(software),
            validated.get(check_id, ""),
            intern(recorded_at),
            "" if recorded_at <= end else later(recorded_at),
        )  # fmt: skip

    return cells


@lru_cache(1 << 15)
def _rounded(value: str | None, u: str | None) -> str:
    """A value as far as U = 2u carries (JCGM 100, 7.2.6); two decimals without u."""
    if value is None:
        return ""
    return intern(f"{Decimal(value):.{2 if u is None else _places(u)}f}")


@lru_cache(1 << 15)
def _largest(x: str | None, y: str | None, u: str | None) -> str:
    """The larger of two values, rounded."""
    known = [value for value in (x, y) if value is not None]
    return _rounded(max(known, key=Decimal, default=None), u)


_MEASURED_WITH = re.compile(r'"measured_with":(\{[^{}]*\})')


def _validated(scope: Scope) -> dict[str, str]:
    """By check number: whether its software was validated before or since; empty without records.

    There may be very many checks: their payloads are not decoded, and few softwares made them.
    """
    known = scope.facts(events.ValidationRecorded)
    if not known:
        return {}
    check, event = schema.check, schema.event
    query = select(check.c.id, event.c.seq, event.c.payload).join_from(
        check, event, check.c.seq == event.c.seq
    )
    used = lru_cache(100)(json.loads)
    found = {}
    for check_id, seq, payload in scope.connection.execute(query):
        made = _MEASURED_WITH.search(payload)
        found[check_id] = str(standing(known, used(made[1]) if made else None, seq).state)
    return found


@lru_cache(4096)
def _places(u: str) -> int:
    return decimals_for(2 * float(u))


_SCALE_EVENTS: tuple[type[EventPayload], ...] = (events.ScaleCalibrated, events.ArtefactAdded)


@dataclass(frozen=True)
class _RecordedScale:
    """The recorded scale of a check.

    `certified`: what the check's own record of its scale states, where it has that field.
    `accepted`: why an expired scale was accepted. `void`: the correction that voids a link of the
    chain.
    """

    certified: bool | None
    accepted: str
    void: Correction | None


_NO_MORE: tuple[float, _RecordedScale | None] = (math.inf, None)


def _recorded_scales(scope: Scope) -> Iterator[tuple[float, _RecordedScale]]:
    """The recorded scales by event of their checks; only if the registry has scales.

    An artefact may lie in the scan itself: then a check has a chain without a recorded scale.
    """
    if not scope.facts(*_SCALE_EVENTS):
        return
    void_links = voided(scope.connection, scope.until)
    checks = [events.CheckRecorded]
    for event in content.events_with(scope.connection, checks, ["trace"], scope.until):
        trace, scale = event.payload.get("trace"), event.payload["scale"]
        if not trace:
            continue
        accepted = trace.get("accepted")
        reason = ""
        if accepted:
            expired = ", ".join(accepted["expired"])
            reason = f"{expired}; accepted by {accepted['by']}: {accepted['why']}"
        void = [void_links[link] for link in links_of(trace) if link in void_links]
        certified = bool(scale["certified"]) if scale and "certified" in scale else None
        yield event.seq, _RecordedScale(certified, reason, void[-1] if void else None)


def _doubts(
    source: str | None, scale: _RecordedScale, later: str, scope: Scope
) -> Iterator[tuple[str, str]]:
    """Why a recorded scale is not valid: it had expired, or it is void; and the day of that.

    A scale file's own statement of a certificate never counts: it was not recorded. A link of a
    chain that was voided after the day of the audit is marked so: it was valid then.
    """
    if reason := _scale_doubt(source, scale):
        yield reason, later
    if scale.void:
        void = scale.void
        reason = f"{void.kind} {void.sieve_id} (event {void.corrects}) is void: {void.reason}"
        yield reason, scope.recorded_later(void.recorded_at) or later


def _scale_doubt(source: str | None, scale: _RecordedScale | None) -> str:
    if not source:
        return "recorded without a scale"
    certified = None if scale is None else scale.certified
    if not (certified_by_source(source) if certified is None else certified):
        return source
    return f"scale not recorded: {source}" if scale is None else scale.accepted


_FILE_COLUMNS = (
    *("sha256", "file", "bytes", "recorded by event"),
    *("check", "kept for", "is its", "name", RECORDED_LATER),
)
# What a file was first kept for: the check or the event that kept it, its role and its name.
_Purpose = tuple[str, str, str, str]
# Every kind with files of its own; those of checks are linked to them in a table.
_WITH_FILES = tuple(
    kind
    for kind in events.EVENT_TYPES
    if kind is not events.CheckRecorded and "evidence" in kind.__dataclass_fields__
)


def evidence_table(scope: Scope) -> AuditTable:
    """Every file kept of what concerns the day of the audit or an earlier one."""
    return AuditTable("evidence", "Evidence", _FILE_COLUMNS, tuple(_file_rows(scope)))


def _file_rows(scope: Scope) -> Iterator[tuple[str, ...]]:
    purposes = _purposes(scope)
    event = schema.event
    with_files = event.c.seq.in_(select(schema.evidence.c.seq))
    query = select(event.c.seq, event.c.recorded_at).where(with_files)
    recorded_at = {row.seq: row.recorded_at for row in scope.connection.execute(query)}
    for sha256, extension, size, seq in listing.evidence_files(scope.connection):
        if sha256 in purposes and (scope.until is None or seq <= scope.until):
            place = f"{sha256[:2]}/{sha256}{extension}"
            later = scope.recorded_later(recorded_at[seq])
            yield sha256, place, str(size), str(seq), *purposes[sha256], later


def _purposes(scope: Scope) -> dict[str, _Purpose]:
    """What each file was kept for, by hash; imported tables always count: their rows are older."""
    purposes: dict[str, _Purpose] = {}
    for fact in scope.facts(*_WITH_FILES):
        if fact.on_date <= scope.as_of or isinstance(fact.payload, events.RecordsImported):
            for file in getattr(fact.payload, "evidence", ()):
                event = f"{fact.kind}: {fact.subject}"
                purposes.setdefault(file.sha256, ("", event, file.role, file.name))
    links = listing.evidence_links(scope.connection, scope.as_of, scope.until)
    for sha256, check_id, role, name in links:
        if sha256 not in purposes:
            purposes[sha256] = (check_id, "", role, name)
    return purposes
