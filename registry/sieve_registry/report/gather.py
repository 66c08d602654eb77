"""From what the registry keeps of a check to the view its report is made from."""

from __future__ import annotations

import json
from typing import Any

from sieve_registry import service
from sieve_registry.errors import EvidenceError
from sieve_registry.records import CheckDetail, SieveHistory
from sieve_registry.report.chain import chain_lines
from sieve_registry.report.view import Apertures, CheckView, Overlay, ScanFile, SieveFacts
from sieve_registry.service import Registry

__all__ = ["check_view"]


def check_view(registry: Registry, check_id: str) -> CheckView:
    """Everything the registry holds of a check, each evidence file hashed again on the way.

    Raises `UnknownCheckError`, `EvidenceError` when a file of the check is missing,
    `EvidenceAlteredError` when one changed.
    """
    detail = service.get_check(registry, check_id)
    check, event = detail.check, detail.event
    history = service.get_history(registry, check.sieve_id)
    measurement = _json(registry, detail, "measurement")
    events, head = service.ledger_head(registry)
    return CheckView(
        sieve=_facts(registry, detail, history),
        check_id=check.id,
        on_date=check.on_date.isoformat(),
        operator=check.person,
        software=check.software,
        measurement=measurement,
        limits=_json(registry, detail, "limits"),
        verdict=measurement.get("verdict"),
        apertures=Apertures.from_csv(_one(registry, detail, "apertures").decode()),
        overlays=tuple(
            Overlay(file.name, service.evidence_bytes(registry, file.sha256))
            for file in detail.evidence
            if file.role == "overlay"
        ),
        scans=tuple(ScanFile(f.name, f.sha256) for f in detail.evidence if f.role == "scan"),
        ledger_head=head,
        ledger_events=events,
        event_hash=event.hash,
        recorded_at=event.recorded_at,
        notes=_notes(history, detail),
        chain=chain_lines(json.loads(event.payload).get("trace")),
    )


def _facts(registry: Registry, detail: CheckDetail, history: SieveHistory) -> SieveFacts:
    """The sieve, its place and status as of today; what it was judged by, as of the check."""
    sieve, check = history.sieve, detail.check
    now = service.get_state(registry, sieve.id)
    return SieveFacts(
        id=sieve.id,
        nominal_um=check.nominal_nm / 1000,
        standard=check.standard,
        grade=check.grade,
        serial=sieve.serial,
        maker=sieve.maker,
        frame_um=None if sieve.frame_nm is None else sieve.frame_nm / 1000,
        in_service=None if sieve.in_service is None else sieve.in_service.isoformat(),
        location=now.location,
        status=f"{now.status} (as of {now.as_of})",
    )


def _notes(history: SieveHistory, detail: CheckDetail) -> tuple[str, ...]:
    """What a reader of this one page has to know of the days after it."""
    check, notes = detail.check, []
    key = (check.on_date, check.seq)
    later = [one for one in history.checks if (one.on_date, one.seq) > key]
    if later:
        last = max(later, key=lambda one: (one.on_date, one.seq))
        notes.append(
            f"This sieve was checked again since: {last.id} on {last.on_date}, {last.outcome}."
        )
    end = history.retirement
    if end is not None:
        notes.append(f"Retired on {end.on_date} by {end.person}: {end.reason}.")
    return tuple(notes)


def _json(registry: Registry, detail: CheckDetail, role: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(_one(registry, detail, role))
    return found


def _one(registry: Registry, detail: CheckDetail, role: str) -> bytes:
    for file in detail.evidence:
        if file.role == role:
            return service.evidence_bytes(registry, file.sha256)
    raise EvidenceError(name=role, reason=f"check {detail.check.id} keeps none")
