"""An audit's tables of checks: all of them, and those without a valid recorded scale."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from sqlalchemy import func, select

from sieve_inspect.scale import certified_by_source
from sieve_inspect.verdict.sentences import decimals_for
from sieve_registry import events
from sieve_registry.audit.table import RECORDED_LATER, AuditTable, Columns, Scope, table
from sieve_registry.codec import EventPayload
from sieve_registry.records import Correction
from sieve_registry.scales.corrections import links_of, voided
from sieve_registry.store import listing, schema


def check_tables(scope: Scope) -> list[AuditTable]:
    """Checks up to the day of the audit, and those whose scale is not proven, with the reason."""
    checks = list(listing.check_rows(scope.connection, scope.as_of, scope.until))
    doubtful = list(_without_valid_scale(checks, _recorded_scales(scope), scope))
    return [
        table("checks", "Checks", _check_columns(scope), checks),
        table("no_scale", "Checks without a valid recorded scale", _SCALE_COLUMNS, doubtful),
    ]


@dataclass(frozen=True)
class _Uncertainties:
    """Standard uncertainties of a check's means and of its largest aperture; None: unknown."""

    x: str | None = None
    y: str | None = None
    largest: str | None = None


def _uncertainties(scope: Scope) -> dict[int, _Uncertainties]:
    """The uncertainties of all checks, by event."""
    check = schema.check
    largest = func.coalesce(check.c.x_u_max_um, check.c.y_u_max_um)
    query = select(check.c.seq, check.c.x_u_mean_um, check.c.y_u_mean_um, largest)
    return {seq: _Uncertainties(*u) for seq, *u in scope.connection.execute(query)}


def _check_columns(scope: Scope) -> Columns[Any]:
    known, unknown = _uncertainties(scope), _Uncertainties()

    def largest(row: Any) -> str:
        values = [Decimal(value) for value in (row.x_max_um, row.y_max_um) if value is not None]
        return _rounded(max(values), known.get(row.seq, unknown).largest) if values else ""

    return (
        ("check", lambda r: r.id),
        ("sieve", lambda r: r.sieve_id),
        ("date", lambda r: r.on_date),
        ("outcome", lambda r: r.outcome),
        ("mean x, um", lambda r: _rounded(Decimal(r.x_mean_um), known.get(r.seq, unknown).x)),
        ("mean y, um", lambda r: _rounded(Decimal(r.y_mean_um), known.get(r.seq, unknown).y)),
        ("largest, um", largest),
        ("standard", lambda r: r.standard),
        ("grade", lambda r: r.grade),
        ("decision rule", lambda r: r.rule),
        ("proposed", lambda r: r.action),
        ("scale", lambda r: r.scale_source or ""),
        ("by", lambda r: r.person),
        ("software", lambda r: r.software),
        ("recorded at", lambda r: r.recorded_at),
        (RECORDED_LATER, lambda r: scope.recorded_later(r.recorded_at)),
    )


def _rounded(value: Decimal, u: str | None) -> str:
    """A figure as far as U = 2u carries (JCGM 100, 7.2.6); two decimals where U is not known."""
    places = 2 if u is None else decimals_for(2 * float(u))
    return f"{value:.{places}f}"


_SCALE_EVENTS: tuple[type[EventPayload], ...] = (events.ScaleCalibrated, events.ArtefactAdded)


@dataclass(frozen=True)
class _RecordedScales:
    """The checks made with a recorded scale, by check id.

    `certified`: what the check's own record of its scale states, where it has that field.
    `accepted`: why an expired scale was accepted. `void`: the correction that voids a link of the
    chain.
    """

    checks: set[str] = field(default_factory=set)
    certified: dict[str, bool] = field(default_factory=dict)
    accepted: dict[str, str] = field(default_factory=dict)
    void: dict[str, Correction] = field(default_factory=dict)


def _recorded_scales(scope: Scope) -> _RecordedScales:
    """What the registry knows of the scales of checks; events are read only if it has scales.

    An artefact may lie in the scan itself: then a check has a chain without a recorded scale.
    """
    found = _RecordedScales()
    if not scope.facts(*_SCALE_EVENTS):
        return found
    void_links = voided(scope.connection, scope.until)
    for fact in scope.facts(events.CheckRecorded):
        trace = fact.payload.trace
        if not trace:
            continue
        check = fact.payload.check
        found.checks.add(check)
        if fact.payload.scale and "certified" in fact.payload.scale:
            found.certified[check] = bool(fact.payload.scale["certified"])
        accepted = trace.get("accepted")
        if accepted:
            expired = ", ".join(accepted["expired"])
            found.accepted[check] = f"{expired}; accepted by {accepted['by']}: {accepted['why']}"
        for link in links_of(trace):
            if link in void_links:
                found.void[check] = void_links[link]
    return found


@dataclass(frozen=True)
class _ScaleDoubt:
    """A check and why its scale proves nothing."""

    check: Any
    reason: str
    recorded_later: str


_SCALE_COLUMNS: Columns[_ScaleDoubt] = (
    ("check", lambda d: d.check.id),
    ("sieve", lambda d: d.check.sieve_id),
    ("date", lambda d: d.check.on_date),
    ("outcome", lambda d: d.check.outcome),
    ("why", lambda d: d.reason),
    (RECORDED_LATER, lambda d: d.recorded_later),
)


def _without_valid_scale(
    checks: Sequence[Any], recorded: _RecordedScales, scope: Scope
) -> Iterator[_ScaleDoubt]:
    """Checks made without a recorded scale, with an expired one, or with a void one.

    A scale file's own statement of a certificate never counts: it was not recorded. A link of a
    chain that was voided after the day of the audit is marked so: it was valid then.
    """
    for row in checks:
        later = scope.recorded_later(row.recorded_at)
        reason = _scale_doubt(row, recorded)
        if reason:
            yield _ScaleDoubt(row, reason, later)
        void = recorded.void.get(row.id)
        if void:
            reason = f"{void.kind} {void.sieve_id} (event {void.corrects}) is void: {void.reason}"
            yield _ScaleDoubt(row, reason, scope.recorded_later(void.recorded_at) or later)


def _scale_doubt(row: Any, recorded: _RecordedScales) -> str:
    source = row.scale_source
    if not source:
        return "recorded without a scale"
    if not recorded.certified.get(row.id, certified_by_source(source)):
        return str(source)
    if row.id in recorded.accepted:
        return recorded.accepted[row.id]
    return "" if row.id in recorded.checks else f"by no recorded scale: {source}"
