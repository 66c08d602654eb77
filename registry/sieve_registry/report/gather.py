"""The recorded data of a check, collected for its report."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from sieve_registry.audit import verification
from sieve_registry.checks import queries as check_queries
from sieve_registry.errors import EvidenceError
from sieve_registry.events import ActionDecided
from sieve_registry.outlook.queries import Outlook, outlook
from sieve_registry.records import (
    Check,
    CheckDetail,
    Correction,
    SieveHistory,
)
from sieve_registry.report.chain import chain_lines
from sieve_registry.report.enlarged import enlarge
from sieve_registry.report.view import (
    Apertures,
    CheckView,
    CorrectionLine,
    Overlay,
    ScanFile,
    SieveFacts,
)
from sieve_registry.scales.corrections import corrected_links
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.facts import facts_of
from sieve_registry.sieves.lifecycle import signature_of
from sieve_registry.store.engine import Registry

__all__ = ["check_view", "correction_line", "warp_text"]


def check_view(registry: Registry, check_id: str) -> CheckView:
    """Everything the registry holds of a check; each evidence file is hashed again.

    The view depends on the records only: the same ledger gives the same view on any day.
    Raises `UnknownCheckError`, `EvidenceError` for a missing file and `EvidenceAlteredError` for a
    changed file of the check.
    """
    detail = check_queries.get_check(registry, check_id)
    event = detail.event
    history = sieve_queries.get_history(registry, detail.check.sieve_id)
    corrections = [made for made in history.corrections if made.corrects == event.seq]
    check = next((known for known in history.checks if known.seq == event.seq), None)
    void = (
        next((made for made in reversed(corrections) if made.void), None) if check is None else None
    )
    check = check or detail.check
    measurement, payload = _json(registry, detail, "measurement"), json.loads(event.payload)
    events, head = verification.ledger_head(registry)
    scans = tuple(ScanFile(f.name, f.sha256) for f in detail.evidence if f.role == "scan")
    apertures = Apertures.from_csv(_bytes(registry, detail, "apertures").decode())
    return CheckView(
        sieve=_facts(registry, check, history),
        check_id=check.id,
        on_date=check.on_date.isoformat(),
        operator=check.person,
        software=check.software,
        measurement=measurement,
        limits=_json(registry, detail, "limits"),
        verdict=measurement.get("verdict"),
        apertures=apertures,
        overlays=tuple(
            Overlay(file.name, check_queries.evidence_bytes(registry, file.sha256))
            for file in detail.evidence
            if file.role == "overlay"
        ),
        scans=scans,
        ledger_head=head,
        ledger_events=events,
        event_hash=event.hash,
        recorded_at=event.recorded_at,
        notes=_notes(history, check),
        chain=(
            *chain_lines(payload.get("trace"), check.scale_source),
            *(("Warning", warning) for warning in payload.get("warnings", ())),
            *corrected_links(registry, payload.get("trace")),
        ),
        action=(check.action, check.action_reason),
        enlarged=enlarge(
            apertures,
            scans,
            lambda sha256: check_queries.evidence_bytes(registry, sha256),
            measurement,
        ),
        wear=None if void else _wear(registry, check),
        corrections=tuple(map(correction_line, corrections)),
        void="" if void is None else f"{void.reason} ({void.person}, {void.on_date})",
        libraries=_libraries(payload.get("measured_with") or {}),
        decided=_decided(registry, history, check),
    )


def correction_line(made: Correction) -> CorrectionLine:
    """A correction as texts, both readings."""
    names = {"on_date": "date", "frame_nm": "frame in nm", "in_service": "in service"}

    def listed(values: Mapping[str, Any]) -> str:
        return ", ".join(f"{names.get(name, name)} {value}" for name, value in values.items())

    now = "void" if made.void else listed(made.now) or "as first recorded"
    return CorrectionLine(
        what=f"{made.kind}, event {made.corrects}",
        was=listed(made.was) or "as recorded",
        now=now,
        reason=made.reason,
        person=made.person,
        on_date=made.on_date.isoformat(),
        event=made.seq,
    )


def _facts(registry: Registry, check: Check, history: SieveHistory) -> SieveFacts:
    """The sieve: location and status as last recorded, standard and grade as of the check."""
    sieve = history.sieve
    now = sieve_queries.get_state(registry, sieve.id)
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
        status=now.status,
        warp=warp_text(now.details.warp),
    )


def warp_text(warp: str) -> str:
    """The direction of the warp relative to the label, "" if not recorded."""
    return {"x": "across the label", "y": "up the label"}.get(warp, "")


def _notes(history: SieveHistory, check: Check) -> tuple[str, ...]:
    """Later events that matter to a reader of the report."""
    notes = []
    key = (check.on_date, check.seq)
    later = [other for other in history.checks if (other.on_date, other.seq) > key]
    if later:
        last = max(later, key=lambda other: (other.on_date, other.seq))
        notes.append(
            f"This sieve was checked again since: {last.id} on {last.on_date}, {last.outcome}."
        )
    end = history.retirement
    if end is not None:
        notes.append(f"Retired on {end.on_date} by {end.person}: {end.reason}.")
    return tuple(notes)


def _decided(registry: Registry, history: SieveHistory, check: Check) -> tuple[str, ...]:
    """Decisions of persons on this check, and its second signature."""
    lines = []
    for fact in facts_of(registry, check.sieve_id, [ActionDecided]):
        if fact.payload.check == check.id:
            reason = f": {fact.payload.reason}" if fact.payload.reason else ""
            lines.append(
                f"Decided on {fact.on_date} by {fact.person}: {fact.payload.decided}{reason}."
            )
    signed = signature_of(history, check)
    if signed is not None:
        lines.append(f"Signed off on {signed.on_date} by {signed.person}, as the second person.")
    return tuple(lines)


def _wear(registry: Registry, check: Check) -> Outlook | None:
    """The outlook of the cloth as of the day of the check; None with a single check."""
    seen = outlook(registry, check.sieve_id, check.on_date)
    of_cloth = {known.id for known in seen.wear.checks}
    return seen if len(of_cloth) > 1 and check.id in of_cloth else None


def _libraries(measured_with: Mapping[str, Any]) -> str:
    return ", ".join(f"{name} {version}" for name, version in sorted(measured_with.items()))


def _json(registry: Registry, detail: CheckDetail, role: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(_bytes(registry, detail, role))
    return document


def _bytes(registry: Registry, detail: CheckDetail, role: str) -> bytes:
    for file in detail.evidence:
        if file.role == role:
            return check_queries.evidence_bytes(registry, file.sha256)
    raise EvidenceError(name=role, reason=f"check {detail.check.id} has no such file")
