"""Everything recorded of a sieve as rows: what happened, when, by whom, with which event."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sieve_inspect.verdict.sentences import decimals_for
from sieve_registry.ledger import events
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.corrections import CORRECTABLE
from sieve_registry.ledger.records import Fact, SieveHistory
from sieve_registry.sieves.certificates import summary_of

# Records without a table of their own.
FACTS: tuple[type[EventPayload], ...] = (
    events.ActionDecided,
    events.DecisionRuleSet,
    events.IntervalDecided,
    events.ReferenceChecked,
    events.RepeatabilityStudied,
    events.ResultReviewed,
)


@dataclass(frozen=True)
class RecordRow:
    """A record as a row of the table; `correctable` if `sieveward correct` may amend it."""

    day: date
    seq: int
    what: str
    details: str
    person: str
    recorded_at: str
    correctable: bool = True


def record_rows(
    history: SieveHistory, facts: Sequence[Fact[EventPayload]], day: date
) -> list[RecordRow]:
    """Everything recorded of a sieve up to a day, the latest first."""
    return sorted(_rows(history, facts, day), key=lambda row: (row.day, row.seq), reverse=True)


def _rows(
    history: SieveHistory, facts: Sequence[Fact[EventPayload]], day: date
) -> Iterator[RecordRow]:
    sieve = history.sieve
    yield RecordRow(
        sieve.in_service or sieve.added_on, sieve.seq, "added", "", sieve.person, sieve.recorded_at
    )
    records: list[tuple[Any, str, str]] = [
        *((c, f"check {c.id}", f"{c.outcome}; proposed: {c.action}") for c in history.checks),
        *((u, f"{u.count} uses", _used(u)) for u in history.uses),
        *((a, a.kind, _act(a.payload)) for a in history.acts),
        *((e, "changed", _edited(e)) for e in history.edits),
        *((f, f.kind, _fact(f)) for f in facts),
    ]
    if history.retirement is not None:
        records.append((history.retirement, "retired", history.retirement.reason))
    fixed = {fact.seq for fact in facts if fact.kind not in CORRECTABLE}
    for record, what, details in records:
        if record.on_date <= day:
            made = (record.person, record.recorded_at, record.seq not in fixed)
            yield RecordRow(record.on_date, record.seq, what, details, *made)


def _act(payload: EventPayload) -> str:
    if isinstance(payload, events.CertificateRecorded):
        files = ", ".join(file.name for file in payload.evidence)
        accreditation = f"accreditation {payload.accreditation}" if payload.accreditation else ""
        return "; ".join(text for text in (summary_of(payload), accreditation, files) if text)
    return _payload(payload.to_payload())


def _used(use: Any) -> str:
    details = (use.details.stack, use.details.method, use.details.material, use.note)
    return ", ".join(filter(None, details))


def _edited(edit: Any) -> str:
    values = (
        ("every", f"{edit.interval_months} months" if edit.interval_months else None),
        ("after", f"{edit.interval_uses} uses" if edit.interval_uses else None),
        ("location", edit.location),
        *edit.details,
    )
    return ", ".join(f"{name} {value}" for name, value in values if value not in (None, ""))


def _fact(fact: Fact[EventPayload]) -> str:
    return (_reference if isinstance(fact.payload, events.ReferenceChecked) else _payload)(
        fact.payload.to_payload()
    )


# Figures of a reference check in printed order: label, unit, decimals (None: as its U allows).
_FIGURES: dict[str, tuple[str, str, int | None]] = {
    "passing_percent": ("passing", " %", 2),
    "aperture_um": ("aperture", " µm", None),
    "U_um": ("U", " µm", None),
    "certified": ("certified", " %", 2),
    "found": ("mean residue", " %", 2),
    "factor": ("C =", "", 3),
    "difference": ("difference", " %", None),
    "U_difference": ("U", " %", None),
    "e_n": ("E_n =", "", 2),
}


def _reference(payload: Mapping[str, Any]) -> str:
    """A reference check: material, outcome, and its figures rounded by their U."""
    allowed = decimals_for(float(payload.get("U_difference") or payload.get("U_um") or 0.1))
    figures = []
    for name, (label, unit, decimals) in _FIGURES.items():
        if payload.get(name) is not None:
            places = allowed if decimals is None else decimals
            figure = f"{float(payload[name]):.{places}f}".replace("-", "−")
            figures.append(f"{label} {figure}{unit}")
    if payload.get("pairs"):
        figures.append(f"{payload['pairs']} pairs")
    kind, material = str(payload["kind"]), str(payload["material"])
    by = material if kind in material else f"{kind}, {material}"
    outcome = f"{by}: {payload['outcome']}"
    return "; ".join([outcome, ", ".join(figures)]) if figures else outcome


def _payload(payload: Mapping[str, Any]) -> str:
    """The texts and whole numbers of a payload; nested values have pages of their own."""
    texts = [
        f"{name.replace('_', ' ')}: {value}" if name not in ("reason", "note") else str(value)
        for name, value in payload.items()
        if isinstance(value, (str, int)) and not isinstance(value, bool) and value != ""
    ]
    return "; ".join(texts)
