"""Commands of a sieve's life: add, edit, use, clean, quarantine, return, retire.

Every function takes an open `Registry`. Days default to today, the person to the login name. A
refusal raises an error of `sieve_registry.errors` and records nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Any

from sieve_inspect.errors import UsageError
from sieve_registry.errors import DuplicateSieveError
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.events import (
    SieveAdded,
    SieveCleaned,
    SieveEdited,
    SieveQuarantined,
    SieveRetired,
    SieveReturned,
    UseLogged,
)
from sieve_registry.ledger.records import (
    NewSieve,
    SieveDetails,
    SieveState,
    UseDetails,
)
from sieve_registry.sieves.recording import RecordContext, RecordTerms, recording
from sieve_registry.store import reader
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_count, clean_id, clean_text, refuse_future

_MOST_MONTHS = 1200
_MOST_USES = 1_000_000


def add_sieve(
    registry: Registry, new: NewSieve, *, by: str | None = None, late_reason: str = ""
) -> SieveState:
    """Record a new sieve and return its state.

    Raises `BadTextError`, `DuplicateSieveError`, `DateRefusedError` for a future in-service date,
    and what `sieve_inspect.standard.limits` raises for a standard, grade or nominal it lacks.
    """
    payload = sieve_payload(new, registry.today())
    with registry.writing() as connection:
        if reader.has_sieve(connection, payload.id):
            raise DuplicateSieveError(sieve=payload.id)
        day = new.in_service or registry.today()
        late = clean_text("reason", late_reason)
        return RecordContext(registry, connection, payload.id, day, late).record(payload, by)


def sieve_payload(new: NewSieve, today: date) -> SieveAdded:
    """The payload of a new sieve's event. Raises as `add_sieve`."""
    from sieve_inspect.standard import limits

    own_table = Path(new.standard)
    standard = str(own_table.resolve()) if own_table.is_file() else new.standard
    sieve_id = clean_id(new.id)
    limits(new.nominal_um, standard, grade=new.grade)
    if new.in_service is not None:
        refuse_future(new.in_service, today, "a sieve's start of service")
    months = clean_count("interval in months", new.interval_months, _MOST_MONTHS)
    assert months is not None
    return SieveAdded(
        id=sieve_id,
        nominal_nm=_nanometres(new.nominal_um),
        standard=standard,
        grade=new.grade,
        serial=clean_text("serial number", new.serial),
        frame_nm=None if new.frame_um is None else _nanometres(new.frame_um),
        in_service=new.in_service,
        added_on=today,
        interval_months=months,
        interval_uses=clean_count("interval in uses", new.interval_uses, _MOST_USES),
        location=clean_text("location", new.location),
        maker=clean_text("maker", new.maker),
        details=_details(new.details),
    )


def edit_sieve(
    registry: Registry,
    sieve_id: str,
    *,
    interval_months: int | None = None,
    interval_uses: int | None = None,
    location: str | None = None,
    details: Mapping[str, str] | None = None,
    on_date: date | None = None,
    by: str | None = None,
    late_reason: str = "",
) -> SieveState:
    """Change intervals, location or details from a day on; 0 uses ends that limit.

    None leaves a thing as it is; `details` names fields of `SieveDetails`. The past stays as it
    was: asked for a day before `on_date`, the old values still answer.
    """
    if (interval_months, interval_uses, location, details or None) == (None,) * 4:
        raise UsageError(message="Nothing to change was given: see `sieveward sieve edit --help`.")
    payload = SieveEdited(
        interval_months=clean_count("interval in months", interval_months, _MOST_MONTHS),
        interval_uses=clean_count("interval in uses", interval_uses, _MOST_USES, least=0),
        location=None if location is None else clean_text("location", location),
        details={name: clean_text(name, text) for name, text in (details or {}).items()},
    )
    return _recorded(registry, sieve_id, payload, RecordTerms(on_date, by, late_reason))


def _recorded(
    registry: Registry, sieve_id: str, payload: EventPayload, terms: RecordTerms
) -> SieveState:
    with recording(registry, sieve_id, type(payload), terms) as context:
        return context.record(payload, terms.by)


def log_use(
    registry: Registry,
    sieve_id: str,
    count: int,
    *,
    on_date: date | None = None,
    by: str | None = None,
    note: str = "",
    details: UseDetails | None = None,
    late_reason: str = "",
) -> SieveState:
    """Log that a sieve was used `count` times on a day, and how. Raises as `check`."""
    payload = UseLogged(**use_fields(count, note, details or UseDetails()))
    return _recorded(registry, sieve_id, payload, RecordTerms(on_date, by, late_reason))


def use_fields(count: int, note: str, details: UseDetails) -> dict[str, Any]:
    """The fields of uses that are known, each checked. Raises `UsageError`, `BadTextError`."""
    known = {
        name: clean_text(name, value) if isinstance(value, str) else value
        for name, value in asdict(details).items()
        if value not in (None, "")
    }
    counted = clean_count("number of uses", count, _MOST_USES)
    return {"count": counted, "note": clean_text("note", note), **known}


def retire(
    registry: Registry,
    sieve_id: str,
    reason: str,
    *,
    on_date: date | None = None,
    by: str | None = None,
    late_reason: str = "",
) -> SieveState:
    """End a sieve's service from a day on: a person's decision, with the reason."""
    payload = SieveRetired(reason=clean_text("reason", reason, needed=True))
    return _recorded(registry, sieve_id, payload, RecordTerms(on_date, by, late_reason))


def quarantine(
    registry: Registry, sieve_id: str, reason: str, terms: RecordTerms, *, damage: bool = False
) -> SieveState:
    """Take a sieve out of use until a check passes; `damage` if it was harmed."""
    payload = SieveQuarantined(reason=clean_text("reason", reason, needed=True), damage=damage)
    return _recorded(registry, sieve_id, payload, terms)


def return_to_service(
    registry: Registry, sieve_id: str, reason: str, terms: RecordTerms
) -> SieveState:
    """Put a sieve back into use. Raises `RuleRefusedError` without a passing check since then."""
    payload = SieveReturned(reason=clean_text("reason", reason, needed=True))
    return _recorded(registry, sieve_id, payload, terms)


def clean(
    registry: Registry, sieve_id: str, method: str, note: str, terms: RecordTerms
) -> SieveState:
    """Record that a sieve was cleaned or otherwise maintained."""
    payload = SieveCleaned(
        method=clean_text("method", method, needed=True), note=clean_text("note", note)
    )
    return _recorded(registry, sieve_id, payload, terms)


def _details(details: SieveDetails) -> dict[str, str]:
    """The details that are known, each fit to be kept."""
    cleaned = {name: clean_text(name, text) for name, text in asdict(details).items()}
    return {name: text for name, text in cleaned.items() if text}


def _nanometres(um: float) -> int:
    return round(um * 1000)
